// Package drawing reads a place as other programs draw it: GeoJSON (RFC 7946) and GPX 1.1, the walk with a phone. It reads bytes,
// and gives what has a use for a lane: named points, lines, and areas that say what stands on them. What it cannot use it refuses by
// line and reason, because a wood that was passed over in silence is a link that does not work.
package drawing

import (
	"errors"
	"fmt"

	"longlane/radio/lane"
)

// MaxSize is the size of the greatest file that is read, in bytes; MaxPositions is how many positions it may have.
const (
	MaxSize      = 8 << 20
	MaxPositions = 100_000
)

// Drawing is what a file holds.
type Drawing struct {
	Points []Point
	Lines  []Line
	Areas  []Area
}

// Position is where in a file something stands, both from 1.
type Position struct{ Line, Col int }

// Point is a named place.
type Point struct {
	Position
	Field string // where it stands in the words of the file, such as features[3]
	Name  string
	At    lane.LatLon
}

// Line is a way; it may be without a name.
type Line struct {
	Position
	Field string
	Name  string
	At    []lane.LatLon
}

// Area is something that stands on the ground. Cover is what the file says of it, its Area apart.
type Area struct {
	Position
	Field string
	Rings [][]lane.LatLon
	Cover lane.Cover
}

// Error is something in a file that cannot be, or cannot be used.
type Error struct {
	Position
	Field           string
	Found, Expected string
	Hint            string // what to do, or empty
}

func (e *Error) Error() string {
	s := fmt.Sprintf("%d:%d: %s: found %s, expected %s", e.Line, e.Col, e.Field, e.Found, e.Expected)
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// maxProblems bounds the list: what is no drawing at all is seen well before this.
const maxProblems = 20

// problems collects what is wrong with a file.
type problems []error

func (p *problems) add(at Position, field, found, expected string) {
	p.addHint(at, field, found, expected, "")
}

func (p *problems) addHint(at Position, field, found, expected, hint string) {
	if len(*p) < maxProblems {
		*p = append(*p, &Error{at, field, found, expected, hint})
	}
}

func (p problems) err() error { return errors.Join(p...) }

const degrees = "longitude from -180 to 180 and latitude from -90 to 90, in degrees (WGS 84)"

// What a place is asked that would be a likelier one with its numbers the other way round; and of GeoJSON, where they have another order than people say them in.
const (
	Swapped        = "are latitude and longitude swapped?"
	LongitudeFirst = Swapped + " GeoJSON has longitude first"
)

// exchanged reports whether a place that is none would be one with latitude and longitude the other way round.
func exchanged(at lane.LatLon) bool {
	return !at.Valid() && lane.LatLon{Lat: at.Lon, Lon: at.Lat}.Valid()
}

// shown is a text for a message, shortened where it is long.
func shown(s string) string {
	if r := []rune(s); len(r) > 60 {
		return fmt.Sprintf("%q and more", string(r[:60]))
	}
	return fmt.Sprintf("%q", s)
}
