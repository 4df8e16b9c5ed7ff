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
		{Cable{100, 0.5, 0.1, 12}, "takes 0.72 V of 12 V at 0.1 A (at 20 °C; a tenth more at 45): more than the usual 5 %; 0.75 mm² takes 0.49 V", ""},
		{Cable{100, 0.75, 0.1, 12}, "takes 0.49 V", "usual"},
		{Cable{1000, 10, 5, 12}, "a higher voltage", ""},
	} {
		if got := c.cable.words(); !strings.Contains(got, c.want) || c.no != "" && strings.Contains(got, c.no) {
			t.Errorf("%+v: %q, want %q and not %q", c.cable, got, c.want, c.no)
		}
	}
}
