package plan

import (
	"errors"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"longlane/radio/lane"
)

// Pair is what there is between two sites by every bearer, whatever the rest of the lane needs.
type Pair struct {
	From, To *lane.Site
	// Hops are LoRa's by all settings that are lawful, those that are too slow or too busy for the lane among them, and then Wi-Fi's by ordinary antennas and by a bridge. Within is the share
	// of trips that each would bring home in the goal's time if it were the only hop, in leaf; Year its mean over the months.
	Hops         []*Hop
	Within, Year []float64
	settings     []*Setting
	goal         Goal
}

// Between reckons two sites of a lane, as Make does and with the same errors. Where a formula does not hold for Wi-Fi's frequency alone,
// Wi-Fi is left out.
func Between(l *lane.Lane, options Options, from, to string) (*Pair, error) {
	o := options.complete(l)
	if err := o.check(); err != nil {
		return nil, err
	}
	var wrong []error
	for _, p := range l.Check() {
		wrong = append(wrong, p)
	}
	if wrong != nil {
		return nil, errors.Join(wrong...)
	}
	p := &Pair{From: l.Site(from), To: l.Site(to), goal: o.Goal}
	for _, x := range []struct {
		name string
		s    *lane.Site
	}{{from, p.From}, {to, p.To}} {
		if x.s == nil {
			return nil, &OptionError{"site", fmt.Sprintf("%q", x.name), "the name of a site of the lane: " + fmt.Sprint(names(l))}
		}
	}
	if p.From == p.To {
		return nil, &OptionError{"sites", fmt.Sprintf("%q twice", from), "two of them"}
	}
	all, err := settings(l, []*lane.Site{p.From, p.To}, len(l.Zones), o)
	if err != nil {
		return nil, err
	}
	p.settings = all
	s := &surveyor{lane: l, depth: 1}
	way := func(f float64) (*Way, error) {
		s.look(p.From, p.To)
		w, err := s.way(p.From, p.To, f)
		if err == nil {
			s.describe(w)
		}
		return w, err
	}
	w, err := way(all[0].Frequency)
	if err != nil {
		return nil, err
	}
	add := func(h *Hop, s *Setting) {
		p.Hops = append(p.Hops, h)
		p.Within = append(p.Within, timing(h.pace(), []float64{h.Margin}, o))
		year := 0.0
		for m := time.January; m <= time.December; m++ {
			year += timing(h.pace(), []float64{h.in(m)}, o) / 12
		}
		p.Year = append(p.Year, year)
	}
	for _, s := range all {
		if _, lawful := s.power[p.To]; lawful {
			add(s.hop(w), s)
		}
	}
	if w, err := way(o.WiFiFrequency); err == nil {
		add(wifi(w, false, o), all[0])
		add(wifi(w, true, o), all[0])
	}
	return p, nil
}

func names(l *lane.Lane) (list []string) {
	for _, s := range l.Sites {
		list = append(list, s.Name)
	}
	return list
}

// WriteText writes the budgets of the first setting and of Wi-Fi term by term, and what all give.
func (p *Pair) WriteText(to io.Writer) error {
	w := &writer{w: to}
	for i, h := range p.Hops {
		if i == 0 || h.Bearer == WiFi {
			h.write(w)
		}
	}
	fmt.Fprintf(w, "\nMargin in leaf and bare, frames at the first try in leaf, and trips within %v if this were the only hop, in leaf and over the year\n", p.goal.Within)
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	for i, h := range p.Hops {
		fmt.Fprintf(t, "%s\t%.1f dB\t%.1f dB\t%s\t%s\t%s\t\n", pad("  " + h.name())[:18], h.Margin, h.Margin+h.Leaf-h.Bare, percent(h.Fading), percent(p.Within[i]), percent(p.Year[i]))
	}
	t.Flush()
	writeRefused(w, p.settings)
	fmt.Fprintf(w, "\n%s\n", wrap(Caution))
	return w.err
}
