package plan

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"longlane/radio/lane"
)

// ExcessGain is how many times more light a beam's receiver gets over a distance than it needs, if its maker says that it spans
// a range in clean air: the light of a beam falls with the square of the distance between a sender and a receiver. One that
// is thrown back by a reflector is taken to do the same, which is what such sensors do beyond their best distance at the least.
// Common practice asks for 10 outdoors, where lenses get dusty, and 50 where they get dirty or there is fog; no source.
func ExcessGain(span, distance float64) float64 { return (span / distance) * (span / distance) }

// Dusty is the excess gain that is asked for outdoors.
const Dusty = 10

// UsualSpan is what a retro-reflective sensor of the usual kind spans, m, outdoors with its lens dusty: a lane of about 10 m. Common practice, no source.
const UsualSpan = 10

// mind says what is to be minded of a beam; empty: nothing.
func mind(zone string, i int, b lane.Beam) string {
	at := fmt.Sprintf("%s: beam %d, %.1f m from post to post", zone, i+1, b.Length)
	switch gain := ExcessGain(b.Range, b.Length); {
	case b.Range == 0 && b.Length > UsualSpan:
		return fmt.Sprintf("%s: a retro-reflective sensor of the usual kind covers about %d m; take one that spans %.0f m by its maker", at, UsualSpan, math.Ceil(b.Length*math.Sqrt(Dusty)))
	case b.Range == 0:
		return ""
	case gain < 1:
		return fmt.Sprintf("%s: its maker says that it spans %.0f m", at, b.Range)
	case gain < Dusty:
		return fmt.Sprintf("%s: it gets %.1f times the light that it needs, and dusty lenses want %d: clean them often, or take one that spans %.0f m", at, gain, Dusty,
			math.Ceil(b.Length*math.Sqrt(Dusty)))
	}
	return ""
}

// Copper is the greatest resistance of a copper conductor of stranded or solid wire (class 1 and 2) at 20 °C, ohm for each km, by its cross-section in
// mm². Source: IEC 60228:2004, tables 1 and 2, as transcribed in public.
var Copper = map[float64]float64{0.5: 36.0, 0.75: 24.5, 1: 18.1, 1.5: 12.1, 2.5: 7.41, 4: 4.61, 6: 3.08, 10: 1.83}

// Cable feeds the sensor of a gate. The zero one is none.
type Cable struct {
	Length  float64 // m, one way
	Section float64 // mm², one of Copper
	Amps    float64
	Volts   float64 // of the supply
}

// mostDrop is the share of the supply that may be lost on the way. Common practice, no source.
const mostDrop = 0.05

// words tell what the cable takes, and which one would do if that is too much.
func (c Cable) words() string {
	drop, err := VoltageDrop(c.Length, c.Amps, c.Section)
	if err != nil {
		return err.Error()
	}
	text := fmt.Sprintf("a pair of %v mm² copper, %.0f m, takes %.2f V of %v V at %v A (at 20 °C; %.0f %% more at 45)", c.Section, c.Length, drop, c.Volts, c.Amps, 100*warmer(45)-100)
	if drop <= mostDrop*c.Volts {
		return text
	}
	for _, section := range slices.Sorted(maps.Keys(Copper)) {
		if d, _ := VoltageDrop(c.Length, c.Amps, section); d <= mostDrop*c.Volts {
			return text + fmt.Sprintf(": more than the usual %.0f %%; %v mm² takes %.2f V", 100*mostDrop, section, d)
		}
	}
	return text + fmt.Sprintf(": more than the usual %.0f %%, and so does any in the table: a higher voltage, or a supply nearby", 100*mostDrop)
}

// VoltageDrop is what a pair of copper wires of so many metres takes of a supply, V: there and back. The error names what is not in the table.
func VoltageDrop(length, amps, section float64) (float64, error) {
	ohm, ok := Copper[section]
	switch {
	case !ok:
		return 0, &OptionError{"cross-section", fmt.Sprintf("%v mm²", section), "0.5, 0.75, 1, 1.5, 2.5, 4, 6 or 10 mm²"}
	case !(length >= 0 && length <= 10_000):
		return 0, &OptionError{"length of the cable", fmt.Sprintf("%v m", length), "0 to 10,000 m"}
	case !(amps >= 0 && amps <= 100):
		return 0, &OptionError{"current", fmt.Sprintf("%v A", amps), "0 to 100 A"}
	}
	return pairDrop(length, amps, ohm), nil
}

// pairDrop is what a pair of wires takes of a supply, V: length there and back (m), current (A), and the resistance of one conductor (ohm for each km).
func pairDrop(length, amps, ohm float64) float64 { return 2 * length / 1000 * ohm * amps }

// warmer is by how much more copper at a temperature (°C) resists than at 20. Source: IEC 60228:2004, annex A, whose factors from 5 to 50 °C are 250 / (230 + t), as transcribed in public.
func warmer(t float64) float64 { return (230 + t) / 250 }
