package plan

import (
	"math"
	"strings"
	"testing"

	"longlane/radio/lane"
)

// TestVoltageDrop: 100 m at 0.1 A over the conductors of IEC 60228:2004 (at 20 °C, class 1 and 2), reckoned by hand.
func TestVoltageDrop(t *testing.T) {
	for section, want := range map[float64]float64{0.5: 0.720, 0.75: 0.490, 1: 0.362, 1.5: 0.242, 2.5: 0.148} {
		if got, err := VoltageDrop(100, 0.1, section); err != nil || math.Abs(got-want) > 0.001 {
			t.Errorf("%v mm²: %.4f V, %v; want %.3f", section, got, err, want)
		}
	}
	for _, c := range []struct {
		length, amps, section float64
		want                  string
	}{{100, 0.1, 0.6, "cross-section"}, {math.NaN(), 0.1, 1, "length"}, {100, math.NaN(), 1, "current"}} {
		if _, err := VoltageDrop(c.length, c.amps, c.section); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: %v, want an error that names the %s", c, err, c.want)
		}
	}
}

// TestCopper holds table and formula against others' figures, none of which the plan goes by.
func TestCopper(t *testing.T) {
	// NEC chapter 9, table 8 (as transcribed in public): 12 AWG solid to 18 AWG solid, ohm for each 1000 ft of uncoated copper at 75 °C; the sizes by ASTM B258,
	// 0.127 mm times 92^((36-n)/39). IEC's figures are maxima of conductors whose true section may be smaller than the name says, so that they lie some percent above; a figure that was mistyped
	// would not.
	for gauge, ohm := range map[float64]float64{18: 7.77, 16: 4.89, 14: 3.07, 12: 1.93, 10: 1.21, 8: 0.764} {
		d := 0.127 * math.Pow(92, (36-gauge)/39)
		nec := ohm / 0.3048 / warmer(75) * math.Pi / 4 * d * d // ohm mm² for each km, at 20 °C
		if math.Abs(nec/17.241-1) > 0.01 {                     // of annealed copper: IEC 60028
			t.Errorf("%v AWG: %.3f ohm mm²/km, which is not copper", gauge, nec)
		}
		for section, r := range Copper {
			if over := r * section / nec; over < 1.04 || over > 1.085 {
				t.Errorf("%v mm² resists %.3f times what %v AWG has by its section", section, over, gauge)
			}
		}
	}
	// The factors of IEC 60228, annex A, as transcribed in public: what was measured at 5 and 50 °C times this is the resistance at 20.
	for at, want := range map[float64]float64{5: 1.064, 20: 1, 50: 0.893} {
		if got := 1 / warmer(at); math.Abs(got-want) > 0.0005 {
			t.Errorf("at %v °C: factor %.4f, want %v", at, got, want)
		}
	}
	// A worked example that courses on the NEC publish (M. Holt, voltage drop calculations; from memory): two conductors of 12 AWG, 2 ohm for each 1000 ft, feed 16 A over 100 ft: 6.4 V.
	const foot = 0.3048 // m
	if got := pairDrop(100*foot, 16, 2/foot); math.Abs(got-6.4) > 1e-9 {
		t.Errorf("the worked example takes %v V, want 6.4", got)
	}
	// And the same run by the table: 12 AWG is 3.31 mm², between 2.5 and 4. Of 6.4 V at 75 °C there are 5.2 at 20.
	thin, err := VoltageDrop(100*foot, 16, 2.5)
	thick, err2 := VoltageDrop(100*foot, 16, 4)
	if cold := 6.4 / warmer(75); err != nil || err2 != nil || !(thick < cold && cold < thin) || math.Abs((thin*2.5+thick*4)/2/3.31/cold-1) > 0.07 {
		t.Errorf("by the table %.2f V with 2.5 mm² and %.2f with 4, the example has %.2f with 3.31", thin, thick, cold)
	}
}

// TestBeams: a retro-reflective sensor of the usual kind covers a lane of about 10 m (common practice, no source), so that is all right
// and a wider lane is not; a sensor that is known is held to what dusty lenses want.
func TestBeams(t *testing.T) {
	for _, c := range []struct {
		length, span float64
		want         string
	}{
		{6, 0, ""}, {10, 0, ""}, {14, 0, "covers about 10 m"},
		{6, 20, ""}, {10, 20, "it gets 4.0 times the light"}, {25, 20, "spans 20 m"},
	} {
		got := mind("gate", 0, lane.Beam{Length: c.length, Range: c.span})
		if got == "" != (c.want == "") || !strings.Contains(got, c.want) {
			t.Errorf("%v m by a sensor for %v m: %q, want %q", c.length, c.span, got, c.want)
		}
	}
}

// TestCableWords: what takes more than a twentieth of the supply is told, with the thinnest that does not.
func TestCableWords(t *testing.T) {
	for _, c := range []struct {
		cable Cable
		want  string
		no    string
	}{
		{Cable{100, 0.5, 0.1, 12}, "takes 0.72 V of 12 V at 0.1 A (at 20 °C; 10 % more at 45): more than the usual 5 %; 0.75 mm² takes 0.49 V", ""},
		{Cable{100, 0.75, 0.1, 12}, "takes 0.49 V", "usual"},
		{Cable{1000, 10, 5, 12}, "a higher voltage", ""},
	} {
		if got := c.cable.words(); !strings.Contains(got, c.want) || c.no != "" && strings.Contains(got, c.no) {
			t.Errorf("%+v: %q, want %q and not %q", c.cable, got, c.want, c.no)
		}
	}
}
