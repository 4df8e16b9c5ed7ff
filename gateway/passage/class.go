package passage

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Class is what something is taken for.
type Class uint8

// The classes. NoClass is none of them.
const (
	NoClass Class = iota
	Debris
	Walker
	Vehicle
)

// String is what people call it.
func (c Class) String() string {
	switch c {
	case Debris:
		return "debris"
	case Walker:
		return "animal or person"
	case Vehicle:
		return "vehicle"
	}
	return "cannot tell"
}

// Confidence is how sure an answer is.
type Confidence uint8

// From less to more.
const (
	CannotTell Confidence = iota
	Likely
	Sure
)

func (c Confidence) String() string {
	return [...]string{"cannot tell", "likely", "sure"}[min(c, Sure)]
}

// Range is from the least to the most that a quantity may be.
type Range struct{ Least, Most float64 }

func (r Range) meets(o Range) bool { return r.Least <= o.Most && o.Least <= r.Most }

// Span is from the shortest to the longest that a time may be.
type Span struct{ Least, Most time.Duration }

func (s Span) meets(o Span) bool { return s.Least <= o.Most && o.Least <= s.Most }

// Endless is as long as a Span may be: for who may stand in the beam.
const Endless = time.Duration(math.MaxInt64)

// Kind is something that may pass here, by how long it is and for how long it breaks the beam. The limits of the dwell may be set outright, or
// reckoned from speeds: see Mover.
type Kind struct {
	Name     string
	Class    Class
	Length   Range // m
	Usual    Span  // its dwell, as a rule; zero: it does not pass here as a rule
	Possible Span  // its dwell, at all
}

// Mover is a kind by how fast it is, from which Kind reckons its dwell.
type Mover struct {
	Name     string
	Class    Class
	Length   Range // m
	Usual    Range // m/s; zero: it does not pass here as a rule
	Possible Range // m/s; from 0: it may stand in the beam
}

// Dwell is for how long something of that length (m) breaks a beam of that width (m) at that speed (m/s).
func Dwell(length, width, speed float64) time.Duration {
	s := (length + width) / speed
	if !(speed > 0 && s < Endless.Seconds()) {
		return Endless
	}
	return time.Duration(s * float64(time.Second))
}

// Kind gives the dwell of a mover in a beam of that width (m): the shortest is that of a short one that is fast.
func (m Mover) Kind(width float64) Kind {
	span := func(speed Range) Span {
		return Span{Dwell(m.Length.Least, width, speed.Most), Dwell(m.Length.Most, width, speed.Least)}
	}
	k := Kind{Name: m.Name, Class: m.Class, Length: m.Length, Possible: span(m.Possible)}
	if m.Usual != (Range{}) {
		k.Usual = span(m.Usual)
	}
	return k
}

// DefaultMovers pass a gate on a lane. Common practice, no source, but where one is named.
//
// Two-wheelers and large animals are possible everywhere and usual nowhere: their dwell lies among that of walkers and cars, so where they are usual
// little can be told from one beam. Who knows better at his gate changes the list.
func DefaultMovers() []Mover {
	return []Mover{
		{"leaf", Debris, Range{0.03, 0.10}, Range{2, 8}, Range{1, 20}},
		{"bird", Debris, Range{0.10, 0.40}, Range{5, 15}, Range{3, 25}},   // small birds fly at 8 to 15 m/s: common practice, no source
		{"person", Walker, Range{0.20, 0.50}, Range{1.2, 4}, Range{0, 9}}, // the torso; ISO 13855 has 1.6 m/s for who walks up to a machine
		{"dog", Walker, Range{0.30, 0.90}, Range{2, 5}, Range{0, 15}},
		{"deer, horse, cow", Walker, Range{0.90, 2.60}, Range{}, Range{0, 18}},
		{"bicycle", Vehicle, Range{1.50, 2.00}, Range{}, Range{0, 14}},
		{"motorcycle", Vehicle, Range{1.80, 2.60}, Range{}, Range{0, 30}},
		{"car", Vehicle, Range{3.30, 5.50}, Range{2, 10}, Range{0, 30}},
		{"van, lorry, tractor", Vehicle, Range{4.50, 18.80}, Range{2, 8}, Range{0, 25}}, // 18.75 m is the longest road train of Directive 96/53/EC
	}
}

// Settings are what passes here, and how.
type Settings struct {
	Width float64 // of the beam where it is crossed, m; 0 to 1
	Kinds []Kind

	// Between two beams.
	Slowest, Fastest float64 // m/s; nobody who passes both is slower on the average, or faster
	Steady           float64 // 1 or more: at the beams nobody is slower than his mean speed between them by more than this factor
	Vague            float64 // above 1: a speed or length is told if the most that it may be is no more than so many times the least

	LongestStay time.Duration // of a visit
}

// Defaults are for a beam with a reflector of 5 cm.
func Defaults() Settings { return For(0.05, DefaultMovers()) }

// For gives the defaults for a beam of that width (m), and for who passes it.
func For(width float64, movers []Mover) Settings {
	s := Settings{Width: width, Slowest: 0.7, Fastest: 30, Steady: 2, Vague: 1.5, LongestStay: 7 * 24 * time.Hour}
	for _, m := range movers {
		s.Kinds = append(s.Kinds, m.Kind(width))
	}
	return s
}

