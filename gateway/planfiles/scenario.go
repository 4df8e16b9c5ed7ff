package planfiles

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"longlane/gateway/config"
	"longlane/gateway/rehearsal"
	"longlane/radio/ether"
	"longlane/radio/lane"
	"longlane/radio/lora"
	"longlane/radio/plan"
)

// gatewayStation is what a scenario calls the gateway's modem.
const gatewayStation = "gateway"

// faint is how far below what can be read on the average a pair is left out, dB. Fading lifts a signal by 10 dB once in 20,000 draws (Rayleigh's law),
// and as noise one so weak adds 0.04 dB to another.
const faint = 20

// A car at a walk stands in a beam for some seconds. What is simulated does not follow from the plan.
const shortStay, longStay = time.Second, 5 * time.Second

// scenario is the planned lane in simulated air.
func (l *layout) scenario() ([]File, error) {
	p := new(page)
	path := filepath.Join(l.to.Dir, scenarioFile)
	l.air(p, path)
	stations := []*lane.Site{l.gateway}
	radios := l.radios()
	for i, u := range radios {
		l.station(p, u, float64(i)/float64(len(radios)))
		stations = append(stations, u.site)
	}
	l.pairs(p, l.plan.Ways(stations...))
	if err := l.playable(p); err != nil {
		return nil, refused("the scenario's lines", err)
	}
	return []File{{scenarioFile, p.Bytes(), "the planned lane for the simulator", "longlane sim --fast --scenario " + Shell(path) + " --for 7d"}}, nil
}

// air writes what all stations share.
func (l *layout) air(p *page, path string) {
	s := l.plan.Chosen
	t := l.transmitter(l.gateway)
	p.say("The planned lane of %s, for the simulator: what follows from the plan of %s.\n\n  longlane sim --fast --scenario %s --for 7d\n  longlane sim --scenario %s --modem %s --out %s\n",
		l.plan.Lane.Name, l.to.Lane, Shell(path), Shell(path), Shell(filepath.Join(l.to.Dir, simulatedModem)), Shell(filepath.Join(l.to.Dir, simulatedLog)))
	p.say("The first needs no cards. The second feeds the gateway of %s beside this file, once the nodes are enrolled: it looks for "+
		"their cards here.\n\n"+
		"Every level is the plan's own for that way in leaf, hills, plants and buildings in it, so each hop has the margin that the plan gives it. "+
		"This file does not follow when the lane file changes: plan again.", gatewayFile)
	p.WriteString("\n")
	p.set("name", quoted(l.plan.Lane.Name+", as planned"), "")
	p.set("seed", "1", "the same seed, the same course of things; --seed overrides it")
	p.set("checkin", quoted(lasting(l.checkIn())), "from the plan")
	p.table("[air]")
	p.set("region", quoted(l.plan.Lane.Region), "from the lane file")
	p.set("frequency", fmt.Sprintf("%.6f", float64(t.Frequency)/1e6), "MHz; from the plan, and so the next four")
	p.set("spreading_factor", itoa(t.SpreadingFactor), "")
	p.set("bandwidth", itoa(t.Bandwidth), "Hz")
	p.set("coding_rate", itoa(t.CodingRate), "")
	p.set("preamble", itoa(t.Preamble), "symbols")
	p.set("power", decibels(l.power(l.gateway)), "dBm, of every station that says nothing else")
	p.set("antenna_gain", decibels(l.ruled()), "dBi, by which the rules judge all; what each antenna brings is in the levels below")
	p.set("listen_first", "true", "")
	if t.Listen > 0 {
		p.set("carrier_sense", quoted(lasting(t.Listen)), "the rules ask for it")
	}
	o := &l.plan.Options
	p.set("noise_figure", decibels(s.Need-lora.Sensitivity(s.Settings, 0)), fmt.Sprintf("dB: the plan's receiver (%v), how much worse it is than its formula (%.1f) and the noise of the place (%v). So a frame needs %.1f dBm, as in the plan",
		o.NoiseFigure, l.harder(), o.NoiseRise, s.Need))
	p.set("fading", `"rayleigh"`, "as the plan reckons: no line of sight,")
	p.set("coherence", `"1s"`, "and anew each second")
}

// ruled is the gain by which the simulator's rules judge all stations alike: the greatest of those of the lane with which all their powers are lawful.
func (l *layout) ruled() float64 {
	sites := []*lane.Site{l.gateway}
	for _, u := range l.radios() {
		sites = append(sites, u.site)
	}
	var gains []float64
	for _, s := range sites {
		gains = append(gains, net(s))
	}
	slices.Sort(gains)
	for _, gain := range slices.Backward(gains) {
		if !slices.ContainsFunc(sites, func(s *lane.Site) bool {
			t := l.transmitter(s)
			t.AntennaGain, t.CableLoss, t.Power = gain, 0, l.power(s)
			_, err := lora.Lawful(l.plan.Lane.Region, t)
			return err != nil
		}) {
			return gain
		}
	}
	return gains[0] // where a cable's loss is no better than an antenna's: the simulator says what it has against that
}

