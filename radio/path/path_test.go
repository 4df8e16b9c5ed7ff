package path

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

const references = "../../testdata/path"

// lines are those of a file without its comments, in words; a file without any is a failure.
func lines(t *testing.T, name string) (list [][]float64) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(references, name))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		var row []float64
		for _, word := range strings.Fields(line) {
			v, err := strconv.ParseFloat(word, 64)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			row = append(row, v)
		}
		list = append(list, row)
	}
	if len(list) == 0 {
		t.Fatalf("%s holds nothing", name)
	}
	return list
}

// must takes a formula's answer within its range.
func must(v float64, err error) float64 {
	if err != nil {
		panic(err)
	}
	return v
}

func near(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if !(math.Abs(got-want) <= by) {
		t.Errorf("%s = %.6f, want %v within %v", what, got, want, by)
	}
}

// TestFreeSpace: the table was reckoned apart from this code; 105.20 dB at 5 km and 868.1 MHz is that of a published link budget, and the
// powers are Rappaport's example 4.2 (50 W at 900 MHz between unity gains).
func TestFreeSpace(t *testing.T) {
	for _, row := range [][]float64{ // m; dB at the frequencies
		{100, 65.20, 71.22, 71.23, 71.68, 80.20}, {500, 79.18, 85.20, 85.21, 85.66, 94.17}, {1000, 85.20, 91.22, 91.23, 91.68, 100.20},
		{1500, 88.72, 94.74, 94.76, 95.20, 103.72}, {2000, 91.22, 97.24, 97.25, 97.70, 106.22},
	} {
		for i, mhz := range []float64{433.92, 868.1, 869.525, 915, 2440} {
			near(t, fmt.Sprintf("free space at %v MHz, %v m", mhz, row[0]), must(FreeSpace(mhz*1e6, row[0])), row[i+1], 0.0051)
		}
	}
	near(t, "free space over 5 km", must(FreeSpace(868.1e6, 5000)), 105.20, 0.005)
	power := 10 * math.Log10(50*1000)
	near(t, "50 W at 100 m", power-must(FreeSpace(900e6, 100)), -24.5, 0.05)
	near(t, "50 W at 10 km", power-must(FreeSpace(900e6, 10_000)), -64.5, 0.05)
}

// TestPlaneEarth: the sum of two rays, and the law for beyond the break point, of a table that was reckoned apart from this code;
// and Rappaport's example 4.6: 5 km, 900 MHz, antennas at 50 and 1.5 m, 1 mV/m at 1 km, a gain of 1.8: -92.68 dBm.
func TestPlaneEarth(t *testing.T) {
	for _, row := range [][]float64{ // MHz, heights, break point; two rays and law at 100, 500, 1000, 2000 m
		{868.3, 3, 1.5, 163.8, 67.94, 66.94, 94.93, 94.89, 106.95, 106.94, 118.98, 118.98},
		{868.3, 6, 2, 436.8, 66.94, 58.42, 86.65, 86.38, 98.49, 98.42, 110.47, 110.46},
		{868.3, 2, 1, 72.8, 74.18, 73.98, 101.95, 101.94, 113.98, 113.98, 126.02, 126.02},
		{915, 3, 1.5, 172.6, 68.05, 66.94, 94.94, 94.89, 106.95, 106.94, 118.98, 118.98},
		{2440, 3, 1.5, 460.2, 76.73, 66.94, 95.20, 94.89, 107.01, 106.94, 119.00, 118.98},
	} {
		f, ht, hr := row[0]*1e6, row[1], row[2]
		near(t, fmt.Sprintf("break point at %v MHz, %v and %v m", row[0], ht, hr), must(BreakPoint(f, ht, hr)), row[3], 0.051)
		for i, d := range []float64{100, 500, 1000, 2000} {
			what := fmt.Sprintf("at %v MHz, %v and %v m, over %v m", row[0], ht, hr, d)
			near(t, "two rays "+what, must(PlaneEarthRays(f, d, ht, hr)), row[4+2*i], 0.0051)
			near(t, "plane earth "+what, must(PlaneEarth(f, d, ht, hr)), max(row[5+2*i], must(FreeSpace(f, d))), 0.0051)
		}
	}
	// 1 mV/m at 1 km is 30 P G / d² = E² for the power times gain.
	eirp := 10 * math.Log10(1e-3*1e-3*1000*1000/30*1000)
	near(t, "Rappaport's example 4.6", eirp+10*math.Log10(1.8)-must(PlaneEarth(900e6, 5000, 50, 1.5)), -92.68, 0.02)
	// At the break point the two laws meet.
	d := must(BreakPoint(868.3e6, 3, 1.5))
	near(t, "the law at the break point", must(PlaneEarth(868.3e6, d, 3, 1.5)), must(FreeSpace(868.3e6, d)), 1e-9)
}

