package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"strconv"
	"strings"

	"longlane/gateway/config"
	"longlane/gateway/planfiles"
	"longlane/gateway/wholefile"
	"longlane/radio/lane"
	"longlane/radio/plan"
)

var planCommand = command{
	name:  "plan",
	brief: "before anything is bought: does it reach, by which bearer, settings and relays, and what if not",
	usage: "LANE [--goal GOAL] [--cost PIECE=COST,...] [--between SITE,SITE] [--json] [--config FILE] [--frequency MHZ] [--power DBM] [--html FILE] [--svg DIR] [--png DIR] [--write DIR]",
	example: `  longlane plan testdata/lane/hill-orchard.toml
  longlane plan lane.toml --goal "99 %, 3s, 15 dB" --cost relay-solar=300,node=90
  longlane plan lane.toml --between river-gate,house
  longlane plan lane.toml --html plan.html
  longlane plan lane.toml --write orchard      (what follows from it: scenario, settings, figures for the walk test)

GOAL is a share of the trips, the time from the contact to the ear, and the margin of each hop in leaf; what is left out is as in the
default. PIECE is one of: modem, node, wifi-node, bridge, relay-mains, relay-solar, relay-battery; costs are in any currency. Exit code
0: the goal can be met; 1: it cannot, and the report says why and what would help; 2: bad usage or lane file, or pictures or files that
cannot be written.`,
	run: runPlan,
}

// unmetError is no mistake: the report has said it all.
type unmetError struct {
	zones int
	write string // the directory into which nothing was written; "": none was asked for
}

func (e unmetError) Error() string {
	text := "the goal cannot be met: not reached: " + several(e.zones, "zone")
	if e.write != "" {
		text += "; nothing was written into " + e.write + ": settings of a lane that does not reach would serve nobody"
	}
	return text
}

func runPlan(_ context.Context, c *call) error {
	o := plan.Options{Costs: plan.DefaultCosts()}
	c.Func("goal", "what must be kept, as `GOAL`, such as \"99.9 %, 2s, 10 dB\" (the default)", func(s string) error { return parseGoal(s, &o.Goal) })
	c.Func("cost", "other costs than the usual ones, as `PIECE=COST,...`", func(s string) error { return parseCosts(s, &o.Costs) })
	noise := c.Float64("noise", 3, "by how many `dB` the place is noisier than a receiver alone")
	c.Float64Var(&o.TripsPerHour, "trips", 12, "trips of each zone in the busiest hour, a `number`")
	c.Float64Var(&o.Battery, "battery", 240, "what a battery holds where there is one, in `Wh`")
	c.Float64Var(&o.SunHours, "sun", 0, "peak-sun `hours` a day of the worst month on the panel; left out: by the latitude")
	c.duration(&o.Outage, "outage", "for how long gateway, broker and switch must run without mains, a `time`; left out: 8h")
	c.Func("cable", "tell what the cable to a sensor takes of its supply, as `CABLE`, such as \"100 m, 0.75 mm2, 100 mA, 12 V\"", func(s string) error { return parseCable(s, &o.Cable) })
	gateway := c.String("config", "", "plan for the gateway of this configuration `file`: channel, power and carrier sense of its [[modem]], and who passes the beams by its [passage]; left out: the usual ones")
	var radio planRadio
	radio.flags(c)
	between := c.String("between", "", "tell all of these two `SITE,SITE` instead: by each setting, and by Wi-Fi")
	asJSON := c.Bool("json", false, "print the plan as JSON")
	var pictures planPictures
	pictures.flags(c)
	write := c.String("write", "", "write what follows from the plan into this `directory`, new files only: scenario.toml for longlane sim, longlane.toml of the gateway, a file for each node and relay, survey.json for longlane survey --plan")
	words, err := c.parse(1)
	if err != nil {
		return err
	}
	if len(words) == 0 {
		return badUsage("expected the lane file: longlane plan LANE")
	}
	given := map[string]bool{}
	c.Visit(func(f *flag.Flag) { given[f.Name] = true })
	if given["sun"] && o.SunHours == 0 || given["outage"] && o.Outage == 0 {
		return badUsage("--sun and --outage: found 0, expected more, or that the option is left out: 0 would stand for the default")
	}
	if err := pictures.check(*between); err != nil {
		return err
	}
	if *write != "" && *between != "" {
		return badUsage("--write: the files are of a whole plan; found --between too, expected one of the two")
	}
	if o.NoiseRise = *noise; *noise == 0 {
		o.NoiseRise = -1
	} else if *noise < 0 {
		return badUsage("--noise: found %v, expected 0 or more", *noise)
	}
	if o.TripsPerHour <= 0 {
		return badUsage("--trips: found %v, expected a number above 0", o.TripsPerHour)
	}
	if o.Battery <= 0 {
		return badUsage("--battery: found %v, expected Wh above 0", o.Battery)
	}
	l, err := config.ReadLane(words[0])
	if err != nil {
		return usageError{err}
	}
	if *gateway != "" {
		own, err := config.ReadAlone(*gateway)
		if err != nil {
			return usageError{err}
		}
		if o.Movers, o.BeamWidth = own.Passage.Movers(), own.Passage.BeamWidth; o.BeamWidth == 0 {
			o.BeamWidth = -1
		}
		if err := radio.ofGateway(*gateway, own.Modem, l.Region); err != nil {
			return usageError{err}
		}
	}
	radio.into(&o)
	if *between != "" {
		return planBetween(c, l, o, *between, *asJSON, &radio)
	}
	bar := newProgress(c.err, "planning")
	o.Progress = bar.show
	p, err := plan.Make(l, o)
	bar.clear()
	if err != nil {
		return usageError{radio.about(words[0], err)}
	}
	notes, err := pictures.write(p)
	if err != nil {
		return usageError{err}
	}
	for _, n := range notes {
		fmt.Fprintf(c.err, "longlane plan: %s\n", n)
	}
	var files *planfiles.Set
	if *write != "" && p.Met {
		if files, err = writePlan(p, *write, words[0], wholefile.Write); err != nil {
			return usageError{fmt.Errorf("--write: %w", err)}
		}
	}
	if *asJSON {
		err = c.json(p)
	} else {
		err = p.WriteText(c.out)
	}
	if err == nil && files != nil {
		to := c.out
		if *asJSON {
			to = c.err
		}
		err = files.WriteText(to)
	}
	if err == nil && !p.Met {
		lost := 0
		for _, z := range p.Zones {
			if !z.Served {
				lost++
			}
		}
		return unmetError{lost, *write}
	}
	return err
}

