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
