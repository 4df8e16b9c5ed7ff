package beam

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestDwell: worked by hand from t = (L + w) / v, uniform motion as in any handbook of physics.
func TestDwell(t *testing.T) {
	for _, c := range []struct {
		length, width, speed, ms float64
	}{
		{4.5, 0.02, 30 / 3.6, 542.4}, // a car at 30 km/h: 4.52 m / 8.333 m/s
		{4.5, 0.05, 30 / 3.6, 546.0},
		{4.5, 0.10, 100 / 3.6, 165.6},
		{2.1, 0.05, 60 / 3.6, 129.0}, // a motorcycle
		{0.3, 0.02, 4, 80.0},         // somebody who runs
		{0.3, 0.05, 1.4, 250.0},      // and who walks
		{0.15, 0.02, 8, 21.25},       // a bird
		{0.06, 0.10, 3, 160.0 / 3},   // a leaf
	} {
		if got := Dwell(c.length, c.width, c.speed).Seconds() * 1000; got < c.ms-0.001 || got > c.ms+0.001 {
			t.Errorf("Dwell(%v, %v, %v) = %v ms, want %v", c.length, c.width, c.speed, got, c.ms)
		}
	}
	for _, still := range []float64{0, -1, 1e-12} {
		if got := Dwell(1, 0, still); got != Endless && still <= 0 || got < 0 {
			t.Errorf("Dwell(1, 0, %v) = %v, want %v", still, got, Endless)
		}
	}
}

const ms = time.Millisecond

var hundredth = 0.01 // no constant: the compiler multiplies these exactly

// mover is the one of that name.
func mover(t *testing.T, name string) Mover {
	t.Helper()
	i := slices.IndexFunc(DefaultMovers(), func(m Mover) bool { return m.Name == name })
	if i < 0 {
		t.Fatalf("no %s among the movers", name)
	}
	return DefaultMovers()[i]
}

// TestHeight: what a beam of 5 cm sees at each height, and for how long as a rule, each by one division by hand: (L + w) / v.
func TestHeight(t *testing.T) {
	for _, c := range []struct {
		name        string
		height      float64
		sees        string
		least, most time.Duration // usual, rounded to ms
		whole       bool
	}{
		{"leaf", 0.1, "body", 10 * ms, 75 * ms, true},
		{"leaf", 3, "body", 10 * ms, 75 * ms, true},
		{"person", 0.3, "one leg at a time", 16 * ms, 625 * ms, false}, // 0.13 m / 8 m/s, 0.30 m / 0.48 m/s
		{"person", 0.6, "body or one leg at a time", 16 * ms, 625 * ms, false},
		{"person", 0.7, "body", 63 * ms, 458 * ms, true},            // 0.25 m / 4 m/s, 0.55 m / 1.2 m/s
		{"person", 70 * hundredth, "body", 63 * ms, 458 * ms, true}, // 0.7000000000000001, as the lane file's "70 cm" is
		{"car", 70 * hundredth, "body", 335 * ms, 2775 * ms, true},
		{"person", 1.2, "body", 63 * ms, 458 * ms, true},
		{"person", 1.4, "body or head", 50 * ms, 458 * ms, false}, // 0.20 m / 4 m/s
		{"person", 1.7, "head or nothing", 50 * ms, 250 * ms, false},
		{"person", 2.1, "not at all", 0, 0, false},
		{"dog", 0.05, "one leg at a time", 8 * ms, 188 * ms, false},
		{"dog", 0.8, "head or nothing", 34 * ms, 200 * ms, false},
		{"dog", 1.2, "not at all", 0, 0, false},
		{"motorcycle", 0.1, "one wheel at a time", 0, 0, false},
		{"motorcycle", 0.7, "body", 0, 0, true},
		{"car", 0.1, "one wheel at a time", 35 * ms, 425 * ms, false}, // 0.35 m / 10 m/s, 0.85 m / 2 m/s
		{"car", 0.5, "body", 335 * ms, 2775 * ms, true},
		{"car", 0.9, "body or cabin (glass)", 155 * ms, 2775 * ms, false},
		{"car", 1.5, "cabin (glass) or nothing", 155 * ms, 2275 * ms, false},
		{"car", 2.0, "not at all", 0, 0, false},
	} {
		got := mover(t, c.name).At(c.height, 0.05)
		if got.String() != c.sees || got.Usual.Least.Round(ms) != c.least || got.Usual.Most.Round(ms) != c.most || got.Whole() != c.whole {
			t.Errorf("%s at %v m: %q, %v to %v, whole %v; want %q, %v to %v, %v", c.name, c.height, got, got.Usual.Least.Round(ms), got.Usual.Most.Round(ms), got.Whole(), c.sees, c.least, c.most, c.whole)
		}
	}
	custom := Mover{Name: "goat", Class: Walker, Length: Range{0.5, 1}, Usual: Range{1, 2}, Possible: Range{0, 5}}
	if got := custom.At(0.7, 0.05); !got.Unknown || !got.Whole() || !strings.Contains(got.String(), "height is not known") {
		t.Errorf("a mover of whom no height is known: %+v", got)
	}
}

