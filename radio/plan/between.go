package plan

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"longlane/radio/lane"
	"longlane/radio/lora"
	"longlane/radio/paragraph"
)

// Pair is what there is between two sites by every bearer, whatever the rest of the lane needs.
type Pair struct {
	Lane     *lane.Lane
	Options  Options // with the defaults put in
	From, To *lane.Site
	// Hops are LoRa's by all settings that are lawful, those that are too slow or too busy for the lane among them, and then Wi-Fi's by ordinary antennas and by a bridge.
	Hops []*OnlyHop
	// Settings are all of LoRa's, those that are not lawful for these two sites among them.
	Settings []*Setting
	// Unjudged says why there is no Wi-Fi among the hops; empty if there is.
	Unjudged string
}

// OnlyHop is a hop as if it were the whole way of a gate: what a plan has of a zone that comes home by it alone.
type OnlyHop struct {
	*Hop
	// Trips are those of the gate.
	Trips Heard
	// Asked is the margin that the goal asks of a single hop, dB; infinite if none is enough, or the setting must not be used.
	Asked float64
	// Trip is how long the frame of a trip lasts.
	Trip time.Duration
	// Units are those at both ends, without the gateway: the node of a gate, and where no zone is watched a relay that carries for all gates.
	Units []Energy
}

// Between reckons two sites of a lane, as Make does and with the same errors. Where a formula does not hold for Wi-Fi's frequency alone,
// Wi-Fi is left out.
func Between(l *lane.Lane, options Options, from, to string) (*Pair, error) {
	o, err := options.begin(l)
	if err != nil {
		return nil, err
	}
	p := &Pair{Lane: l, Options: *o, From: l.Site(from), To: l.Site(to)}
	for _, x := range []struct {
		name string
		s    *lane.Site
	}{{from, p.From}, {to, p.To}} {
		if x.s == nil {
			return nil, &OptionError{"site", fmt.Sprintf("%q", x.name), "the name of a site of the lane: " + strings.Join(names(l), ", ")}
		}
	}
	if p.From == p.To {
		return nil, &OptionError{"sites", fmt.Sprintf("%q twice", from), "two of them"}
	}
	if p.Settings, err = settings(l, []*lane.Site{p.From, p.To}, len(l.Zones), o); err != nil {
		return nil, err
	}
	s := &surveyor{lane: l, depth: 1}
	way := func(f float64) (*Way, error) {
		s.look(p.From, p.To)
		w, err := s.way(p.From, p.To, f)
		if err == nil {
			s.describe(w)
		}
		return w, err
	}
	w, err := way(p.Settings[0].Frequency)
	if err != nil {
		return nil, err
	}
	for _, s := range p.Settings {
		if _, lawful := s.power[p.To]; lawful {
			asked := s.Margin[0]
			if !s.usable(1) {
				asked = math.Inf(1)
			}
			p.add(s.hop(w), asked)
		}
	}
	if w, err = way(o.WiFiFrequency); err != nil {
		p.Unjudged = "Wi-Fi: " + err.Error()
		return p, nil
	}
	p.add(wifi(w, false, o), wifiMargin(o))
	p.add(wifi(w, true, o), wifiMargin(o))
	return p, nil
}

func (p *Pair) add(h *Hop, asked float64) {
	x := &OnlyHop{Hop: h, Trips: heard([]*Hop{h}, &p.Options), Asked: asked, Trip: h.pace().air(tripSize)}
	for _, site := range []*lane.Site{p.From, p.To} {
		switch {
		case site.Role == lane.RoleGateway:
		case watched(p.Lane, site):
			x.Units = append(x.Units, nodeEnergy(p.Lane, site, h.Bearer, h.Setting, &p.Options))
		default:
			x.Units = append(x.Units, relayEnergy(site, h.Bearer, gatesOf(p.Lane), h.Setting, &p.Options))
		}
	}
	p.Hops = append(p.Hops, x)
}

func watched(l *lane.Lane, site *lane.Site) bool {
	return slices.ContainsFunc(l.Zones, func(z lane.Zone) bool { return z.Site == site.Name })
}

// gatesOf is how many sites have a zone and no gateway.
func gatesOf(l *lane.Lane) (n int) {
	for i := range l.Sites {
		if s := &l.Sites[i]; s.Role != lane.RoleGateway && watched(l, s) {
			n++
		}
	}
	return n
}

func names(l *lane.Lane) (list []string) {
	for _, s := range l.Sites {
		list = append(list, s.Name)
	}
	return list
}

// betweenWidth is that of what WriteText writes, but for a long word.
const betweenWidth = 100

