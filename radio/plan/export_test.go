package plan

import (
	"math"
	"slices"

	"longlane/radio/lane"
)

// What only tests need to see.
const (
	TripSize, HopSize, ReceiptSize, LongestSize = tripSize, hopSize, receiptSize, longestSize
	UsualDebounce                               = usualDebounce
)

// InTime is the share of trips that come in the goal's time over hops of these margins, dB, by a hop's setting.
func InTime(h *Hop, margins []float64, o Options) float64 {
	return timing(h.pace(), margins, &o)
}

// WayForBenchmark reckons the way between the first two sites, its profile ready.
func WayForBenchmark(l *lane.Lane) func() {
	s := &surveyor{lane: l, depth: 1}
	s.look(&l.Sites[0], &l.Sites[1])
	return func() {
		if _, err := s.way(&l.Sites[0], &l.Sites[1], 869.525e6); err != nil {
			panic(err)
		}
	}
}

// posed is a lane surveyed, and what all cost by Wi-Fi.
func posed(l *lane.Lane, options Options) (q *question, byWiFi float64, err error) {
	o, err := options.begin(l)
	if err != nil {
		return nil, 0, err
	}
	if q, err = pose(l, o); err != nil {
		return nil, 0, err
	}
	for _, h := range q.wifi {
		byWiFi += q.wifiCost(h)
	}
	return q, byWiFi, nil
}

// CostOfAll is the least that any setting with any limit of hops costs, each solved for by itself, or Wi-Fi alone.
func CostOfAll(l *lane.Lane, options Options) (float64, error) {
	q, best, err := posed(l, options)
	if err != nil {
		return 0, err
	}
	o := q.o
	for _, s := range q.settings {
		for hops := 1; hops <= MaxHops; hops++ {
			if s.usable(hops) {
				best = min(best, o.Costs.Modem+o.Costs.Node*float64(len(q.terminals))+q.network(s, hops, hops).solve().cost)
			}
		}
	}
	return best, nil
}

// CheapestOfAll tries each setting with each set of relays, and looks for each terminal's path by going all of them: what the plan must
// cost, by walks and nothing else. Infinite if none keeps the goal.
func CheapestOfAll(l *lane.Lane, options Options) (float64, error) {
	q, best, err := posed(l, options)
	if err != nil {
		return 0, err
	}
	o := q.o
	for _, s := range q.settings {
		for set := range 1 << len(q.relays) {
			sum := o.Costs.Modem
			for v := range q.relays {
				if set>>v&1 == 1 {
					sum += q.relayCost(v)
				}
			}
			for t, a := range q.terminals {
				// home goes on from a site, so many hops from the gate, the weakest of which has a margin.
				var home func(at *lane.Site, done int, least float64) bool
				home = func(at *lane.Site, done int, least float64) bool {
					last := q.direct[t]
					if v := slices.Index(q.relays, at); v >= 0 {
						last = q.home[v]
					}
					if last != nil && s.usable(done+1) && min(least, s.margin(last)) >= s.Margin[done] {
						return true
					}
					for u, b := range q.relays {
						if set>>u&1 == 0 || b == at || done+1 >= MaxHops {
							continue
						}
						w := q.reach[t][u]
						if v := slices.Index(q.relays, at); v >= 0 {
							w = q.between[max(u, v)][min(u, v)]
						}
						if w != nil && home(b, done+1, min(least, s.margin(w))) {
							return true
						}
					}
					return false
				}
				cost := q.wifiCost(q.wifi[t])
				if home(a, 0, math.Inf(1)) {
					cost = min(cost, o.Costs.Node)
				}
				sum += cost
			}
			best = min(best, sum)
		}
	}
	return best, nil
}

// WireOhms is wireOhms.
func WireOhms(metres float64) float64 { return wireOhms(metres) }
