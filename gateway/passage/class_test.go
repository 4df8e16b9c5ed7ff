package passage

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/radio/beam"
)

// TestLimits: what the defaults come to, in ms. Each is one division of DefaultMovers' figures, done by hand.
func TestLimits(t *testing.T) {
	var got strings.Builder
	ms := func(s beam.Span) string {
		if s.Most == beam.Endless {
			return fmt.Sprintf("%.0f on", s.Least.Seconds()*1000)
		}
		return fmt.Sprintf("%.0f to %.0f", s.Least.Seconds()*1000, s.Most.Seconds()*1000)
	}
	for _, k := range Defaults().Kinds {
		fmt.Fprintf(&got, "%s: %s, usual %s, possible %s\n", k.Class, k.Name, ms(k.Usual), ms(k.Possible))
	}
	want := `debris: leaf, usual 10 to 75, possible 4 to 150
debris: bird, usual 10 to 90, possible 6 to 150
animal or person: person, usual 62 to 458, possible 28 on
animal or person: dog, usual 70 to 475, possible 23 on
animal or person: deer, horse, cow, usual 0 to 0, possible 53 on
vehicle: bicycle, usual 0 to 0, possible 111 on
vehicle: motorcycle, usual 0 to 0, possible 62 on
vehicle: car, usual 335 to 2775, possible 112 on
vehicle: van, lorry, tractor, usual 569 to 9425, possible 182 on
`
	if got.String() != want {
		t.Errorf("got\n%swant\n%s", got.String(), want)
	}
	if err := Defaults().Check(); err != nil {
		t.Error(err)
	}
}

// TestClassOfDwell tries each limit of the defaults from both sides.
func TestClassOfDwell(t *testing.T) {
	s := Defaults()
	for _, c := range []struct {
		dwell, off time.Duration // ms
		class      beam.Class
		confidence beam.Confidence
		possible   []beam.Class
	}{
		{1, 0, beam.NoClass, beam.CannotTell, nil}, // nothing is so short: a spider on the lens, a fault
		{20, 0, beam.Debris, beam.Sure, []beam.Class{beam.Debris}},
		{22, 0, beam.Debris, beam.Sure, []beam.Class{beam.Debris}},
		{22, 2, beam.Debris, beam.Likely, []beam.Class{beam.Debris, beam.Walker}}, // it may have been 24 ms, and a dog at full speed
		{24, 0, beam.Debris, beam.Likely, []beam.Class{beam.Debris, beam.Walker}},
		{61, 0, beam.Debris, beam.Likely, []beam.Class{beam.Debris, beam.Walker}},
		{63, 0, beam.NoClass, beam.CannotTell, []beam.Class{beam.Debris, beam.Walker, beam.Vehicle}}, // a motorcycle that races, a runner, a leaf
		{90, 0, beam.NoClass, beam.CannotTell, []beam.Class{beam.Debris, beam.Walker, beam.Vehicle}},
		{91, 0, beam.Walker, beam.Likely, []beam.Class{beam.Debris, beam.Walker, beam.Vehicle}},
		{151, 0, beam.Walker, beam.Likely, []beam.Class{beam.Walker, beam.Vehicle}},
		{250, 0, beam.Walker, beam.Likely, []beam.Class{beam.Walker, beam.Vehicle}},
		{334, 0, beam.Walker, beam.Likely, []beam.Class{beam.Walker, beam.Vehicle}},
		{334, 2, beam.NoClass, beam.CannotTell, []beam.Class{beam.Walker, beam.Vehicle}},
		{336, 0, beam.NoClass, beam.CannotTell, []beam.Class{beam.Walker, beam.Vehicle}},
		{475, 0, beam.NoClass, beam.CannotTell, []beam.Class{beam.Walker, beam.Vehicle}},
		{476, 0, beam.Vehicle, beam.Likely, []beam.Class{beam.Walker, beam.Vehicle}},
		{546, 1, beam.Vehicle, beam.Likely, []beam.Class{beam.Walker, beam.Vehicle}}, // a car at 30 km/h
		{9425, 0, beam.Vehicle, beam.Likely, []beam.Class{beam.Walker, beam.Vehicle}},
		{9426, 0, beam.NoClass, beam.CannotTell, []beam.Class{beam.Walker, beam.Vehicle}}, // whoever it is stands in the beam
		{3600000, 0, beam.NoClass, beam.CannotTell, []beam.Class{beam.Walker, beam.Vehicle}},
		{-1, 0, beam.NoClass, beam.CannotTell, []beam.Class{beam.Debris, beam.Walker, beam.Vehicle}}, // not known
	} {
		got := s.OfDwell(c.dwell*time.Millisecond, c.off*time.Millisecond)
		if got.Class != c.class || got.Confidence != c.confidence || !slices.Equal(got.Possible, c.possible) {
			t.Errorf("%d ms give or take %d: %v, %v, of %v; want %v, %v, of %v", c.dwell, c.off, got.Class, got.Confidence, got.Possible, c.class, c.confidence, c.possible)
		}
	}
	if got := s.OfDwell(beam.Endless, beam.Endless); got.Class != beam.NoClass {
		t.Errorf("the longest dwell there is: %v", got)
	}
}