// WriteText writes the budgets of the first setting and of Wi-Fi term by term, and what all give.
func (p *Pair) WriteText(to io.Writer) error {
	w := &writer{w: to}
	for i, h := range p.Hops {
		if i == 0 || h.Bearer != LoRa {
			h.write(w)
			if room := h.Least.Share(); !math.IsInf(room, 0) && !math.IsNaN(room) {
				fmt.Fprintf(w, "    least room: %.2f of the first Fresnel zone's radius, at %.0f m; clear is %.1f or more\n", room, h.Least.At, clearShare)
			}
		}
	}
	say := func(text string) { io.WriteString(w, paragraph.Wrap(text, "  ", "    ", betweenWidth)) }
	if p.Unjudged != "" {
		say("not judged: " + p.Unjudged)
	}
	p.writeLevels(w)
	p.writeTrips(w)
	p.writeAirtime(w, say)
	p.writePower(w, say)
	fmt.Fprintf(w, "\n%s", paragraph.Wrap(lora.Caution, "", "", betweenWidth)+paragraph.Wrap(Caution, "", "", betweenWidth))
	return w.err
}

func caption(w io.Writer, format string, a ...any) {
	fmt.Fprintf(w, "\n%s", paragraph.Wrap(fmt.Sprintf(format, a...), "", "", betweenWidth))
}

// table writes a line for each hop, its name first. What stands above the columns is for some of them together.
func (p *Pair) table(w io.Writer, above, head string, row func(h *OnlyHop) string) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	if above != "" {
		fmt.Fprintf(t, "%s\t%s\t\n", pad("")[:15], above)
	}
	fmt.Fprintf(t, "%s\t%s\t\n", pad("")[:15], head)
	for _, h := range p.Hops {
		fmt.Fprintf(t, "%s\t%s\t\n", pad("  " + h.name())[:15], row(h))
	}
	t.Flush()
}

// Keeps reports whether the goal is kept in leaf by this hop alone.
func (h *OnlyHop) Keeps() bool { return h.Margin >= h.Asked }

// bare is the margin without leaves, dB.
func (h *OnlyHop) bare() float64 { return h.Margin + h.Leaf - h.Hop.Bare }

func (h *OnlyHop) asked() string {
	if math.IsInf(h.Asked, 1) {
		return "never"
	}
	return fmt.Sprintf("%.1f", h.Asked)
}

func (p *Pair) writeLevels(w io.Writer) {
	caption(w, "The level in leaf and what is needed, dBm; the margin, dB, and what the goal asks of a single hop")
	p.table(w, "", "sent\theard\tneeded\tmargin\tgive or take\tbare\tasked\tenough", func(h *OnlyHop) string {
		enough := "no"
		if h.Keeps() {
			enough = "yes"
		}
		return fmt.Sprintf("%.0f\t%.1f\t%.1f\t%.1f\t%.1f\t%.1f\t%s\t%s", h.Terms[0].Value, h.Level, h.Need, h.Margin, h.Sigma, h.bare(), h.asked(), enough)
	})
}

func (p *Pair) writeTrips(w io.Writer) {
	caption(w, "Frames at the first try, and trips within %v if this were the only hop, %%: in leaf, in leaf if the way is as bad as one in ten, bare, over the year; and when half of "+
		"the trips and 99 %% are told, in leaf", p.Options.Goal.Within)
	share := func(x float64) string {
		text := strings.TrimSuffix(percent(x), " %")
		return strings.Replace(text, "more than ", ">", 1)
	}
	when := func(d time.Duration) string {
		if d == 0 {
			return "-"
		}
		return fmt.Sprintf("%.2f s", d.Seconds())
	}
	p.table(w, "frames\t\t\ttrips\t\t\t\ttold\t", "leaf\tbad\tbare\tleaf\tbad\tbare\tyear\thalf\t99 %", func(h *OnlyHop) string {
		x := &h.Trips
		return strings.Join([]string{share(h.Fading), share(h.Hop.Careful), share(slices.Max(h.Months[:])), share(x.Within), share(x.Careful), share(slices.Max(x.Months[:])), share(x.Year),
			when(x.Half), when(x.Most)}, "\t")
	})
}

func (p *Pair) writeAirtime(w io.Writer, say func(string)) {
	caption(w, "The time on the air: a trip, and of the busiest hour all receipts of the gateway, what a relay that carries all gates sends, and what is allowed; the table of the rules has nothing of Wi-Fi")
	p.table(w, "", "a trip\treceipts\trelay\tallowed", func(h *OnlyHop) string {
		if s := h.Setting; s != nil {
			return fmt.Sprintf("%.1f ms\t%.1f s\t%.1f s\t%.0f s", 1000*h.Trip.Seconds(), s.Gateway.Seconds(), s.Relay.Seconds(), s.Budget.Seconds())
		}
		return fmt.Sprintf("%.1f ms\t-\t-\t-", 1000*h.Trip.Seconds())
	})
	p.grouped(func(h *OnlyHop) string {
		if h.Setting == nil {
			return ""
		}
		return fmt.Sprintf("lawful at %.3f MHz by %v", h.Setting.Frequency/1e6, h.Setting.Band)
	}, func(names, what string) { say(names + ": " + what) })
	var b strings.Builder
	writeRefused(&b, p.Settings)
	for line := range strings.Lines(b.String()) {
		say(line)
	}
}