// TestFresnel: radii reckoned apart from this code, and one published (20.777 m in the middle of 5 km at 868.1 MHz).
func TestFresnel(t *testing.T) {
	for mhz, want := range map[float64][]float64{868.3: {2.94, 6.57, 9.29, 11.38, 13.14}, 915: {2.86, 6.40, 9.05, 11.08, 12.80}, 2440: {1.75, 3.92, 5.54, 6.79, 7.84}} {
		for i, d := range []float64{100, 500, 1000, 1500, 2000} {
			near(t, fmt.Sprintf("radius at %v MHz in the middle of %v m", mhz, d), must(FresnelRadius(1, mhz*1e6, d/2, d/2)), want[i], 0.0051)
		}
	}
	near(t, "radius in the middle of 5 km", must(FresnelRadius(1, 868.1e6, 2500, 2500)), 20.777, 0.0006)
	near(t, "the fourth radius", must(FresnelRadius(4, 868.1e6, 2500, 2500)), 2*20.777, 0.0012)
	for d, want := range map[float64]float64{1000: 0.015, 2000: 0.059, 5000: 0.368, 10_000: 1.47} {
		near(t, fmt.Sprintf("bulge in the middle of %v m", d), Bulge(d/2, d/2), want, 0.0051)
	}
}

// TestKnifeEdge holds J(v) against the exact Fresnel integral, which SciPy has: see testdata/path/make_references.py.
func TestKnifeEdge(t *testing.T) {
	worst := 0.0
	for _, row := range lines(t, "knife-edge.txt") {
		v, exact := row[0], row[1]
		got := must(KnifeEdge(v))
		switch {
		case v >= -0.5:
			worst = max(worst, math.Abs(got-exact))
			near(t, fmt.Sprintf("J(%v)", v), got, exact, 0.13)
		case v <= -0.78: // 0 is the middle of what it does there
			near(t, fmt.Sprintf("J(%v)", v), got, 0, 0)
			if exact < -1.4 || exact > 1.1 {
				t.Errorf("the exact loss at %v is %v, beyond what the documentation says", v, exact)
			}
		default:
			near(t, fmt.Sprintf("J(%v)", v), got, exact, 0.4)
		}
	}
	t.Logf("J is off by %.3f dB at the most, v = -0.5 to 10", worst)
	// Values of the recommendation's formula that were reckoned apart from this code.
	for v, want := range map[float64]float64{-0.5: 1.959, 0: 6.033, 0.5: 10.288, 1: 13.926, 1.5: 16.784, 2: 19.043, 2.4: 20.539, 3: 22.416, 4: 24.881, 5: 26.814, 10: 32.855} {
		near(t, fmt.Sprintf("J(%v)", v), must(KnifeEdge(v)), want, 0.0006)
	}
	// An edge 2 m above the ray in the middle of 1 km; and Rappaport's example 4.7 (22 dB).
	near(t, "v of an edge", must(Nu(868.3e6, 2, 500, 500)), 0.3044, 0.00006)
	near(t, "v of Rappaport's edge", must(Nu(SpeedOfLight*3, 25, 1000, 1000)), 2.74, 0.005)
	near(t, "Rappaport's edge", must(KnifeEdge(must(Nu(SpeedOfLight*3, 25, 1000, 1000)))), 22, 0.5)
}

