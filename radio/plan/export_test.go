package plan

import "longlane/radio/lane"

// What only tests need to see.
const (
	TripSize, HopSize, ReceiptSize, LongestSize = tripSize, hopSize, receiptSize, longestSize
)

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

// CostOfAll is the least that any setting with any limit of hops costs, each solved for by itself, or Wi-Fi alone.
func CostOfAll(l *lane.Lane, options Options) (float64, error) {
	o := options.complete(l)
	if problems := l.Check(); problems != nil {
		return 0, problems[0]
	}
	q, err := pose(l, o)
	if err != nil {
		return 0, err
	}
	best := 0.0
	for _, h := range q.wifi {
		best += q.wifiCost(h)
	}
	for _, s := range q.settings {
		for hops := 1; hops <= MaxHops; hops++ {
			if s.usable(hops) {
				best = min(best, o.Costs.Modem+o.Costs.Node*float64(len(q.terminals))+q.network(s, hops).solve().cost)
			}
		}
	}
	return best, nil
}
