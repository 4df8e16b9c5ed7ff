package picture

import (
	"math"
	"time"

	"longlane/gateway/board"
)

// dayOf are the margins of a hop over the last day, by the hour, in whole dB.
type dayOf struct {
	hours [25]struct {
		of     int64 // which hour of our clock, which may be before 0; 0 and no counts: none yet
		counts map[int8]int
	}
	// made is the span as of the hour madeAt, until another margin comes: whoever looks holds up the core while it is made, and many may look.
	made   *[3]*float64
	madeAt int64
}

func (d *dayOf) slot(at time.Duration) map[int8]int {
	of := int64(math.Floor(at.Hours()))
	h := &d.hours[((of%25)+25)%25]
	d.made = nil
	if h.of != of || h.counts == nil {
		h.of, h.counts = of, map[int8]int{}
	}
	return h.counts
}

func (d *dayOf) add(at time.Duration, margin float64) {
	if !math.IsNaN(margin) {
		d.slot(at)[int8(min(max(math.Round(margin), math.MinInt8), math.MaxInt8))]++
	}
}

func (d *dayOf) recall(at time.Duration, counts map[int8]int) {
	s := d.slot(at)
	for m, n := range counts {
		s[m] += n
	}
}

// span gives the least, the middle and the greatest of the last 24 hours, dB; nil if nothing is known.
func (d *dayOf) span(now time.Duration) (lowest, median, highest *float64) {
	if hour := int64(math.Floor(now.Hours())); d.made == nil || d.madeAt != hour {
		lowest, median, highest = d.reckon(now)
		d.made, d.madeAt = &[3]*float64{lowest, median, highest}, hour
	}
	return d.made[0], d.made[1], d.made[2]
}

func (d *dayOf) reckon(now time.Duration) (lowest, median, highest *float64) {
	counts, total := map[int8]int{}, 0
	for _, h := range d.hours {
		if age := int64(math.Floor(now.Hours())) - h.of; age < 0 || age > 24 {
			continue
		}
		for m, n := range h.counts {
			counts[m] += n
			total += n
		}
	}
	if total == 0 {
		return nil, nil, nil
	}
	lo, hi, seen := math.MaxInt8, math.MinInt8, 0
	for m := range counts {
		lo, hi = min(lo, int(m)), max(hi, int(m))
	}
	mid := lo
	for seen = counts[int8(mid)]; 2*seen < total; seen += counts[int8(mid)] {
		mid++
	}
	return board.Figure(float64(lo)), board.Figure(float64(mid)), board.Figure(float64(hi))
}
