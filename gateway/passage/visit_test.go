package passage

import (
	"fmt"
	"longlane/radio/beam"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
)

// gone is a passage, so many minutes after noon, of something judged so; a length of 0 was not measured.
func gone(minutes float64, d Direction, j beam.Judgement, length float64) Passage {
	p := Passage{Breaks: []Break{at(fmt.Sprint(minutes), "road", 60*minutes, 0.5, 0.5)}, Direction: d, Judgement: j}
	if length > 0 {
		p.Length = Measure{length, beam.Range{Least: length * 0.95, Most: length * 1.05}}
	}
	return p
}

var (
	aVehicle = beam.Judgement{Class: beam.Vehicle, Confidence: beam.Likely, Possible: []beam.Class{beam.Walker, beam.Vehicle}}
	aLorry   = beam.Judgement{Class: beam.Vehicle, Confidence: beam.Sure, Possible: []beam.Class{beam.Vehicle}}
	aWalker  = beam.Judgement{Class: beam.Walker, Confidence: beam.Likely, Possible: []beam.Class{beam.Walker, beam.Vehicle}}
	surelyA  = beam.Judgement{Class: beam.Walker, Confidence: beam.Sure, Possible: []beam.Class{beam.Walker}}
	anything = beam.Judgement{Class: beam.NoClass, Confidence: beam.CannotTell, Possible: []beam.Class{beam.Debris, beam.Walker, beam.Vehicle}}
	aLeaf    = beam.Judgement{Class: beam.Debris, Confidence: beam.Sure, Possible: []beam.Class{beam.Debris}}
)

// write shows stays by the passages' numbers.
func (s Stays) write() string {
	var b strings.Builder
	for _, v := range s.Visits {
		fmt.Fprintf(&b, "%d-%d %v %v; ", v.Arrival, v.Departure, v.Confidence, v.Stay.Least.Round(time.Second))
	}
	for _, d := range s.Doubtful {
		fmt.Fprintf(&b, "%d of %v; ", d.Departure, d.Arrivals)
	}
	for _, o := range s.Open {
		fmt.Fprintf(&b, "open %d", o.Arrival)
		if len(o.Gone) > 0 {
			fmt.Fprintf(&b, " or %v", o.Gone)
		}
		if o.Left {
			b.WriteString(" left")
		}
		b.WriteString("; ")
	}
	if len(s.Unmet) > 0 {
		fmt.Fprintf(&b, "unmet %v; ", s.Unmet)
	}
	return strings.TrimSuffix(b.String(), "; ")
}