// grouped tells what is said of the hops, each once with the names of those of which it is: LoRa's name for all of its settings. An empty one is left out.
func (p *Pair) grouped(of func(h *OnlyHop) string, tell func(names, what string)) {
	names, settings, all := map[string][]string{}, map[string]int{}, 0
	var order []string
	for _, h := range p.Hops {
		what := of(h)
		if what != "" && names[what] == nil {
			order = append(order, what)
		}
		if names[what] = append(names[what], h.name()); h.Bearer == LoRa { // which come first
			settings[what]++
			all++
		}
	}
	for _, what := range order {
		list := names[what]
		if n := settings[what]; n == all && n > 0 {
			list = append([]string{LoRa.Title()}, list[n:]...)
		}
		tell(strings.Join(list, "; "), what)
	}
}

func (p *Pair) writePower(w io.Writer, say func(string)) {
	o := &p.Options
	if len(p.Hops) == 0 {
		return
	}
	caption(w, "Power, with boards that never sleep and a battery of %.0f Wh; %.1f peak-sun hours in the worst month", o.Battery, o.SunHours)
	for k := range p.Hops[0].Units {
		p.grouped(func(h *OnlyHop) string {
			e := h.Units[k]
			if e.Site.Power == lane.PowerNone {
				return fmt.Sprintf("%.2f W, and nothing to run on there", e.Watts)
			}
			return e.words()
		}, func(names, what string) { say(p.Hops[0].Units[k].Site.Name + " by " + names + ": " + what) })
	}
	for _, site := range []*lane.Site{p.From, p.To} {
		if site.Role == lane.RoleGateway {
			say(fmt.Sprintf("%s: gateway, broker and switch through %.3g h without mains, at %.0f W: a battery of %.0f Wh", site.Name, o.Outage.Hours(), o.House, math.Ceil(Backup(o.House, o.Outage))))
		}
	}
}

// jsonOnly is a bearer between two sites.
type jsonOnly struct {
	jsonHop
	Setting *jsonSetting `json:"setting"` // null: Wi-Fi
	Bare    float64      `json:"margin_bare_db"`
	Asked   number       `json:"asked_margin_db"` // of a single hop; null: none is enough, or the setting may not be used
	Keeps   bool         `json:"keeps_goal"`
	Trip    float64      `json:"trip_s"`
	Relay   *float64     `json:"relay_s_per_hour"`
	Law     string       `json:"lawful_by,omitempty"`
	jsonHeard
	Units []jsonUnit `json:"power"`
}

// MarshalJSON writes the pair for machines, by the rules of Plan.MarshalJSON.
func (p *Pair) MarshalJSON() ([]byte, error) {
	out := struct {
		Lane      string        `json:"lane"`
		From      string        `json:"from"`
		To        string        `json:"to"`
		Length    float64       `json:"length_m"`
		Goal      jsonGoal      `json:"goal"`
		Frequency float64       `json:"frequency_hz"`
		Hops      []jsonOnly    `json:"bearers"`
		Refused   []jsonSetting `json:"refused"`
		Unjudged  []string      `json:"not_judged"`
	}{Lane: p.Lane.Name, From: p.From.Name, To: p.To.Name, Length: p.From.At.Distance(p.To.At), Goal: p.Options.Goal.json(), Frequency: p.Settings[0].Frequency,
		Hops: []jsonOnly{}, Refused: []jsonSetting{}, Unjudged: []string{}}
	for _, h := range p.Hops {
		j := jsonOnly{jsonHop: h.Hop.json(), Bare: h.bare(), Keeps: h.Keeps(), Asked: number(h.Asked), Trip: h.Trip.Seconds(), jsonHeard: h.Trips.json(), Units: []jsonUnit{}}
		if s := h.Setting; s != nil {
			j.Setting, j.Relay, j.Law = ptr(s.json()), ptr(s.Relay.Seconds()), s.Band.String()
		}
		for k := range h.Units {
			j.Units = append(j.Units, h.Units[k].json())
		}
		out.Hops = append(out.Hops, j)
	}
	for _, s := range p.Settings {
		if s.Refused != "" {
			out.Refused = append(out.Refused, s.json())
		}
	}
	if p.Unjudged != "" {
		out.Unjudged = append(out.Unjudged, p.Unjudged)
	}
	return json.Marshal(out)
}
