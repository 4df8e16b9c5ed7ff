package health

import (
	"fmt"
	"maps"
	"math"
	"time"

	"longlane/radio/lora"
)

const (
	marginFloor = 3.0  // dB, below which a hop is not relied on: relays refuse a neighbour there as well
	marginWell  = 5.0  // dB a day's level must have, each day of a week, before a low one counts as mended
	marginFall  = 2.0  // dB within four weeks: less is no trouble, whatever a test says of it
	marginStep  = 0.25 // dB, in which modems tell SNR
)

// hop is what is known of one, in one direction.
type hop struct {
	margin Series
	losses losses
	used   time.Duration // when it last was
}

// hopForgotten is after how long a hop that is not used any more is forgotten, and what stood against it ends.
const hopForgotten = 7 * day

func (w *Watcher) forgetHops(at Time) {
	unused := func(_ Subject, h *hop) bool { return at.Mono-h.used > hopForgotten }
	for s, h := range w.hops {
		if unused(s, h) {
			maps.DeleteFunc(w.hops, unused)
			w.drop(func(s Subject) bool { return s.Kind == KindHop && w.hops[s] == nil })
			return
		}
	}
}

func (w *Watcher) hop(at Time, s Subject) *hop {
	h := w.hops[s]
	if h == nil {
		if len(w.hops) >= mostHops {
			return &hop{} // more than a lane has: of one that is not kept nothing is known
		}
		h = &hop{}
		w.hops[s] = h
	}
	h.used = at.Mono
	return h
}

const mostHops = 1024

// margins takes in how a frame was heard on its way.
func (w *Watcher) margins(at Time, b *bearer, hops []Hop) {
	if !b.Radio {
		return
	}
	for _, h := range hops {
		m := lora.Margin(b.Settings, h.RSSI, h.SNR)
		if !h.Proven || math.IsNaN(m) || w.nodes[h.From] == nil || h.To != w.site.Gateway && w.nodes[h.To] == nil {
			continue
		}
		s := Subject{Kind: KindHop, Name: h.From, To: h.To}
		hop := w.hop(at, s)
		d, quarter := w.days.of(at)
		if hop.margin.add(d, quarter, m, marginStep) {
			w.marginDay(at, s, hop)
		}
	}
}

// marginDay looks at a hop once a day has been finished.
func (w *Watcher) marginDay(at Time, s Subject, h *hop) {
	days := h.margin.Days
	newest := days[len(days)-1].Value
	w.judge(at, MarginLow, s, stateOf(newest < marginFloor, newest >= marginWell), func(v *Verdict) {
		v.Evidence = []Figure{{"margin, level of the day", round(newest, 1), "dB"}, {"least wanted", marginFloor, "dB"}}
		v.Reason = fmt.Sprintf("%s hardly hears %s: over the day its frames came with a margin of %.1f dB. What fades a little further is lost.", s.To, s.Name, newest)
		v.Remedy = fmt.Sprintf("Look at both antennas and what stands between %s and %s. If nothing is amiss there, put an antenna higher or a relay between.", s.Name, s.To)
	})
	if len(days) < 2 {
		return
	}
	t := trendOf(days)
	in, first, last, _ := t.meets(marginFloor)
	w.judge(at, MarginFalls, s, t.falls(marginFall), func(v *Verdict) {
		v.Evidence = append(t.evidence("dB"), Figure{"least wanted", marginFloor, "dB"}, Figure{"days until then", math.Round(in), "d"}, Figure{"at the earliest", math.Round(first), "d"})
		if !math.IsInf(last, 1) {
			v.Evidence = append(v.Evidence, Figure{"at the latest", math.Round(last), "d"})
		}
		v.Reason = fmt.Sprintf("%s hears %s worse week by week: %.1f dB less each week. If that goes on, the margin of %.1f dB comes down to %.0f dB in %.0f days%s.",
			s.To, s.Name, -7*t.Slope, t.Level, marginFloor, in, date(at, in))
		v.Remedy = fmt.Sprintf("See what has changed between %s and %s: leaves and branches in the way, an antenna that droops, water in a plug.", s.Name, s.To)
	})
}

func (t Trend) evidence(unit string) []Figure {
	return []Figure{{"level now", round(t.Level, 2), unit}, {"change a week", round(7*t.Slope, 2), unit},
		{"days looked at", float64(t.Days), ""}, {"Mann-Kendall Z", round(t.Z, 2), ""}}
}

func round(v float64, places int) float64 {
	p := math.Pow10(places)
	return math.Round(v*p) / p
}
