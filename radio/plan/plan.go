package plan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"longlane/radio/beam"
	"longlane/radio/lane"
)

// The most that a plan is made for.
const MaxCandidates, MaxZones = 200, 20

// Plan is the answer.
type Plan struct {
	Lane    *lane.Lane
	Options Options // with the defaults put in
	// Settings are all of LoRa's, with why each is refused; Chosen is the one to use, nil if none is or all is Wi-Fi.
	Settings []*Setting
	Chosen   *Setting
	// WiFiMargin is what the one hop of Wi-Fi must have so that the goal is met, dB, by ordinary antennas or a bridge; infinite if none is
	// enough.
	WiFiMargin float64
	Relays     []*lane.Site // to be used, those that stand already among them
	Zones      []ZonePlan
	// Cost is that of all, and Bound what no arrangement goes below; they are equal if the answer is proven to be the cheapest.
	Cost, Bound float64
	Units       []Energy
	// Beams are all of the lane file, and Limits what the gateway takes a dwell for, whichever beam it was.
	Beams  []Beam
	Limits []beam.Limit
	// Contacts are those of all zones: what silence from each proves.
	Contacts []Contact
	// Met reports whether the goal is. If not, Advice is what would help, and of the zones that have no way Best is the best there is.
	Met       bool
	Advice    []Advice
	Decides   []Effect // the assumptions, the one that decides first
	Warnings  []string
	Backup    float64 // Wh of the battery for gateway, broker and switch
	Unjudged  []string
	Evaluated int // ways
}

// ZonePlan is how a zone is heard.
type ZonePlan struct {
	Zone   *lane.Zone
	Site   *lane.Site
	Wired  bool // it stands where the gateway does
	Bearer Kind
	Hops   []*Hop // from the gate to the gateway
	Served bool
	Heard
	// Lacks is what the best way of a zone that is not served has too little of, dB; infinite if there is none.
	Lacks float64
}

// Heard is when the trips of a gate are heard over its hops.
type Heard struct {
	// Within is the share of trips that are heard in the goal's time, in leaf; Careful the same if each hop has no more margin than nine of ten such
	// ways have: what the formulas leave open; Months by month, from January; Year their mean; Half and Most when half and 99 % of them are, in
	// leaf, 0 if later than 10 s.
	Within, Careful, Year float64
	Months                [12]float64
	Half, Most            time.Duration
}

// Make plans. It checks the lane first (lane.Lane.Check), which must not be in use meanwhile. Whatever cannot be is an error: a *lane.FieldError,
// an *OptionError, a *path.RangeError; and there is no plan then. That a goal cannot be met is none.
func Make(l *lane.Lane, options Options) (*Plan, error) {
	o, err := options.begin(l)
	if err != nil {
		return nil, err
	}
	q, err := pose(l, o)
	if err != nil {
		return nil, err
	}
	p := &Plan{Lane: l, Options: *o, Settings: q.settings, WiFiMargin: q.wifiMargin, Backup: Backup(o.House, o.Outage),
		Beams: beamsOf(l, o), Limits: beam.Limits(beam.Kinds(o.Movers, o.BeamWidth)), Contacts: contactsOf(l)}
	q.answer(p)
	p.Evaluated = q.evaluated
	o.Progress(0.7)
	if !p.Met {
		p.Advice = q.advise(p)
	}
	p.Decides = q.sensitivity(p)
	p.Unjudged = q.unjudged
	o.Progress(1)
	return p, nil
}

// heard tells when trips are heard over some hops of one bearer, and in which share; nothing over none.
func heard(hops []*Hop, o *Options) (h Heard) {
	if len(hops) == 0 {
		return h
	}
	s := hops[0].pace()
	margins := func(of func(*Hop) float64) (list []float64) {
		for _, h := range hops {
			list = append(list, of(h))
		}
		return list
	}
	leaf := margins(func(h *Hop) float64 { return h.Margin })
	h.Within = timing(s, leaf, o)
	h.Careful = timing(s, margins(func(h *Hop) float64 { return h.Margin - nineOfTen*h.Sigma }), o)
	for m := range h.Months {
		h.Months[m] = timing(s, margins(func(h *Hop) float64 { return h.in(time.Month(m + 1)) }), o)
		h.Year += h.Months[m] / 12
	}
	when := func(share float64) time.Duration {
		low, high := time.Duration(0), 10*time.Second
		if within(s, leaf, high, coherence) < share {
			return 0
		}
		for high-low > 20*time.Millisecond {
			if mid := (low + high) / 2; within(s, leaf, mid, coherence) >= share {
				high = mid
			} else {
				low = mid
			}
		}
		return high.Round(10 * time.Millisecond)
	}
	h.Half, h.Most = when(0.5), when(0.99)
	return h
}

// feed tells what units need, and warns of gates on a battery.
func (q *question) feed(p *Plan, traffic []int) {
	seen := map[*lane.Site]bool{}
	for i := range p.Zones {
		z := &p.Zones[i]
		if z.Wired || seen[z.Site] {
			continue
		}
		seen[z.Site] = true
		p.Units = append(p.Units, nodeEnergy(q.s.lane, z.Site, z.Bearer, p.Chosen, q.o))
	}
	for i, gates := range traffic {
		if gates > 0 && !seen[q.relays[i]] {
			p.Units = append(p.Units, relayEnergy(q.relays[i], LoRa, gates, p.Chosen, q.o))
		}
	}
	for _, z := range q.s.lane.Zones {
		for i, b := range z.Beams {
			if what := mind(z.Name, i, b); what != "" {
				p.Warnings = append(p.Warnings, what)
			}
		}
	}
	for i := range p.Contacts {
		if what := p.Contacts[i].Mind(); what != "" {
			p.Warnings = append(p.Warnings, what)
		}
	}
	for _, e := range p.Units {
		switch {
		case e.Site.Power == lane.PowerNone:
			p.Warnings = append(p.Warnings, e.Site.Name+": a unit must run there, but the lane file says power = \"none\"")
		case e.Site.Power == lane.PowerBattery && e.Battery < q.o.Goal.Service:
			p.Warnings = append(p.Warnings, fmt.Sprintf("%s: a battery of %.0f Wh is empty after %s: a panel, a wire, or a bigger battery", e.Site.Name, q.o.Battery, days(e.Battery)))
		}
	}
	slices.SortStableFunc(p.Units, func(a, b Energy) int { return cmp.Compare(a.Site.Name, b.Site.Name) })
}

func days(d time.Duration) string {
	switch n := d.Hours() / 24; {
	case n < 2:
		return fmt.Sprintf("%.0f hours", d.Hours())
	case n > 730:
		return fmt.Sprintf("%.0f years", n/365)
	default:
		return fmt.Sprintf("%.0f days", n)
	}
}
