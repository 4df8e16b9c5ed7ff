package passage

import (
	"fmt"
	"time"

	"longlane/radio/beam"
)

// Settings are what passes here, and how.
type Settings struct {
	Width float64 // of the beam where it is crossed, m; 0 to 1
	Kinds []beam.Kind

	// Between two beams.
	Slowest, Fastest float64 // m/s; nobody who passes both is slower on the average, or faster
	Steady           float64 // 1 or more: at the beams nobody is slower than his mean speed between them by more than this factor
	Vague            float64 // above 1: a speed or length is told if the most that it may be is no more than so many times the least

	LongestStay time.Duration // of a visit
}

// Defaults are for a beam of the usual width, and for the usual movers.
func Defaults() Settings { return For(beam.UsualWidth, beam.DefaultMovers()) }

// For gives the defaults for a beam of that width (m), and for who passes it.
func For(width float64, movers []beam.Mover) Settings {
	return Settings{Width: width, Kinds: beam.Kinds(movers, width), Slowest: 0.7, Fastest: 30, Steady: 2, Vague: 1.5, LongestStay: 7 * 24 * time.Hour}
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
		case k.Class < beam.Debris || k.Class > beam.Vehicle:
			return fail(name("Class"), uint8(k.Class), "Debris, Walker or Vehicle")
		case !(k.Length.Least > 0 && k.Length.Most >= k.Length.Least && k.Length.Most <= 1000):
			return fail(name("Length"), k.Length, "more than 0 m, the least first, up to 1,000 m")
		case k.Possible.Least < 0 || k.Possible.Most < k.Possible.Least || k.Possible.Most == 0:
			return fail(name("Possible"), k.Possible, "the shortest dwell and then the longest")
		case k.Usual != beam.Span{} && (k.Usual.Least < k.Possible.Least || k.Usual.Most > k.Possible.Most || k.Usual.Most < k.Usual.Least):
			return fail(name("Usual"), k.Usual, fmt.Sprintf("a part of Possible, %v", k.Possible))
		}
	}
	return nil
}

// OfDwell judges by how long a beam was broken. What is told of the dwell may be wrong by as much as off, either way; a negative dwell is
// not known.
//
// It judges as package beam does.
func (s *Settings) OfDwell(dwell, off time.Duration) beam.Judgement {
	if dwell < 0 {
		return beam.Judged(s.classes(func(beam.Kind) bool { return true }), nil)
	}
	return beam.Judge(s.Kinds, beam.Span{Least: max(dwell-off, 0), Most: dwell + min(off, beam.Endless-dwell)})
}

// and is what follows from two beams that the same one has broken.
func and(j, o beam.Judgement) beam.Judgement {
	both := func(c []beam.Class, d beam.Judgement) (out []beam.Class) {
		for _, x := range c {
			if d.May(x) {
				out = append(out, x)
			}
		}
		return out
	}
	possible := both(j.Possible, o)
	var usual []beam.Class
	if j.Class == o.Class && j.Class != beam.NoClass {
		usual = []beam.Class{j.Class}
	}
	return beam.Judged(possible, usual)
}

// ofLength judges anew what was judged by dwell, where the speed is known as well. It is certain only that something is no shorter than least: who
// has stopped between the beams was faster at them than on the average, and is longer than it seems. Likely is what is of that length, if it is told,
// unless its dwell makes something else likely.
func (s *Settings) ofLength(j beam.Judgement, dwells beam.Span, least float64, length Measure) beam.Judgement {
	possible := func(k beam.Kind) bool { return j.May(k.Class) && k.Length.Most >= least && k.Possible.Meets(dwells) }
	if !length.Known() {
		return beam.Judged(s.classes(possible), s.classes(func(k beam.Kind) bool { return possible(k) && k.Class == j.Class }))
	}
	return beam.Judged(s.classes(possible), s.classes(func(k beam.Kind) bool { return possible(k) && (k.Length.Meets(length.Range) || k.Class == j.Class) }))
}

// classes are those of the kinds that are so, each once, ascending.
func (s *Settings) classes(so func(beam.Kind) bool) []beam.Class { return beam.Classes(s.Kinds, so) }
