package path

import (
	"fmt"
	"math"
	"testing"
)

// TestSpherical: the published results of ITU-R P.452's reference code for flat land of 5 km, antennas at 10 m and an effective radius
// of 8738.167287 km, vertical polarisation (validation_examples/results/test_result_flat_land_5km.csv of eeveetza/p452). There a
// wavelength is 0.2998 / GHz.
func TestSpherical(t *testing.T) {
	for mhz, want := range map[float64]float64{100: 20.02432081, 250: 12.69951778, 500: 7.30775532, 2000: 0} {
		// The wavelength stands in one place alone, so the constant moves the answer a little.
		near(t, fmt.Sprintf("smooth earth at %v MHz", mhz), spherical(mhz*1e6, 8738167.287, 5000, 10, 10, Vertical), want, 2e-4)
	}
}

// TestDelta: profiles that were reckoned apart from this code.
func TestDelta(t *testing.T) {
	ridge := []float64{10, 10, 11, 12, 15, 18, 16, 13, 12, 11, 10, 9, 9}
	for _, c := range []struct {
		name              string
		ground            []float64
		ht, hr, ghz, want float64
	}{
		{"a ridge", ridge, 3, 2, 0.8683, 26.8382}, {"a ridge", ridge, 3, 2, 0.915, 26.7640}, {"a ridge", ridge, 3, 2, 2.44, 26.6733},
		{"flat", make([]float64, 21), 3, 1.5, 0.8683, 20.1623}, {"flat", make([]float64, 21), 3, 1.5, 2.44, 11.9190}, {"flat", make([]float64, 21), 6, 2, 0.8683, 12.3299},
	} {
		n := len(c.ground)
		p := &Profile{Length: float64(n-1) * 100, Ground: c.ground, From: c.ground[0] + c.ht, To: c.ground[n-1] + c.hr}
		near(t, fmt.Sprintf("%s at %v GHz", c.name, c.ghz), must(Delta(c.ghz*1e9, p, Vertical)), c.want, 0.005)
	}
	// Over flat ground it agrees with the sum of two rays, another theory, within 2 dB.
	p := &Profile{Length: 2000, Ground: make([]float64, 21), From: 3, To: 1.5}
	near(t, "flat ground by two theories", must(FreeSpace(868.3e6, 2000))+must(Delta(868.3e6, p, Vertical)), must(PlaneEarthRays(868.3e6, 2000, 3, 1.5)), 2)
}

// TestDeltaNeverBreaks: whatever the ground, the answer is a number, none below the construction over the true ground, and nothing
// jumps where the ground moves by a centimetre.
func TestDeltaNeverBreaks(t *testing.T) {
	for _, bump := range []float64{-5, -0.02, 0, 0.02, 1, 2.5, 4.99, 5.01, 8, 40} {
		for _, d := range []float64{50, 300, 2000, 20_000} {
			p := &Profile{Length: d, Ground: []float64{0, 0, bump, 0, 0, 0}, From: 5, To: 5}
			e, err := Bullington(868.3e6, p)
			if err != nil {
				t.Fatal(err)
			}
			got := must(Delta(868.3e6, p, Vertical))
			if math.IsNaN(got) || math.IsInf(got, 0) || got < e.Loss {
				t.Errorf("a bump of %v m on %v m: %v dB, the construction alone %v", bump, d, got, e.Loss)
			}
			for _, on := range [][2]float64{{0, 5}, {5, 0}, {0, 0}} { // antennas on the ground
				low := &Profile{Length: d, Ground: p.Ground, From: on[0], To: on[1]}
				got := must(Delta(868.3e6, low, Vertical))
				low.From, low.To = on[0]+1e-9, on[1]+1e-9
				if next := must(Delta(868.3e6, low, Vertical)); !(math.Abs(next-got) < 0.1) {
					t.Errorf("a bump of %v m on %v m, antennas at %v m: %v dB, and %v a nanometre higher", bump, d, on, got, next)
				}
			}
			p.Ground[2] += 0.001
			if next := must(Delta(868.3e6, p, Vertical)); math.Abs(next-got) > 0.1 {
				t.Errorf("a bump of %v m on %v m: %v dB, and %v with a millimetre more", bump, d, got, next)
			}
		}
	}
}