// TestBullington: random profiles, Bullington's construction and the delta over it, by an implementation in another language and other units (testdata/path/make_references.py), and three
// that a third one reckoned.
func TestBullington(t *testing.T) {
	free, blocked := 0, 0
	for i, row := range lines(t, "bullington.txt") {
		ground := row[8:]
		p := &Profile{Length: row[1], Ground: ground, From: ground[0] + row[2], To: ground[len(ground)-1] + row[3]}
		e, err := Bullington(row[0]*1e6, p)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("profile %d: the edge", i), e.Single, row[4], 1e-4)
		near(t, fmt.Sprintf("profile %d: the loss", i), e.Loss, row[5], 1e-4)
		near(t, fmt.Sprintf("profile %d: delta, vertical", i), must(Delta(row[0]*1e6, p, Vertical)), row[6], 1e-4)
		near(t, fmt.Sprintf("profile %d: delta, horizontal", i), must(Delta(row[0]*1e6, p, Horizontal)), row[7], 1e-4)
		if e.At <= 0 || e.At >= p.Length {
			t.Errorf("profile %d: the edge is at %v of %v m", i, e.At, p.Length)
		}
		if e.Single == 0 {
			free++
		} else if e.V > 0 {
			blocked++
		}
	}
	if free < 3 || blocked < 10 {
		t.Errorf("%d profiles free, %d blocked: the test shows nothing", free, blocked)
	}
	ridge := []float64{10, 10, 11, 12, 15, 18, 16, 13, 12, 11, 10, 9, 9}
	for _, c := range []struct {
		name                string
		ground              []float64
		ht, hr, ghz         float64
		v, at, single, loss float64
	}{
		{"a ridge", ridge, 3, 2, 0.8683, 0.82497, 500, 12.7456, 21.5716},
		{"a ridge", ridge, 3, 2, 0.915, 0.84687, 500, 12.8988, 21.7549},
		{"a ridge", ridge, 3, 2, 2.44, 1.38292, 500, 16.1765, 25.5242},
		{"flat", make([]float64, 21), 3, 1.5, 0.8683, -0.22244, 0, 4.1457, 9.1547},
		{"flat", make([]float64, 21), 6, 2, 0.8683, -0.36737, 0, 2.9754, 6.9008},
	} {
		n := len(c.ground)
		p := &Profile{Length: float64(n-1) * 100, Ground: c.ground, From: c.ground[0] + c.ht, To: c.ground[n-1] + c.hr}
		e, err := Bullington(c.ghz*1e9, p)
		if err != nil {
			t.Fatal(err)
		}
		near(t, c.name+": v", e.V, c.v, 5e-5)
		near(t, c.name+": the edge", e.Single, c.single, 1e-3)
		near(t, c.name+": the loss", e.Loss, c.loss, 2e-3)
		if c.at != 0 {
			near(t, c.name+": the place of the edge", e.At, c.at, 1)
		}
	}
	// A ray that touches two crests is 0/0 in the construction: it is the loss of an edge at v = 0, and never NaN.
	e, err := Bullington(868.3e6, &Profile{Length: 1500, Ground: []float64{0, 5 - Bulge(500, 1000), 5 - Bulge(1000, 500), 0}, From: 5, To: 5})
	if err != nil || math.IsNaN(e.Loss) {
		t.Fatalf("grazing: %+v, %v", e, err)
	}
	near(t, "grazing", e.Single, 6.033, 0.001)
}

func TestLeastClearance(t *testing.T) {
	ground := make([]float64, 101)
	ground[30] = 4
	p := &Profile{Length: 1000, Ground: ground, From: 6, To: 2}
	c, err := LeastClearance(868.3e6, p)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "where", c.At, 300, 1e-9)
	near(t, "height", c.Height, 6-4*0.3-4-Bulge(300, 700), 1e-9)
	near(t, "share", c.Share(), c.Height/must(FresnelRadius(1, 868.3e6, 300, 700)), 1e-12)
	// Little room near an antenna, where the ellipsoid is narrow, may be a greater share than more room in the middle.
	ground[30], ground[2], ground[50] = 0, 4.92, 2
	if c, err = LeastClearance(868.3e6, p); err != nil || c.At != 500 || c.Height < 1.9 {
		t.Errorf("room of 1 m at 20 m and of 2 m in the middle: %+v, %v, want the middle", c, err)
	}
	ground[30] = 5
	if c, err = LeastClearance(868.3e6, p); err != nil || c.Height > -0.2 || c.Share() > 0 {
		t.Errorf("ground above the ray: %+v, %v", c, err)
	}
}