// Check refuses settings that make no sense, by the first field that does not.
func (s Settings) Check() error {
	fail := func(field string, found any, expected string) error {
		return fmt.Errorf("passage: %s is %v, expected %s", field, found, expected)
	}
	switch {
	case !(s.Width >= 0 && s.Width <= 1):
		return fail("Width", s.Width, "0 to 1 m")
	case len(s.Kinds) == 0:
		return fail("Kinds", "empty", "what passes here")
	case !(s.Slowest > 0):
		return fail("Slowest", s.Slowest, "more than 0 m/s")
	case !(s.Fastest > s.Slowest && s.Fastest <= 100):
		return fail("Fastest", s.Fastest, fmt.Sprintf("more than Slowest, %v, and at most 100 m/s", s.Slowest))
	case !(s.Steady >= 1 && s.Steady <= 100):
		return fail("Steady", s.Steady, "1 to 100")
	case !(s.Vague > 1 && s.Vague <= 100):
		return fail("Vague", s.Vague, "more than 1, up to 100")
	case s.LongestStay <= 0:
		return fail("LongestStay", s.LongestStay, "more than 0")
	}
	for i, k := range s.Kinds {
		name := func(field string) string { return fmt.Sprintf("Kinds[%d].%s (%s)", i, field, k.Name) }
		switch {
		case k.Class < Debris || k.Class > Vehicle:
			return fail(name("Class"), uint8(k.Class), "Debris, Walker or Vehicle")
		case !(k.Length.Least > 0 && k.Length.Most >= k.Length.Least && k.Length.Most <= 1000):
			return fail(name("Length"), k.Length, "more than 0 m, the least first, up to 1,000 m")
		case k.Possible.Least < 0 || k.Possible.Most < k.Possible.Least || k.Possible.Most == 0:
			return fail(name("Possible"), k.Possible, "the shortest dwell and then the longest")
		case k.Usual != Span{} && (k.Usual.Least < k.Possible.Least || k.Usual.Most > k.Possible.Most || k.Usual.Most < k.Usual.Least):
			return fail(name("Usual"), k.Usual, fmt.Sprintf("a part of Possible, %v", k.Possible))
		}
	}
	return nil
}

// Judgement is what something is taken for.
type Judgement struct {
	Class      Class // NoClass: it cannot be told
	Confidence Confidence
	Possible   []Class // all that it may be, ascending
}

// may reports whether it may be of that class.
func (j Judgement) may(c Class) bool { return slices.Contains(j.Possible, c) }

// OfDwell judges by how long a beam was broken. What is told of the dwell may be wrong by as much as off, either way; a negative dwell is
// not known.
//
// It is sure where only one class is possible, likely where only one is usual, and else it cannot be told.
func (s *Settings) OfDwell(dwell, off time.Duration) Judgement {
	if dwell < 0 {
		return judged(s.classes(func(Kind) bool { return true }), nil)
	}
	told := Span{max(dwell-off, 0), dwell + min(off, Endless-dwell)}
	return judged(s.classes(func(k Kind) bool { return k.Possible.meets(told) }),
		s.classes(func(k Kind) bool { return k.Usual.Most > 0 && k.Usual.meets(told) }))
}

// and is what follows from two beams that the same one has broken.
func (j Judgement) and(o Judgement) Judgement {
	both := func(c []Class, d Judgement) (out []Class) {
		for _, x := range c {
			if d.may(x) {
				out = append(out, x)
			}
		}
		return out
	}
	possible := both(j.Possible, o)
	var usual []Class
	if j.Class == o.Class && j.Class != NoClass {
		usual = []Class{j.Class}
	}
	return judged(possible, usual)
}

// ofLength judges anew what was judged by dwell, where the speed is known as well. It is certain only that something is no shorter than least: who
// has stopped between the beams was faster at them than on the average, and is longer than it seems. Likely is what is of that length, if it is told,
// unless its dwell makes something else likely.
func (s *Settings) ofLength(j Judgement, dwells Span, least float64, length Measure) Judgement {
	possible := func(k Kind) bool { return j.may(k.Class) && k.Length.Most >= least && k.Possible.meets(dwells) }
	if !length.Known() {
		return judged(s.classes(possible), s.classes(func(k Kind) bool { return possible(k) && k.Class == j.Class }))
	}
	return judged(s.classes(possible), s.classes(func(k Kind) bool { return possible(k) && (k.Length.meets(length.Range) || k.Class == j.Class) }))
}

// judged is what follows from what is possible and what is usual.
func judged(possible, usual []Class) Judgement {
	switch {
	case len(possible) == 1:
		return Judgement{possible[0], Sure, possible}
	case len(usual) == 1:
		return Judgement{usual[0], Likely, possible}
	}
	return Judgement{NoClass, CannotTell, possible}
}

// classes are those of the kinds that are so, each once, ascending.
func (s *Settings) classes(so func(Kind) bool) (c []Class) {
	for _, k := range s.Kinds {
		if so(k) {
			c = append(c, k.Class)
		}
	}
	slices.Sort(c)
	return slices.Compact(c)
}