// TestMoversHaveNoGap: the parts of each mover follow each other, so that nobody's waist is nowhere; the body alone is seen
// as the gateway judges it.
func TestMoversHaveNoGap(t *testing.T) {
	for _, m := range DefaultMovers() {
		bodies := 0
		for h := 0.01; h <= 4; h += 0.01 {
			s := m.At(h, UsualWidth)
			if len(s.Views) == 0 && h <= m.Body.High.Most {
				t.Errorf("%s: nothing at %.2f m", m.Name, h)
			}
			for _, v := range s.Views {
				if v.Body {
					bodies++
					if k := m.Kind(UsualWidth); v.Length != k.Length || v.Usual != k.Usual || v.Possible != k.Possible {
						t.Errorf("%s at %.2f m: %v and %v, the gateway's kind has %v and %v", m.Name, h, v.Usual, v.Possible, k.Usual, k.Possible)
					}
				}
			}
		}
		if bodies == 0 {
			t.Errorf("%s: no height at which a beam sees a body", m.Name)
		}
	}
}

// TestMinimum: the setting keeps out debris where it can, and misses nobody where it cannot.
func TestMinimum(t *testing.T) {
	at := func(height float64, names ...string) Minimum {
		var sights []Sight
		for _, n := range names {
			sights = append(sights, mover(t, n).At(height, UsualWidth))
		}
		return MinimumOf(sights)
	}
	for _, c := range []struct {
		name      string
		got       Minimum
		set       time.Duration
		separates bool
		by        string
	}{
		{"cars alone", at(0.5, "leaf", "bird", "car"), 95 * ms, true, "car"},               // above a bird's 90 ms
		{"people too", at(0.7, "leaf", "bird", "person", "car"), 60 * ms, false, "person"}, // below a runner's 62.5 ms
		{"legs", at(0.3, "leaf", "bird", "person", "car"), 15 * ms, false, "person"},       // below 16.25 ms
		{"a motorcycle is not usual", at(0.7, "leaf", "motorcycle"), 80 * ms, true, ""},
		{"a dog is no arrival", at(0.7, "leaf", "bird", "dog", "car"), 95 * ms, true, "car"},
		{"too high for anybody", at(5, "leaf", "bird", "person", "car"), 95 * ms, true, ""},
	} {
		if c.got.Set != c.set || c.got.Separates() != c.separates || c.got.By != c.by || c.got.Set%Step != 0 {
			t.Errorf("%s: %+v, separates %v; want %v, %v, by %q", c.name, c.got, c.got.Separates(), c.set, c.separates, c.by)
		}
	}
	runner := mover(t, "person").At(0.7, UsualWidth)
	if v := runner.MissedAbove(60 * ms); math.Abs(v-0.25/0.06) > 1e-9 {
		t.Errorf("a minimum dwell of 60 ms misses who runs faster than %v m/s, want 0.25 m / 60 ms", v)
	}
	if v := mover(t, "dog").At(2, UsualWidth).MissedAbove(60 * ms); !math.IsInf(v, 1) {
		t.Errorf("a dog below the beam is missed from %v m/s on", v)
	}
}

// TestLimits: each dwell lies in one limit, and is judged as it says at both of its ends.
func TestLimits(t *testing.T) {
	kinds := Kinds(DefaultMovers(), UsualWidth)
	list := Limits(kinds)
	next := time.Duration(0)
	for _, l := range list {
		if l.Least != next || l.Most < l.Least {
			t.Fatalf("%v to %v follows what ended before %v", l.Least, l.Most, next)
		}
		for _, d := range []time.Duration{l.Least, l.Most} {
			if j := Judge(kinds, Span{d, d}); j.String() != l.Judgement.String() || j.Confidence != l.Confidence {
				t.Errorf("%v: %v, the limit has %v", d, j, l.Judgement)
			}
		}
		next = l.Most + 1
	}
	if last := list[len(list)-1]; last.Most != Endless || len(list) < 6 {
		t.Errorf("%d limits, the last up to %v", len(list), last.Most)
	}
}

// TestBest: a beam at 70 cm sees the bodies of a person, a motorcycle and a car; none sees those of a small dog and of a
// person.
func TestBest(t *testing.T) {
	if got, any := Best([]Mover{mover(t, "person"), mover(t, "motorcycle"), mover(t, "car")}); !any || got != (Range{0.7, 0.7}) {
		t.Errorf("%v, %v", got, any)
	}
	if got, any := Best([]Mover{mover(t, "person"), mover(t, "dog")}); any {
		t.Errorf("a height for a person and every dog: %v", got)
	}
}
