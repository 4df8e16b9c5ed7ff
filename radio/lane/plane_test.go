package lane

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const references = "../../testdata/lane"

// lines are those of a file without its comments; a file without any is a failure.
func lines(t *testing.T, name string) (list []string) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(references, name))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		if !strings.HasPrefix(line, "#") {
			list = append(list, strings.TrimSpace(line))
		}
	}
	if len(list) == 0 {
		t.Fatalf("%s holds nothing", name)
	}
	return list
}

// TestPlane holds lengths and bearings in the plane against geodesics of GeographicLib: see testdata/lane/make_references.py.
func TestPlane(t *testing.T) {
	var worst, worstStep float64
	var before Point
	for _, line := range lines(t, "geodesics.txt") {
		var o, at LatLon
		var length, azimuth, step float64
		if _, err := fmt.Sscan(line, &o.Lat, &o.Lon, &at.Lat, &at.Lon, &length, &azimuth, &step); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		plane := NewPlane(o)
		p := plane.Local(at)
		sin, cos := math.Sincos(azimuth * math.Pi / 180)
		// The place that length and bearing tell is where the plane has it, but for what the plane is shorter.
		off := p.Distance(Point{length * sin, length * cos})
		worst = max(worst, off)
		if step > 0 {
			worstStep = max(worstStep, math.Abs(p.Distance(before)-step))
		}
		before = p
		back := plane.LatLon(p)
		if d := NewPlane(at).Distance(back); d > 1e-6 {
			t.Errorf("LatLon(Local(%v)) at the origin %v is %v, %.9f m away", at, o, back, d)
		}
	}
	t.Logf("off by %.4f m at the most, lengths between places by %.4f m", worst, worstStep)
	if worst > 0.0042 {
		t.Errorf("a place within 10 km is off by %.4f m, want at most 4.1 mm", worst)
	}
	if worstStep > 0.0083 {
		t.Errorf("a length between two places within 10 km is off by %.4f m, want at most 8.2 mm", worstStep)
	}
}

// TestPlaneAcrossTheDateLine: the 180th meridian is a line like another.
func TestPlaneAcrossTheDateLine(t *testing.T) {
	p := NewPlane(LatLon{-17, 179.999})
	a, b := p.Local(LatLon{-17, 179.9995}), p.Local(LatLon{-17, -179.9995})
	want := 0.001 * math.Pi / 180 * semiMajor / math.Sqrt(1-eccentricity2*math.Pow(math.Sin(17*math.Pi/180), 2)) * math.Cos(17*math.Pi/180)
	if got := a.Distance(b); math.Abs(got-want) > 1e-3 {
		t.Errorf("a thousandth of a degree across the line is %v m, want %v", got, want)
	}
	if at := p.LatLon(b); math.Abs(at.Lon+179.9995) > 1e-9 {
		t.Errorf("LatLon beyond the line = %v", at)
	}
}

// TestPlaneRoundTrip: LatLon and Local undo each other all over the earth.
func TestPlaneRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	for range 2000 {
		p := NewPlane(LatLon{rng.Float64()*180 - 90, rng.Float64()*360 - 180})
		want := Point{rng.Float64()*14000 - 7000, rng.Float64()*14000 - 7000}
		if got := p.Local(p.LatLon(want)); got.Distance(want) > 1e-6 {
			t.Fatalf("Local(LatLon(%v)) = %v", want, got)
		}
	}
}

func TestUnits(t *testing.T) {
	for text, want := range map[string]float64{"120 m": 120, "1.2 km": 1200, "80cm": 0.8, "35 ft": 35 * 0.3048, "-3.5 m": -3.5, "0 m": 0, ".5 m": .5} {
		var l Length
		if err := l.UnmarshalText([]byte(text)); err != nil || math.Abs(float64(l)-want) > 1e-12 {
			t.Errorf("length %q = %v, %v, want %v", text, float64(l), err, want)
		}
	}
	for _, text := range []string{"", "120", "m", "120 M", "1e3 m", "NaN m", "Inf m", "0x10 m", "1 2 m", "--1 m", "+-1 m", "1.2.3 m", "12  m", "12 m ", "1_0 m",
		"12 metres", "1,2 km", "999999999999999999999999 m"} {
		var l Length
		if err := l.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("length %q was read as %v", text, float64(l))
		}
	}
	var g Gain
	if err := g.UnmarshalText([]byte("0 dBd")); err != nil || g != 2.15 {
		t.Errorf("0 dBd = %v, %v, want 2.15 dBi", float64(g), err)
	}
	if err := g.UnmarshalText([]byte("-1.5 dBi")); err != nil || g != -1.5 {
		t.Errorf("-1.5 dBi = %v, %v", float64(g), err)
	}
	var loss Loss
	if err := loss.UnmarshalText([]byte("0.7 dB")); err != nil || loss != 0.7 || loss.UnmarshalText([]byte("0.7 dBi")) == nil {
		t.Errorf("0.7 dB = %v, %v", float64(loss), err)
	}
}

func TestPlaces(t *testing.T) {
	for text, want := range map[string]Place{
		"120 m E, 35 m N":              {Local: &Point{120, 35}},
		"1.2 km S, 35 ft W":            {Local: &Point{-35 * Foot, -1200}},
		"44.50120 N, 30.49830 W":       {Globe: &LatLon{44.5012, -30.4983}},
		"30.5 ° W , 44.5° S":           {Globe: &LatLon{-44.5, -30.5}},
		"0 m E,0 m N":                  {Local: &Point{0, 0}},
		"-20 m E, 3 m S":               {Local: &Point{-20, -3}},
		"90 N, 180 E":                  {Globe: &LatLon{90, 180}},
		"44.5 N, 30.49830000000001  W": {Globe: &LatLon{44.5, -30.49830000000001}},
	} {
		var p Place
		if err := p.UnmarshalText([]byte(text)); err != nil || show(p) != show(want) {
			t.Errorf("place %q = %s, %v, want %s", text, show(p), err, show(want))
		}
	}
	for _, text := range []string{"", ",", "120 m, 35 m", "120 E, 35 m N", "120 m E, 35 m E", "44.5, 30.5", "91 N, 0 E", "0 N, 181 E", "N, E",
		"44.5 N 30.5 W", "1 m N, 2 m E, 3 m", "44 30 N, 30 W", "NaN N, 0 E"} {
		var p Place
		if err := p.UnmarshalText([]byte(text)); err == nil {
			t.Errorf("place %q was read as %s", text, show(p))
		}
	}
}

func show(p Place) string {
	switch {
	case p.Local != nil:
		return fmt.Sprintf("%.6f %.6f", p.Local.East, p.Local.North)
	case p.Globe != nil:
		return fmt.Sprintf("%.9f° %.9f°", p.Globe.Lat, p.Globe.Lon)
	}
	return "nothing"
}

// FuzzPlace: whatever the text, a place is one of the two kinds, and finite.
func FuzzPlace(f *testing.F) {
	f.Add("120 m E, 35 m N")
	f.Add("44.50120° N, 30.49830 W")
	f.Fuzz(func(t *testing.T, text string) {
		var p Place
		if p.UnmarshalText([]byte(text)) != nil {
			return
		}
		if (p.Local == nil) == (p.Globe == nil) {
			t.Fatalf("%q is %s", text, show(p))
		}
		if p.Local != nil && math.IsInf(p.Local.East+p.Local.North, 0) || p.Globe != nil && !p.Globe.Valid() {
			t.Fatalf("%q is %s", text, show(p))
		}
	})
}
