package health

import (
	"maps"
	"math"
	"slices"
	"time"
)

// A trend of weeks is looked for in one value a day: the mean of the middle half of the day's readings (Tukey's midmean). Like
// the median it does not care about a quarter of wild readings at either end, and of readings that fade it tells the level with
// a tenth less error. The slope is Theil's and Sen's; whether it is more than chance is said by Mann's and Kendall's test.

// Windows and thresholds of a trend. They were chosen by simulation for a day's error of 0.7 dB (fading of 4 dB, swing of 2 dB, a
// wander of 0.5 dB, a reading every quarter of an hour), see TestMarginTrend.
const (
	trendDays  = 28  // the newest days that are looked at
	trendLeast = 18  // as many days with a value are needed
	fullZ      = 3.6 // what the test must give with all days there; each day is looked at, so chance has many tries
	earlyZ     = 2.8 // with fewer: such a window comes but once
	earlyFall  = 0.9 // of the least fall, likewise
	calmZ      = 1.5 // below this there is no trend any more
)

// Day is a day's summary.
type Day struct {
	Day   int     `json:"day"` // since 1970, UTC; on a gateway whose clock is not set: counted on from the last known
	Value float64 `json:"value"`
}

// Series are the newest days of something that is measured many times a day.
type Series struct {
	Days  []Day       `json:"days"` // finished, the oldest first, trendDays at the most
	Today int         `json:"today"`
	Bins  map[int]int `json:"bins"`     // today's readings, by value in steps
	Parts [4]int      `json:"quarters"` // how many of them came in each quarter of the day
}

// dayLeast is how many readings a day must have; besides, each quarter must have one, or a swing over the day would shift it.
const dayLeast = 12

const mostBins = 1024

// add takes in a reading, rounded to whole steps, and reports whether a day has been finished by it.
func (s *Series) add(d, quarter int, value, step float64) (finished bool) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return false
	}
	if d != s.Today || s.Bins == nil {
		finished = s.finish(d, step)
	}
	bin := int(math.Round(max(min(value/step, 1e6), -1e6)))
	if _, there := s.Bins[bin]; there || len(s.Bins) < mostBins {
		s.Bins[bin]++
		s.Parts[quarter]++
	}
	return finished
}

// finish begins day d. Days that lie ahead of it were dated by a clock that was wrong.
func (s *Series) finish(d int, step float64) (finished bool) {
	total := 0
	for _, n := range s.Bins {
		total += n
	}
	if total >= dayLeast && min(s.Parts[0], s.Parts[1], s.Parts[2], s.Parts[3]) > 0 && s.Today < d {
		s.Days = append(s.Days, Day{s.Today, midmean(s.Bins, step)})
		finished = s.Today >= d-trendDays // else it is from before a long absence, or from a calendar that was none
	}
	s.Days = slices.DeleteFunc(s.Days, func(x Day) bool { return x.Day >= d || x.Day < d-trendDays })
	s.Today, s.Bins, s.Parts = d, map[int]int{}, [4]int{}
	return finished
}

func (s *Series) clone() Series {
	c := *s
	c.Days, c.Bins = slices.Clone(s.Days), maps.Clone(s.Bins)
	return c
}

// midmean is the mean of the middle half of readings that are counted by value in steps.
func midmean(bins map[int]int, step float64) float64 {
	total := 0
	for _, n := range bins {
		total += n
	}
	from, to := float64(total)/4, float64(total)*3/4
	sum, seen := 0.0, 0.0
	for _, bin := range slices.Sorted(maps.Keys(bins)) {
		next := seen + float64(bins[bin])
		sum += max(min(next, to)-max(seen, from), 0) * float64(bin)
		seen = next
	}
	return sum / (to - from) * step
}

// Trend is a straight line through days.
type Trend struct {
	Days      int
	Slope     float64 // per day
	Low, High float64 // it lies between these with 95 % confidence
	Level     float64 // on the last day
	Z         float64 // the Mann-Kendall statistic: what chance gives is a standard normal
}