// planBetween tells of two sites alone.
func planBetween(c *call, l *lane.Lane, o plan.Options, between string, asJSON bool, radio *planRadio) error {
	from, to, ok := strings.Cut(between, ",")
	if !ok {
		return badUsage("--between: found %q, expected two sites with a comma between them, such as river-gate,house", between)
	}
	p, err := plan.Between(l, o, strings.TrimSpace(from), strings.TrimSpace(to))
	if err != nil {
		return usageError{radio.about("--between", err)}
	}
	if asJSON {
		return c.json(p)
	}
	return p.WriteText(c.out)
}

// parseGoal reads numbers with their units, in any order. A 0 is refused: in plan.Options it stands for the default, so the plan would be
// for another goal than the one that was asked for.
func parseGoal(s string, g *plan.Goal) error {
	*g = plan.Goal{}
	for part := range strings.SplitSeq(s, ",") {
		part = strings.TrimSpace(part)
		percent, isShare := strings.CutSuffix(part, "%")
		db, isMargin := strings.CutSuffix(part, "dB")
		var err error
		again, none := false, false
		switch {
		case isShare:
			again = g.Share != 0
			g.Share, err = strconv.ParseFloat(strings.TrimSpace(percent), 64)
			g.Share /= 100
			none = g.Share == 0
		case isMargin:
			again = g.Margin != 0
			g.Margin, err = strconv.ParseFloat(strings.TrimSpace(db), 64)
			none = g.Margin == 0
		default:
			again = g.Within != 0
			g.Within, err = parseDuration(strings.ReplaceAll(part, " ", ""))
			none = g.Within == 0
		}
		switch {
		case err != nil:
			return fmt.Errorf("found %q, expected a share, a time and a margin, each with its unit, such as \"99.9 %%, 2s, 10 dB\"", part)
		case none:
			return fmt.Errorf("found %q, expected more than 0", part)
		case again:
			return fmt.Errorf("found %q beside another of its kind, expected a share, a time and a margin, each once", part)
		}
	}
	return nil
}

// parseCable reads four numbers with their units, in any order.
func parseCable(s string, cable *plan.Cable) error {
	left := map[string]func(float64){
		"m": func(v float64) { cable.Length = v }, "mm2": func(v float64) { cable.Section = v },
		"A": func(v float64) { cable.Amps = v }, "V": func(v float64) { cable.Volts = v },
	}
	for part := range strings.SplitSeq(s, ",") {
		part = strings.TrimSpace(part)
		text, unit := part, ""
		if i := strings.IndexAny(part, "mAV"); i >= 0 {
			text, unit = part[:i], part[i:]
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
		if unit == "mA" {
			unit, v = "A", v/1000
		}
		set := left[unit]
		if err != nil || set == nil {
			return fmt.Errorf("found %q, expected a length in m, a cross-section in mm2, a current in A or mA and a supply in V, each once", part)
		}
		set(v)
		delete(left, unit)
	}
	if len(left) > 0 {
		return fmt.Errorf("found %q, expected four: m, mm2, A or mA, and V", s)
	}
	return nil
}

func parseCosts(s string, costs *plan.Costs) error {
	pieces := map[string]*float64{"modem": &costs.Modem, "node": &costs.Node, "wifi-node": &costs.WiFiNode, "bridge": &costs.Bridge}
	relays := map[string]lane.Power{"relay-mains": lane.PowerMains, "relay-solar": lane.PowerSolar, "relay-battery": lane.PowerBattery}
	for part := range strings.SplitSeq(s, ",") {
		name, text, ok := strings.Cut(strings.TrimSpace(part), "=")
		v, err := strconv.ParseFloat(text, 64)
		if !ok || err != nil {
			return fmt.Errorf("found %q, expected PIECE=COST, such as relay-solar=300", part)
		}
		if p := pieces[name]; p != nil {
			*p = v
		} else if power, ok := relays[name]; ok {
			costs.Relay[power] = v
		} else {
			return errors.New("found \"" + name + "\", expected modem, node, wifi-node, bridge, relay-mains, relay-solar or relay-battery")
		}
	}
	return nil
}
