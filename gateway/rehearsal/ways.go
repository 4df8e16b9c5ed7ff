package rehearsal

import (
	"math"

	"longlane/radio/ether"
	"longlane/radio/lora"
	"longlane/radio/route"
)

// ways are those that frames are likely to take: relays find theirs by what they hear, so this is a guess, good enough to tell what
// cannot work at all.
type ways struct {
	s       *ether.Scenario
	signals [][]float64
	floor   float64   // the weakest signal that can be read, dBm
	spare   float64   // what a relay wants above that before it uses a link, dB
	cost    []float64 // from each station to the gateway, in transmissions; +Inf of one that passes nothing on
	next    []int
	way     [][]int // by node: the relays on its way to the gateway, its own nearest first; nil if there is no way
}

// waysOf finds the ways of least expected airtime.
func waysOf(s *ether.Scenario) *ways {
	c := s.Air
	settings := s.Transmitter(c.Power, 0).Settings
	n := len(s.Nodes)
	w := &ways{s: s, signals: s.Signals(), floor: lora.Sensitivity(settings, c.NoiseFigure), spare: route.Defaults(settings).Floor,
		cost: make([]float64, n+1), next: make([]int, n), way: make([][]int, n)}
	for i := range w.cost[:n] {
		w.cost[i] = math.Inf(1)
	}
	for range n { // Bellman and Ford: no way is longer than all stations
		for i := range n {
			if s.Nodes[i].Relay {
				w.cost[i], w.next[i] = w.best(i, w.spare)
			}
		}
	}
	for i := range n {
		cost, next := w.best(i, 0) // what it makes itself it sends whoever may hear it
		if math.IsInf(cost, 1) {
			continue
		}
		w.way[i] = []int{}
		for ; next < n && len(w.way[i]) < n; next = w.next[next] {
			w.way[i] = append(w.way[i], next)
		}
	}
	return w
}

// best is the cheapest way from a station over links with so much to spare, in transmissions, and whom it begins with.
func (w *ways) best(from int, spare float64) (cost float64, next int) {
	cost = math.Inf(1)
	for to := range w.cost {
		if to == from {
			continue
		}
		if c := w.cost[to] + w.tries(w.signals[from][to], spare); c < cost {
			cost, next = c, to
		}
	}
	return cost, next
}

// rarely is how often a frame is taken to come through where only a lucky place, or a lucky moment, can bring it.
const rarely = 0.05

// tries is how often a frame is sent on the average until a link has brought it over: +Inf if it cannot, with so much to spare,
// whatever luck its place and its fading have. Without a steady part of the signal the share that comes through is Rayleigh's,
// exp(-floor/signal); with one it is more, if the signal is above the floor.
func (w *ways) tries(signal, spare float64) float64 {
	c := w.s.Air
	luck := 3 * c.Shadowing
	if c.Fading != "none" && spare == 0 {
		luck += fadeUp
	}
	if signal+luck < w.floor+spare {
		return math.Inf(1)
	}
	through := rarely
	switch {
	case c.Fading != "none":
		through = max(rarely, math.Exp(-math.Pow(10, (w.floor-signal)/10)))
	case signal >= w.floor:
		through = 1
	}
	return 1 / through
}
