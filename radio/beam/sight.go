package beam

import (
	"math"
	"slices"
	"strings"
	"time"
)

// View is a part of a mover that a beam sees.
type View struct {
	Part string // "body", or a Part's name
	Body bool
	// All: of each such mover, whatever its size. Else of some: what stands at the beam's height is another part of others,
	// or nothing.
	All      bool
	Length   Range // m
	Pace     Range // by which factor it is slower or faster than the whole
	Usual    Span  // zero: it does not pass here as a rule
	Possible Span
}

// Sight is what a beam at a height sees of a mover.
type Sight struct {
	Mover Mover
	Width float64 // of the beam, m
	// Views are what it sees, the body first; none: such a mover is not seen at all.
	Views []View
	// Misses: some such movers are too low or too high for it.
	Misses bool
	// Unknown: nobody has said how high this mover is, so its body is taken to be seen.
	Unknown bool
	// Usual and Possible are over all views; zero: none.
	Usual, Possible Span
}

// within reports whether a height lies between the edges, of some and of all.
func (h Heights) within(height float64) (some, all bool) {
	return height >= h.Low.Least && height <= h.High.Most, height >= h.Low.Most && height <= h.High.Least
}

// At is what a beam that high above the ground and that wide (m) sees of a mover. Heights count to the millimetre: 70 times
// 0.01 m is a little more than 0.7.
func (m Mover) At(height, width float64) Sight {
	height = math.Round(1000*height) / 1000
	s := Sight{Mover: m, Width: width}
	add := func(name string, body, all bool, length, pace Range) {
		speed := func(v Range) Range { return Range{v.Least * pace.Least, v.Most * pace.Most} }
		v := View{Part: name, Body: body, All: all, Length: length, Pace: pace, Possible: dwells(length, width, speed(m.Possible))}
		if m.Usual != (Range{}) {
			v.Usual = dwells(length, width, speed(m.Usual))
		}
		s.Views = append(s.Views, v)
	}
	if m.Body == (Heights{}) {
		s.Unknown = true
		add("body", true, true, m.Length, Range{1, 1})
	} else if some, all := m.Body.within(height); some {
		add("body", true, all, m.Length, Range{1, 1})
	}
	for _, p := range m.Others {
		pace := p.Pace
		if pace == (Range{}) {
			pace = Range{1, 1}
		}
		if some, all := p.Height.within(height); some && !slices.ContainsFunc(s.Views, func(v View) bool { return v.All }) {
			add(p.Name, false, all, p.Length, pace)
		}
	}
	s.Misses = !m.reaches(height)
	for i, v := range s.Views {
		if i == 0 {
			s.Usual, s.Possible = v.Usual, v.Possible
			continue
		}
		s.Usual = Span{min(s.Usual.Least, v.Usual.Least), max(s.Usual.Most, v.Usual.Most)}
		s.Possible = Span{min(s.Possible.Least, v.Possible.Least), max(s.Possible.Most, v.Possible.Most)}
	}
	return s
}

// reaches reports whether each such mover, the smallest as well as the largest, has some part at that height: its parts
// follow each other without a gap.
func (m Mover) reaches(height float64) bool {
	if m.Body == (Heights{}) {
		return true
	}
	low, high := m.Body.Low.Most, m.Body.High.Least
	for _, p := range m.Others {
		low, high = min(low, p.Height.Low.Most), max(high, p.Height.High.Least)
	}
	return height >= low && height <= high
}

// Whole reports whether the beam sees the body of each such mover: then what the gateway reckons with holds for this beam.
func (s Sight) Whole() bool { return len(s.Views) == 1 && s.Views[0].Body && s.Views[0].All }

// Real reports whether it is to be told of: no debris.
func (s Sight) Real() bool { return s.Mover.Class != Debris }

// String is what the beam sees, in words: "body", "body or head" where that hangs on the size, "not at all".
func (s Sight) String() string {
	if len(s.Views) == 0 {
		return "not at all"
	}
	var list []string
	for _, v := range s.Views {
		list = append(list, v.Part)
	}
	if s.Misses {
		list = append(list, "nothing")
	}
	last := len(list) - 1
	text := list[last]
	if last > 0 {
		text = strings.Join(list[:last], ", ") + " or " + text
	}
	if s.Unknown {
		text += " (its height is not known)"
	}
	return text
}

// MissedAbove is from which speed on (m/s) a mover may break the beam for less than a minimum dwell: the shortest part of it
// that the beam may see. It is infinite for one that is not seen.
func (s Sight) MissedAbove(dwell time.Duration) float64 {
	least := math.Inf(1)
	for _, v := range s.Views {
		least = min(least, (v.Length.Least+s.Width)/dwell.Seconds()/v.Pace.Most)
	}
	return least
}

// Step is that of a minimum dwell: a receipt carries the setting in so many (proto.MinDwellUnit).
const Step = 5 * time.Millisecond

// Minimum is the minimum dwell that follows from what a beam sees, going by those who pass as a rule.
type Minimum struct {
	Set    time.Duration // what to set; a multiple of Step
	Debris time.Duration // debris holds the beam for no longer
	Real   time.Duration // people and vehicles hold it for no less; Endless: none of them is seen
	By     string        // who that is
}

// Separates reports whether it keeps out all debris and lets in all people and vehicles that pass as a rule.
func (m Minimum) Separates() bool { return m.Set > m.Debris && m.Set < m.Real }

// MinimumOf reckons it: the least setting that keeps out leaf and bird. If that would miss a person or a vehicle, or if no
// debris is known, then the greatest that misses none of those who pass as a rule: a chime for a leaf is cheaper than an
// arrival that nobody hears of. Animals are no arrivals.
func MinimumOf(sights []Sight) Minimum {
	m := Minimum{Real: Endless}
	for _, s := range sights {
		switch {
		case len(s.Views) == 0 || s.Usual == (Span{}):
		case !s.Real():
			m.Debris = max(m.Debris, s.Usual.Most)
		case s.Mover.Animal:
		case s.Usual.Least < m.Real:
			m.Real, m.By = s.Usual.Least, s.Mover.Name
		}
	}
	m.Set = m.Debris/Step*Step + Step
	if m.Real < Endless && (m.Debris == 0 || m.Set >= m.Real) {
		m.Set = max((m.Real-1)/Step*Step, Step)
	}
	return m
}

// Best are the heights at which a beam sees the bodies of all of those movers, m; false: there are none.
func Best(movers []Mover) (heights Range, any bool) {
	heights = Range{0, math.Inf(1)}
	for _, m := range movers {
		if m.Body == (Heights{}) {
			return Range{}, false
		}
		heights.Least, heights.Most = max(heights.Least, m.Body.Low.Most), min(heights.Most, m.Body.High.Least)
	}
	return heights, len(movers) > 0 && heights.Least <= heights.Most
}
