package beam

import (
	"math"
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

// Range is from the least to the most that a quantity may be.
type Range struct{ Least, Most float64 }

// Meets reports whether something may lie in both.
func (r Range) Meets(o Range) bool { return r.Least <= o.Most && o.Least <= r.Most }

// Span is from the shortest to the longest that a time may be.
type Span struct{ Least, Most time.Duration }

// Meets reports whether a time may lie in both.
func (s Span) Meets(o Span) bool { return s.Least <= o.Most && o.Least <= s.Most }

// Endless is as long as a Span may be: for who may stand in the beam.
const Endless = time.Duration(math.MaxInt64)

// UsualWidth is a beam's with a reflector of 5 cm, m.
const UsualWidth = 0.05

// Kind is something that may pass here, by how long it is and for how long it breaks the beam. The limits of the dwell may
// be set outright, or reckoned from speeds: see Mover.
type Kind struct {
	Name     string
	Class    Class
	Length   Range // m
	Usual    Span  // its dwell, as a rule; zero: it does not pass here as a rule
	Possible Span  // its dwell, at all
}

// Dwell is for how long something of that length (m) breaks a beam of that width (m) at that speed (m/s).
func Dwell(length, width, speed float64) time.Duration {
	s := (length + width) / speed
	if !(speed > 0 && s < Endless.Seconds()) {
		return Endless
	}
	return time.Duration(s * float64(time.Second))
}

// dwells of a length at a speed: the shortest is that of a short one that is fast.
func dwells(length Range, width float64, speed Range) Span {
	return Span{Dwell(length.Least, width, speed.Most), Dwell(length.Most, width, speed.Least)}
}