// TestStays is the table of who came and went. Stays are as long as the times say, less the second by which two of them may be wrong.
func TestStays(t *testing.T) {
	const week = 7 * 24 * 60.0
	for _, c := range []struct {
		name string
		p    []Passage
		want string
	}{
		{"nobody", nil, ""},
		{"a visit", []Passage{gone(0, In, aLorry, 0), gone(5, Out, aLorry, 0)}, "0-1 sure 4m59s"},
		{"of who is likely a car", []Passage{gone(0, In, aVehicle, 0), gone(5, Out, aVehicle, 0)}, "0-1 sure 4m59s"},
		{"somebody is inside", []Passage{gone(0, In, aVehicle, 0)}, "open 0"},
		{"somebody was inside", []Passage{gone(0, Out, aVehicle, 0)}, "unmet [0]"},
		{"out before in", []Passage{gone(0, Out, aVehicle, 0), gone(5, In, aVehicle, 0)}, "open 1; unmet [0]"},
		{"two in, one out", []Passage{gone(0, In, aVehicle, 0), gone(1, In, aVehicle, 0), gone(5, Out, aVehicle, 0)}, "2 of [0 1]; open 0 or [2]; open 1 or [2]"},
		{"two in, two out", []Passage{gone(0, In, aVehicle, 0), gone(1, In, aVehicle, 0), gone(5, Out, aVehicle, 0), gone(6, Out, aVehicle, 0)},
			"2 of [0 1]; 3 of [0 1]; open 0 or [2 3] left; open 1 or [2 3] left"},
		{"one after the other", []Passage{gone(0, In, aVehicle, 0), gone(1, Out, aVehicle, 0), gone(5, In, aVehicle, 0), gone(6, Out, aVehicle, 0)}, "0-1 sure 59s; 2-3 sure 59s"},
		{"by length", []Passage{gone(0, In, aVehicle, 4.2), gone(1, In, aVehicle, 5.5), gone(5, Out, aVehicle, 5.4), gone(6, Out, aVehicle, 4.3)}, "1-2 likely 3m59s; 0-3 likely 5m59s"},
		{"by who is left", []Passage{gone(0, In, aVehicle, 4.2), gone(1, In, aVehicle, 9), gone(5, Out, aVehicle, 0), gone(6, Out, aVehicle, 4.2)}, "1-2 likely 3m59s; 0-3 likely 5m59s"},
		{"a walker and a car", []Passage{gone(0, In, aWalker, 0), gone(1, In, aVehicle, 0), gone(5, Out, aVehicle, 0), gone(6, Out, aWalker, 0)}, "1-2 likely 3m59s; 0-3 likely 5m59s"},
		{"a walker and a lorry, for sure", []Passage{gone(0, In, surelyA, 0), gone(1, In, aLorry, 0), gone(5, Out, aLorry, 0), gone(6, Out, surelyA, 0)}, "1-2 sure 3m59s; 0-3 sure 5m59s"},
		{"a walker is not a lorry", []Passage{gone(0, In, surelyA, 0), gone(5, Out, aLorry, 0)}, "open 0; unmet [1]"},
		{"whoever it was", []Passage{gone(0, In, aWalker, 0), gone(1, In, aVehicle, 0), gone(5, Out, anything, 0)}, "2 of [0 1]; open 0 or [2]; open 1 or [2]"},
		{"one may have been inside before", []Passage{gone(0, In, aVehicle, 0), gone(5, Out, aVehicle, 0), gone(6, Out, aVehicle, 0)}, "0-1 likely 4m59s; unmet [2]"},
		{"a direction not known may be the arrival", []Passage{gone(0, In, aVehicle, 0), gone(1, NoDirection, aVehicle, 0), gone(5, Out, aVehicle, 0)}, "2 of [0 1]; open 0 or [2 1]"},
		{"or the departure", []Passage{gone(0, In, aVehicle, 0), gone(5, NoDirection, aVehicle, 0)}, "open 0 or [1]"},
		{"but not if it was before", []Passage{gone(0, NoDirection, aVehicle, 0), gone(5, In, aVehicle, 0)}, "open 1"},
		{"leaves do not visit", []Passage{gone(0, In, aLeaf, 0), gone(5, Out, aLeaf, 0)}, ""},
		{"too long ago", []Passage{gone(0, In, aVehicle, 0), gone(week+1, Out, aVehicle, 0)}, "open 0; unmet [1]"},
		{"not quite", []Passage{gone(0, In, aVehicle, 0), gone(week, Out, aVehicle, 0)}, "0-1 sure 167h59m59s"},
		{"in any order", []Passage{gone(5, Out, aVehicle, 0), gone(0, In, aVehicle, 0)}, "1-0 sure 4m59s"},
	} {
		if got := StaysOf(Defaults(), c.p).write(); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// TestStaysExhaustively: for small records, what is possible is what some way to explain as many departures as possible has, found by trying all of them.
func TestStaysExhaustively(t *testing.T) {
	const seed = 8
	r := rand.New(rand.NewPCG(seed, 0))
	doubtful, visits := 0, 0
	for n := range 20000 {
		var p []Passage
		for i := range 1 + r.IntN(8) {
			j := []beam.Judgement{aVehicle, aLorry, aWalker, surelyA, anything}[r.IntN(5)]
			p = append(p, gone(float64(i), Direction(min(r.IntN(5), 4))%3, j, []float64{0, 3, 3.2, 4}[r.IntN(4)]))
		}
		got := StaysOf(Defaults(), p)
		y := newYard(Defaults(), p, alike)
		covered, from := explain(y)
		for _, d := range y.departures {
			if !slices.Equal(y.from[d], from[d]) {
				t.Fatalf("seed %d, record %d: departure %d may be of %v, want %v, of %+v", seed, n, d, y.from[d], from[d], p)
			}
			if covered[d] == slices.Contains(got.Unmet, d) {
				t.Fatalf("seed %d, record %d: departure %d is explained: %v, and unmet are %v", seed, n, d, covered[d], got.Unmet)
			}
		}
		doubtful, visits = doubtful+len(got.Doubtful), visits+len(got.Visits)
		once(t, p, got)
	}
	t.Logf("seed %d: %d visits, %d doubtful departures", seed, visits, doubtful)
	if doubtful < 1000 || visits < 1000 {
		t.Error("too few for this to prove anything")
	}
}

// explain tries all ways to give departures arrivals, and of those takes the ones that explain the earliest departures, one after the other.
func explain(y *yard) (covered map[int]bool, from map[int][]int) {
	type way struct {
		of  []int // by departure; -1: none
		has []bool
	}
	var ways []way
	var try func(i int, of []int, taken map[int]bool)
	try = func(i int, of []int, taken map[int]bool) {
		if i == len(y.departures) {
			w := way{of: slices.Clone(of)}
			for _, a := range of {
				w.has = append(w.has, a >= 0)
			}
			ways = append(ways, w)
			return
		}
		try(i+1, append(of, -1), taken)
		for _, a := range y.edges[y.departures[i]] {
			if !taken[a] {
				taken[a] = true
				try(i+1, append(of, a), taken)
				delete(taken, a)
			}
		}
	}
	try(0, nil, map[int]bool{})
	better := func(a, b way) int {
		for i := range a.has {
			if a.has[i] != b.has[i] {
				if a.has[i] {
					return -1
				}
				return 1
			}
		}
		return 0
	}
	best := slices.MinFunc(ways, better)
	covered, from = map[int]bool{}, map[int][]int{}
	for i, d := range y.departures {
		covered[d] = best.has[i]
		for _, w := range ways {
			if a := w.of[i]; better(w, best) == 0 && a >= 0 && !slices.Contains(from[d], a) {
				from[d] = append(from[d], a)
			}
		}
		slices.SortFunc(from[d], func(a, b int) int { return slices.Index(y.edges[d], a) - slices.Index(y.edges[d], b) })
	}
	return covered, from
}

// once: each arrival and each departure is in one place.
func once(t *testing.T, p []Passage, s Stays) {
	t.Helper()
	places := map[int]int{}
	for _, v := range s.Visits {
		places[v.Arrival]++
		places[v.Departure]++
	}
	for _, d := range s.Doubtful {
		places[d.Departure]++
	}
	for _, o := range s.Open {
		places[o.Arrival]++
	}
	for _, d := range s.Unmet {
		places[d]++
	}
	for i := range p {
		want := 1
		if p[i].Direction == NoDirection || p[i].Judgement.Class == beam.Debris {
			want = 0
		}
		if places[i] != want {
			t.Fatalf("passage %d is in %d places, want %d: %s", i, places[i], want, s.write())
		}
	}
}

// TestSureStays: where all who came and went were seen, and nobody was inside before, a visit that is sure is one, though some went in a direction
// that was not told, and some are likely what they are not. Of what is likely most is so.
func TestSureStays(t *testing.T) {
	sure, likely, right := 0, 0, 0
	for seed := range uint64(500) {
		r := rand.New(rand.NewPCG(seed, 6))
		var p []Passage
		var who []int // of whom each is
		now := 0.0
		var inside []int
		lengths, kinds := map[int]float64{}, map[int]beam.Class{}
		for len(p) < 60 {
			now += 0.1 + 20*r.ExpFloat64()
			d, n := In, len(p)
			if len(inside) > 0 && r.IntN(2) == 0 {
				i := r.IntN(len(inside))
				d, n = Out, inside[i]
				inside = slices.Delete(inside, i, i+1)
			} else {
				inside = append(inside, n)
				kinds[n] = beam.Walker + beam.Class(r.IntN(2))
				lengths[n] = 3 + 5*r.Float64()
			}
			other := beam.Walker + beam.Vehicle - kinds[n]
			j := beam.Judgement{Class: kinds[n], Confidence: beam.Sure, Possible: []beam.Class{kinds[n]}}
			switch r.IntN(100) {
			case 0, 1: // that what is likely is not so is rare
				j = beam.Judgement{Class: other, Confidence: beam.Likely, Possible: []beam.Class{beam.Walker, beam.Vehicle}}
			case 2, 3, 4, 5:
				j = beam.Judgement{Class: beam.NoClass, Confidence: beam.CannotTell, Possible: []beam.Class{beam.Walker, beam.Vehicle}}
			default:
				if seed%2 == 0 {
					j = beam.Judgement{Class: kinds[n], Confidence: beam.Likely, Possible: []beam.Class{beam.Walker, beam.Vehicle}}
				}
			}
			q := gone(now, d, j, lengths[n]*float64(r.IntN(2)))
			if r.IntN(50) == 0 {
				q.Direction = NoDirection
			}
			p, who = append(p, q), append(who, n)
		}
		got := StaysOf(Defaults(), p)
		once(t, p, got)
		for _, v := range got.Visits {
			switch same := who[v.Arrival] == who[v.Departure]; {
			case v.Confidence == beam.Sure && !same:
				t.Fatalf("seed %d: %d-%d is told to be sure and is none", seed, v.Arrival, v.Departure)
			case v.Confidence == beam.Sure:
				sure++
			case same:
				likely, right = likely+1, right+1
			default:
				likely++
			}
			if v.Stay.Least < 0 || v.Stay.Most-v.Stay.Least > 2*time.Second {
				t.Fatalf("seed %d: %+v", seed, v)
			}
		}
	}
	t.Logf("%d sure visits, all right; %d likely ones, of which %d are right", sure, likely, right)
	if sure < 100 || likely < 100 || right < likely*9/10 {
		t.Error("too little for this to prove anything")
	}
}

// TestYear: a busy year is judged in a moment.
func TestYear(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	var p []Passage
	for day := range 365 {
		for range 20 {
			m := float64(day)*24*60 + 24*60*r.Float64()
			p = append(p, gone(m, In, aVehicle, 3+5*r.Float64()), gone(m+60*r.Float64(), Out, aVehicle, 0))
		}
	}
	once(t, p, StaysOf(Defaults(), p))
}
