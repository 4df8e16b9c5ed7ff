package lane

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// TestOutline: through outlines of up to some thousand corners, with holes, a way finds what it finds by looking at every edge, to the last bit, and so does a point; also where corners lie
// on the way, or as far north as the point.
func TestOutline(t *testing.T) {
	const seed = 9
	rng := rand.New(rand.NewPCG(seed, 9))
	inside, many := 0, 0
	for range 150 {
		n := 3 + rng.IntN(1<<rng.IntN(12))
		ragged := func(n int, r float64) (ring []Point) {
			for i := range n {
				sin, cos := math.Sincos(2 * math.Pi * float64(i) / float64(n))
				far := r * (0.7 + 0.3*rng.Float64())
				ring = append(ring, Point{math.Round(far * cos), math.Round(far * sin)}) // so that corners share rows, and ways meet them
			}
			return ring
		}
		a := Area{ragged(n, 400), ragged(3+n/2, 200)}
		o := outlineOf(a)
		all := outline{edges: o.edges, runs: []box{{Point{-1e9, -1e9}, Point{1e9, 1e9}}}}
		for len(all.runs) < len(o.runs) {
			all.runs = append(all.runs, all.runs[0]) // no box rules anything out
		}
		if o.box() != a.box() {
			t.Fatalf("seed %d: the box is %v, want %v", seed, o.box(), a.box())
		}
		for range 40 {
			at := func() Point { return Point{math.Round(rng.Float64()*1000 - 500), math.Round(rng.Float64()*1000 - 500)} }
			p, q := at(), at()
			if rng.IntN(4) == 0 {
				q.North = p.North
			}
			got, _ := o.within(p, q, nil)
			want, _ := all.within(p, q, nil)
			if !slices.Equal(got, want) {
				t.Fatalf("seed %d: %v to %v is inside %v, by every edge %v", seed, p, q, got, want)
			}
			if o.contains(p) != a.contains(p) {
				t.Fatalf("seed %d: %v is inside or not, wrongly", seed, p)
			}
			if len(got) > 0 {
				inside++
			}
			if len(got) > 3 {
				many++
			}
		}
	}
	if inside < 1000 || many < 100 {
		t.Errorf("%d ways lead inside, %d more than three times: too few to tell", inside, many)
	}
}

// TestOutlineLooksAtFew: what makes it fast. Of 20,000 edges a way looks at a hundredth, on the average.
func TestOutlineLooksAtFew(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	a := Area{nil}
	for i := range MaxCorners {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / MaxCorners)
		r := 1000 + 3*rng.Float64()
		a[0] = append(a[0], Point{r * cos, r * sin})
	}
	o := outlineOf(a)
	looked := 0
	const ways = 1000
	for range ways {
		p, q := Point{rng.Float64()*3000 - 1500, rng.Float64()*3000 - 1500}, Point{rng.Float64()*3000 - 1500, rng.Float64()*3000 - 1500}
		o.near(func(b box) bool { return b.meets(p, q) }, func(edge) { looked++ })
	}
	if each := looked / ways; each == 0 || each > MaxCorners/100 {
		t.Errorf("a way looks at %d of %d edges", each, MaxCorners)
	}
}