// station writes a node or relay. Its listed trips begin with a turn, 0 to 1, of its own, so that those of two stations do not always fall together.
func (l *layout) station(p *page, u *unit, turn float64) {
	p.table("[[node]]")
	p.set("name", quoted(u.site.Name), u.what()+"; the lane file's site")
	p.set("card", quoted(u.card()), "for --modem alone")
	if u.relay {
		p.set("relay", "true", "from the plan")
	}
	if u.site.Power == lane.PowerMains {
		p.set("mains", "true", "from the lane file")
	}
	if w := l.power(u.site); w != l.power(l.gateway) {
		p.set("power", decibels(w), "dBm, that its antenna is allowed")
	}
	every := time.Duration(float64(time.Hour) / l.plan.Options.TripsPerHour).Round(time.Millisecond)
	stay := min(shortStay+longStay, every) / 2
	const busiest = "trips of the plan's busiest hour, hour after hour"
	var listed []string
	for i, z := range u.zones {
		if i == 0 { // that has the rate below: there is one for each node
			continue
		}
		at := time.Duration((float64(i) + turn) / float64(len(u.zones)) * float64(every)).Round(time.Millisecond)
		listed = append(listed, fmt.Sprintf("  { input = %d, at = %s, for = %s, every = %s }, # %s: the %s", i, quoted(lasting(at)), quoted(lasting(stay)),
			quoted(lasting(every)), z.Zone.Name, busiest))
	}
	if listed != nil {
		p.WriteString("trips = [\n" + strings.Join(listed, "\n") + "\n]\n")
	}
	for i, z := range u.zones {
		debounce, least, _ := l.dwell(z.Zone)
		p.WriteString("[[node.input]]\n")
		p.set("number", itoa(i), "the zone "+z.Zone.Name)
		p.set("debounce", quoted(lasting(debounce)), "as in "+nodeFile(u)+", and so the next")
		p.set("min_dwell", quoted(lasting(least)), "")
	}
	if len(u.zones) > 0 {
		p.WriteString("[node.rate]\n")
		p.set("per_hour", exact(l.plan.Options.TripsPerHour), u.zones[0].Zone.Name+": the "+busiest)
		p.set("dwell_min", quoted(lasting(shortStay)), "not from the plan")
		p.set("dwell_max", quoted(lasting(longStay)), "")
	}
}

// pairs writes who hears whom.
func (l *layout) pairs(p *page, ways []*plan.Way) {
	var used []*plan.Way
	for _, link := range l.plan.Links() {
		used = append(used, link.Way)
	}
	var weak, unjudged []string
	name := func(s *lane.Site) string {
		if s == l.gateway {
			return gatewayStation
		}
		return s.Name
	}
	p.WriteString("\n")
	p.say("Who hears whom: dBm on the average over the fading, if the other sends with %v dBm. Who stands in none never hears the other.", l.power(l.gateway))
	judged := map[[2]*lane.Site]bool{}
	for _, w := range ways {
		judged[[2]*lane.Site{w.From, w.To}] = true
		// A pair's level is that of the channel's power, which is the gateway's.
		level := l.power(l.gateway) + net(w.From) + net(w.To) - w.InLeaf()
		margin := level - l.plan.Chosen.Need
		if margin < -faint {
			weak = append(weak, name(w.From)+" and "+name(w.To))
			continue
		}
		what := fmt.Sprintf("%.0f m, %.1f dB over what a frame needs", w.Length, margin)
		if slices.ContainsFunc(used, func(u *plan.Way) bool {
			return u.From == w.From && u.To == w.To || u.From == w.To && u.To == w.From
		}) {
			what += ": a hop of the plan"
		}
		p.table("[[pair]]")
		p.set("of", "["+quoted(name(w.From))+", "+quoted(name(w.To))+"]", what)
		p.set("rssi", decibels(level), "")
	}
	stations := []*lane.Site{l.gateway}
	for _, u := range l.radios() {
		for _, s := range stations {
			if !judged[[2]*lane.Site{s, u.site}] {
				unjudged = append(unjudged, name(s)+" and "+name(u.site))
			}
		}
		stations = append(stations, u.site)
	}
	if weak != nil {
		p.WriteString("\n")
		p.say("Left out, since each hears the other more than %d dB below what can be read: %s.", faint, strings.Join(weak, "; "))
	}
	if unjudged != nil {
		p.WriteString("\n")
		p.say("Left out, since the plan's formulas do not hold there: %s.", strings.Join(unjudged, "; "))
	}
}

// playable reads the scenario back as `longlane sim` does, both ways.
func (l *layout) playable(p *page) error {
	doc, err := config.Open(scenarioFile, p.Bytes())
	if err != nil {
		return err
	}
	var sc ether.Scenario
	doc.Into(&sc)
	if err := doc.Err(); err != nil {
		return err
	}
	return errors.Join(sc.Validate(), rehearsal.Check(sc))
}
