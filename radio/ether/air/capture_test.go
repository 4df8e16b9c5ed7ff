package air

import (
	"math"
	"testing"
	"time"
)

// aloha loses every frame that any other of its spreading factor overlaps.
func aloha() (m Matrix) {
	for i := range m {
		for j := range m[i] {
			m[i][j] = math.Inf(-1)
		}
		m[i][i] = math.Inf(1)
	}
	return m
}

// published are the cells as the two papers print them, wanted in rows, written out once more beside the package's.
var published = map[string]struct {
	matrix Matrix
	cells  [36]float64
}{
	"Goursaud and Gorce, 2015": {Computed, [36]float64{
		6, -16, -18, -19, -19, -20, -24, 6, -20, -22, -22, -22, -27, -27, 6, -23, -25, -25,
		-30, -30, -30, 6, -26, -28, -33, -33, -33, -33, 6, -29, -36, -36, -36, -36, -36, 6}},
	"Croce et al., 2018": {Measured, [36]float64{
		1, -8, -9, -9, -9, -9, -11, 1, -11, -12, -13, -13, -15, -13, 1, -13, -14, -15,
		-19, -18, -17, 1, -17, -18, -22, -22, -21, -20, 1, -20, -25, -25, -25, -24, -23, 1}},
}

// TestCaptureThresholds sends a frame against each spreading factor, just above and just below each threshold.
func TestCaptureThresholds(t *testing.T) {
	const long = time.Second
	for name, p := range published {
		for cell, threshold := range p.cells {
			wanted, disturbing := 7+cell/6, 7+cell%6
			for _, beside := range []float64{-0.05, 0.05} {
				o := plain(3, 60)
				o.Capture = p.matrix
				a := open(t, o)
				f := a.Send(frame(0, 0, long, threshold+beside, of(wanted)))
				a.Send(frame(1, 0, long, 0, of(disturbing)))
				want := Heard
				if beside < 0 {
					want = Collision
				}
				if got := a.Heard(f, 2, 0); got.Loss != want {
					t.Errorf("%s: SF%d against SF%d at %+.2f dB: %v, want %v", name, wanted, disturbing, threshold+beside, got.Loss, want)
				}
			}
		}
	}
}

// TestExtrapolation: what the doc says of spreading factors 5 and 6.
func TestExtrapolation(t *testing.T) {
	for _, c := range []struct {
		wanted, disturbing int
		computed, measured float64
	}{{5, 5, 6, 1}, {6, 6, 6, 1}, {5, 6, -10, -2}, {6, 5, -13, -5}, {6, 12, -17, -6}, {5, 7, -10, -2}, {7, 5, -16, -8}, {12, 6, -36, -25}} {
		if g, k := Computed.Threshold(c.wanted, c.disturbing), Measured.Threshold(c.wanted, c.disturbing); g != c.computed || k != c.measured {
			t.Errorf("SF%d against SF%d: %v and %v dB, want %v and %v", c.wanted, c.disturbing, g, k, c.computed, c.measured)
		}
	}
}