// trendOf gives the trend of at least two days.
//
// Slope: the median of the slopes between all pairs; level: by the medians of days and values. Confidence: Sen, "Estimates of the
// regression coefficient based on Kendall's tau", JASA 63 (1968). Test: Mann, Econometrica 13 (1945), with the variance for ties
// and the correction for continuity of Kendall, "Rank Correlation Methods".
func trendOf(days []Day) Trend {
	n, s := len(days), 0
	var slopes, xs, ys []float64
	for i, a := range days {
		xs, ys = append(xs, float64(a.Day)), append(ys, a.Value)
		for _, b := range days[i+1:] {
			slopes = append(slopes, (b.Value-a.Value)/float64(b.Day-a.Day))
			switch {
			case b.Value > a.Value:
				s++
			case b.Value < a.Value:
				s--
			}
		}
	}
	slices.Sort(slopes)
	variance := kendallVariance(ys)
	t := Trend{Days: n, Slope: median(slopes)}
	t.Level = median(ys) + t.Slope*(xs[n-1]-median(xs))
	if s != 0 {
		t.Z = float64(s-sign(s)) / math.Sqrt(variance)
	}
	const z95 = 1.959964 // the standard normal's 97.5 % point
	half := z95 * math.Sqrt(variance)
	t.Low = slopes[max(int(math.RoundToEven((float64(len(slopes))-half)/2))-1, 0)]
	t.High = slopes[min(int(math.RoundToEven((float64(len(slopes))+half)/2)), len(slopes)-1)]
	return t
}

func sign(s int) int {
	if s < 0 {
		return -1
	}
	return 1
}

// kendallVariance is the variance of Kendall's S over values without a trend; equal ones lessen it.
func kendallVariance(values []float64) float64 {
	term := func(n int) float64 { return float64(n * (n - 1) * (2*n + 5)) }
	equal := map[float64]int{}
	for _, v := range values {
		equal[v]++
	}
	sum := term(len(values))
	for _, n := range equal { // whole numbers: the order does not matter
		sum -= term(n)
	}
	return sum / 18
}

// median is that of values; it does not change them.
func median(values []float64) float64 {
	v := slices.Sorted(slices.Values(values))
	n := len(v)
	if n == 0 {
		return math.NaN()
	}
	return (v[(n-1)/2] + v[n/2]) / 2
}

// falls judges whether a series falls by more than chance makes it, and by at least so much within the days that are looked at.
func (t Trend) falls(least float64) state {
	z := earlyZ
	if t.Days >= trendDays-1 {
		z = fullZ
	} else {
		least *= earlyFall
	}
	return stateOf(t.Days >= trendLeast && t.Z <= -z && -t.Slope*float64(t.Days-1) >= least, t.Days < trendLeast || t.Z > -calmZ)
}

// meets is in how many days the line comes down to a level; ok is false if it never does. First and last tell between which days
// that is with 95 % confidence of the slope; last is infinite if it may never be.
func (t Trend) meets(floor float64) (in, first, last float64, ok bool) {
	if t.Slope >= 0 {
		return 0, 0, 0, false
	}
	above := max(t.Level-floor, 0)
	last = math.Inf(1)
	if t.High < 0 {
		last = above / -t.High
	}
	return above / -t.Slope, above / -t.Low, last, true
}

// days tells days and their quarters from a clock that may not be set.
type days struct {
	last int           // the newest day that is known
	at   time.Duration // when it was last known, or this run began
}

// of gives the day and the quarter. While the clock is not set they are counted on from the last known day, as if no time had
// passed before this run.
func (d *days) of(at Time) (number, quarter int) {
	if !at.Wall.IsZero() {
		u := at.Wall.Unix()
		number = int(u / 86400)
		d.last, d.at = number, at.Mono-time.Duration(u%86400)*time.Second
		return number, int(u % 86400 / (6 * 3600))
	}
	ran := max(at.Mono-d.at, 0)
	return d.last + int(ran/day), int(ran % day / (6 * time.Hour))
}

// date is a day so many days ahead, for people; while the clock is not set there is none.
func date(at Time, in float64) string {
	if at.Wall.IsZero() {
		return ""
	}
	return ", about " + at.Wall.Add(time.Duration(in*float64(day))).Format("2 January 2006")
}