// TestVegetation: values reckoned apart from this code.
func TestVegetation(t *testing.T) {
	for ghz, want := range map[float64][]float64{0.868: {2.161, 4.323, 6.052, 7.437, 12.746, 19.160, 28.800, 43.291}, 0.915: {2.194, 4.388, 6.143, 7.549, 12.939, 19.449, 29.235, 43.945},
		2.44: {2.899, 5.797, 8.116, 9.974, 17.095, 25.696, 38.626, 58.061}} {
		for i, d := range []float64{5, 10, 14, 20, 50, 100, 200, 400} {
			near(t, fmt.Sprintf("Weissberger at %v GHz through %v m", ghz, d), must(Weissberger(ghz*1e9, d)), want[i], 0.00051)
		}
	}
	// From 14 m on it is the second law: 1.33 * 0.868^0.284 * 14.5^0.588; the first would give 6.27.
	near(t, "Weissberger through 14.5 m", must(Weissberger(868e6, 14.5)), 6.156, 0.005)
	for d, want := range map[float64]float64{5: 0.837, 10: 1.647, 20: 3.191, 50: 7.272, 100: 12.548, 200: 19.154, 500: 25.428} {
		near(t, fmt.Sprintf("woodland at 949 MHz after %v m", d), must(Woodland(949e6, d)), want, 0.00051)
	}
	for mhz, want := range map[float64][]float64{868.3: {1.576, 6.956, 11.996, 18.292}, 915: {1.617, 7.140, 12.318, 18.796}} {
		for i, d := range []float64{10, 50, 100, 200} {
			near(t, fmt.Sprintf("woodland at %v MHz after %v m", mhz, d), must(Woodland(mhz*1e6, d)), want[i], 0.0011)
		}
	}
	for _, row := range woodland { // a column of the table is itself, however it is come to
		for _, d := range []float64{0, 1, 77, 10_000} {
			near(t, fmt.Sprintf("woodland at %v Hz", row[0]), must(Woodland(row[0], d)), row[2]*(1-math.Exp(-d*row[1]/row[2])), 1e-9)
		}
	}
}

// TestBuildingEntry: published values (validate_p2109.m of eeveetza/p2109), and for this tool's channels some that were reckoned apart
// from this code.
func TestBuildingEntry(t *testing.T) {
	shares := []float64{0.01, 0.1, 0.5011872, 0.7943282, 0.9549926}
	for _, c := range []struct {
		ghz, elevation float64
		b              Building
		want           []float64
	}{
		{28, 0, Traditional, []float64{2.769, 6.891, 20.218, 30.317, 41.218}}, {28, 0, Efficient, []float64{9.369, 19.484, 41.732, 57.223, 73.818}},
		{2, 45, Traditional, []float64{3.508, 11.251, 23.556, 31.809, 40.694}}, {2, 45, Efficient, []float64{8.605, 20.566, 37.995, 49.747, 62.459}},
	} {
		for i, share := range shares {
			near(t, fmt.Sprintf("entry at %v GHz, %v of all", c.ghz, share), must(BuildingEntry(c.ghz*1e9, share, c.elevation, c.b)), c.want[i], 0.001)
		}
	}
	for mhz, want := range map[float64][]float64{868: {14.22, 25.04, 31.21, 46.55}, 915: {14.25, 25.16, 31.13, 46.54}, 2440: {15.21, 27.67, 30.58, 47.92}} {
		near(t, "half of the traditional", must(BuildingEntry(mhz*1e6, 0.5, 0, Traditional)), want[0], 0.006)
		near(t, "nine of ten traditional", must(BuildingEntry(mhz*1e6, 0.9, 0, Traditional)), want[1], 0.006)
		near(t, "half of the efficient", must(BuildingEntry(mhz*1e6, 0.5, 0, Efficient)), want[2], 0.006)
		near(t, "nine of ten efficient", must(BuildingEntry(mhz*1e6, 0.9, 0, Efficient)), want[3], 0.006)
	}
}

