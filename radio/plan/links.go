package plan

import (
	"io"
	"slices"

	"longlane/radio/lane"
	"longlane/radio/lora"
)

// Link is a hop of the plan, however many zones come home by it.
type Link struct {
	*Hop
	// Asked is the margin that the goal asks of it, dB, over as many hops as the longest of its zones' paths has. For a zone that is not
	// served it is that of its weakest hop and what this lacks.
	Asked float64
	Hops  int      // of that path
	Zones []string // in the order of the plan
}

// Spare is what a link has over what is asked of it, dB; below 0 if it lacks.
func (l *Link) Spare() float64 { return l.Margin - l.Asked }

// Links are the hops of all zones, each once, in the order in which the zones first use them.
func (p *Plan) Links() (list []*Link) {
	for i := range p.Zones {
		z := &p.Zones[i]
		for _, h := range z.Hops {
			asked := p.Asked(z)
			// By its ends, since a gate that stands at a relay has a way of its own that is the relay's.
			k := slices.IndexFunc(list, func(l *Link) bool { return l.From == h.From && l.To == h.To && l.Bearer == h.Bearer })
			if k < 0 {
				k, list = len(list), append(list, &Link{Hop: h, Asked: asked, Hops: len(z.Hops)})
			}
			l := list[k]
			l.Zones = append(l.Zones, z.Zone.Name)
			if asked > l.Asked {
				l.Asked, l.Hops = asked, len(z.Hops)
			}
		}
	}
	return list
}

// Asked is the margin that the goal asks of each hop of a zone that has some, dB: see Link.Asked.
func (p *Plan) Asked(z *ZonePlan) float64 {
	weakest := z.Weakest()
	switch {
	case !z.Served:
		return weakest.Margin + z.Lacks
	case weakest.Setting == nil:
		return p.WiFiMargin
	default:
		return weakest.Setting.Margin[len(z.Hops)-1]
	}
}

// Weakest is the hop of a zone that has the least margin; nil if it has none.
func (z *ZonePlan) Weakest() (weakest *Hop) {
	for _, h := range z.Hops {
		if weakest == nil || h.Margin < weakest.Margin {
			weakest = h
		}
	}
	return weakest
}

// Over is the margin that a setting leaves of a way in leaf, dB, by the powers of this plan; false where the law gives one of the two
// sites no power with it. A setting that is refused for another reason has one too.
func (s *Setting) Over(w *Way) (margin float64, ok bool) {
	_, from := s.power[w.From]
	_, to := s.power[w.To]
	return s.margin(w), from && to
}

// Transmitter is a site's modem by this setting as the plan has it: with the power, dBm at the connector, that the law leaves its antenna. ok is
// false where it leaves none, and of a site that has no radio in this plan.
func (s *Setting) Transmitter(site *lane.Site) (t lora.Transmitter, ok bool) {
	t = s.base
	t.AntennaGain, t.CableLoss = site.AntennaGain, site.CableLoss
	t.Power, ok = s.power[site]
	return t, ok
}

// Ways are those between each two of some sites of the lane by the chosen setting, whether the plan uses them or not: what they lose is
// reckoned as for the plan. Those where a formula does not hold are left out.
func (p *Plan) Ways(sites ...*lane.Site) (list []*Way) {
	s := surveyor{lane: p.Lane, depth: 1}
	for i, a := range sites {
		for _, b := range sites[:i] {
			s.look(b, a)
			if w, err := s.way(b, a, p.Chosen.Frequency); err == nil { // the frequency is that of the plan, so an error is of this way alone
				list = append(list, w)
			}
		}
	}
	return list
}

// Profile is what a way leads over, at the points at which it was reckoned. The earth's curve is not in it: see path.Bulge.
func (p *Plan) Profile(w *Way) *lane.Profile {
	var profile lane.Profile
	p.Lane.Profile(&profile, w.From, w.To, points)
	return &profile
}

// Percent is how the report tells a share.
func Percent(share float64) string { return percent(share) }

// WriteBody is WriteText without the cautions below it.
func (p *Plan) WriteBody(to io.Writer) error {
	w := &writer{w: to}
	p.writeBody(w)
	return w.err
}