// TestNarrower: who knows that no large animal and no walker comes here, and how slow cars are, is told more.
func TestNarrower(t *testing.T) {
	s := Defaults()
	s.Kinds = []beam.Kind{
		beam.Mover{Name: "leaf", Class: beam.Debris, Length: beam.Range{Least: 0.03, Most: 0.1}, Usual: beam.Range{Least: 2, Most: 8}, Possible: beam.Range{Least: 1, Most: 20}}.Kind(0.05),
		beam.Mover{Name: "car", Class: beam.Vehicle, Length: beam.Range{Least: 3.3, Most: 5.5}, Usual: beam.Range{Least: 2, Most: 10}, Possible: beam.Range{Least: 0, Most: 20}}.Kind(0.05)}
	if err := s.Check(); err != nil {
		t.Fatal(err)
	}
	for ms, want := range map[time.Duration]beam.Class{75: beam.Debris, 546: beam.Vehicle, 60000: beam.Vehicle} {
		if got := s.OfDwell(ms*time.Millisecond, 0); got.Class != want || got.Confidence != beam.Sure {
			t.Errorf("%d ms: %v, want %v, for sure", ms, got, want)
		}
	}
	s.Kinds[1].Possible.Least = 400 * time.Millisecond // limits may be set in ms as well
	s.Kinds[1].Usual.Least = 400 * time.Millisecond
	if got := s.OfDwell(390*time.Millisecond, 0); got.Class != beam.NoClass || len(got.Possible) != 0 {
		t.Errorf("390 ms: %v, want what cannot be", got)
	}
}

// TestClassNeverWrong: whoever passes as the settings say is among what is possible, so what is sure is so. Of those who pass as usual, what is likely
// is mostly so; the share is printed.
func TestClassNeverWrong(t *testing.T) {
	const seed = 11
	r := rand.New(rand.NewPCG(seed, 0))
	s := Defaults()
	draw := func(g beam.Range) float64 { return g.Least + (g.Most-g.Least)*r.Float64() }
	told, right, sure := 0, 0, 0
	for range 200000 {
		m := beam.DefaultMovers()[r.IntN(len(beam.DefaultMovers()))]
		speed, usual := m.Possible, m.Usual != beam.Range{} && r.IntN(2) == 0
		if usual {
			speed = m.Usual
		}
		off := time.Duration(r.Int64N(int64(20 * time.Millisecond)))
		dwell := beam.Dwell(draw(m.Length), s.Width, draw(speed)) + time.Duration((2*r.Float64()-1)*float64(off))
		got := s.OfDwell(max(dwell, 0), off)
		if !got.May(m.Class) || got.Confidence == beam.Sure && got.Class != m.Class {
			t.Fatalf("seed %d: a %s of %v is judged %v", seed, m.Name, dwell, got)
		}
		if (got.Class == beam.NoClass) != (got.Confidence == beam.CannotTell) {
			t.Fatalf("%+v", got)
		}
		if got.Confidence == beam.Sure {
			sure++
		}
		if usual && got.Confidence == beam.Likely {
			told++
			if got.Class == m.Class {
				right++
			}
		}
	}
	t.Logf("seed %d: of %d who passed as usual and of whom something was likely, %.4f were that; %d were sure", seed, told, float64(right)/float64(told), sure)
	if told == 0 || sure == 0 || right != told {
		t.Errorf("%d of %d right, %d sure: who passes as usual is likely what he is, if anything is", right, told, sure)
	}
}

// TestCheck: each setting that makes no sense is refused by its name.
func TestCheck(t *testing.T) {
	for name, change := range map[string]func(s *Settings){
		"Width":             func(s *Settings) { s.Width = 2 },
		"Kinds":             func(s *Settings) { s.Kinds = nil },
		"Slowest":           func(s *Settings) { s.Slowest = 0 },
		"Fastest":           func(s *Settings) { s.Fastest = 0.5 },
		"Steady":            func(s *Settings) { s.Steady = 0.9 },
		"Vague":             func(s *Settings) { s.Vague = 1 },
		"LongestStay":       func(s *Settings) { s.LongestStay = 0 },
		"Kinds[0].Class":    func(s *Settings) { s.Kinds[0].Class = beam.NoClass },
		"Kinds[1].Length":   func(s *Settings) { s.Kinds[1].Length = beam.Range{Least: 2, Most: 1} },
		"Kinds[2].Possible": func(s *Settings) { s.Kinds[2].Possible = beam.Span{} },
		"Kinds[7].Usual":    func(s *Settings) { s.Kinds[7].Usual.Least = 1 },
	} {
		s := Defaults()
		change(&s)
		if err := s.Check(); err == nil || !strings.Contains(err.Error(), name+" ") {
			t.Errorf("%s: %v", name, err)
		}
	}
}