// TestRanges: outside its range a formula gives no number, and says which range it is.
func TestRanges(t *testing.T) {
	nan := math.NaN()
	flat := func(change func(p *Profile)) *Profile {
		p := &Profile{Length: 1000, Ground: make([]float64, 11), From: 3, To: 3}
		change(p)
		return p
	}
	bullington := func(f float64, p *Profile) error { _, err := Bullington(f, p); return err }
	clearance := func(f float64, p *Profile) error { _, err := LeastClearance(f, p); return err }
	only := func(_ float64, err error) error { return err }
	for name, err := range map[string]error{
		"frequency of kHz":    only(FreeSpace(868.3e3, 100)),
		"MHz for Hz":          only(FreeSpace(868.3, 100)),
		"NaN":                 only(FreeSpace(nan, 100)),
		"Inf":                 only(FreeSpace(868e6, math.Inf(1))),
		"no distance":         only(FreeSpace(868e6, 0)),
		"within a wavelength": only(FreeSpace(31e6, 5)),
		"too near the mast":   only(PlaneEarth(868e6, 50, 30, 2)),
		"no height":           only(PlaneEarth(868e6, 500, 0, 2)),
		"rays":                only(PlaneEarthRays(868e6, 500, 3, nan)),
		"break point":         only(BreakPoint(868e6, -1, 2)),
		"radius 0":            only(FresnelRadius(0, 868e6, 10, 20)),
		"no way":              only(FresnelRadius(1, 868e6, 0, 0)),
		"edge at an antenna":  only(Nu(868e6, 2, 0, 100)),
		"v":                   only(KnifeEdge(nan)),
		"low frequency":       only(Weissberger(169e6, 10)),
		"a long way":          only(Weissberger(868e6, 401)),
		"a negative way":      only(Weissberger(868e6, -1)),
		"beyond the table":    only(Woodland(2440e6, 10)),
		"below the table":     only(Woodland(100e6, 10)),
		"NaN metres of wood":  only(Woodland(868e6, nan)),
		"share in percent":    only(BuildingEntry(868e6, 90, 0, Traditional)),
		"all buildings":       only(BuildingEntry(868e6, 1, 0, Traditional)),
		"two points":          bullington(868e6, flat(func(p *Profile) { p.Ground = p.Ground[:2] })),
		"no points":           bullington(868e6, flat(func(p *Profile) { p.Ground = nil })),
		"a NaN in the ground": bullington(868e6, flat(func(p *Profile) { p.Ground[4] = nan })),
		"an antenna below":    bullington(868e6, flat(func(p *Profile) { p.Ground[10] = 4 })),
		"no length":           clearance(868e6, flat(func(p *Profile) { p.Length = 0 })),
		"MHz for Hz here":     clearance(868, flat(func(*Profile) {})),
	} {
		var r *RangeError
		if !errors.As(err, &r) || r.Formula == "" || r.What == "" {
			t.Errorf("%s: %v, want a RangeError", name, err)
		}
	}
	err := only(Weissberger(868e6, 401))
	if got, want := err.Error(), "Weissberger (ECAC-TR-81-101): way through trees: found 401 m, expected 0 to 400 m"; got != want {
		t.Errorf("the error says %q, want %q", got, want)
	}
}

// BenchmarkBullington is one profile of 256 points.
func BenchmarkBullington(b *testing.B) {
	p := &Profile{Length: 1500, Ground: make([]float64, 256), From: 6, To: 2}
	for i := range p.Ground {
		p.Ground[i] = 2 * math.Sin(float64(i)/20)
	}
	p.To += p.Ground[255]
	for b.Loop() {
		if _, err := Bullington(868.3e6, p); err != nil {
			b.Fatal(err)
		}
	}
}
