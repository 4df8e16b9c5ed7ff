package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// randomNetwork is a network as a lane has it: places on a strip, with hops between those that are near.
func randomNetwork(r *rand.Rand, relays, terminals int, least float64) *network {
	n := &network{hops: 1 + r.IntN(MaxHops), near: make([][]int, relays)}
	type point struct{ x, y float64 }
	at := func() point { return point{r.Float64() * 2.5, r.Float64()} }
	reach := least + 0.8*r.Float64()
	near := func(a, b point) bool { return math.Hypot(a.x-b.x, a.y-b.y) < reach*(0.7+0.6*r.Float64()) }
	home := point{0, 0.5}
	places := make([]point, relays)
	for v := range places {
		places[v] = at()
		n.cost = append(n.cost, []float64{0, 120, 220, 160, 100 * r.Float64()}[r.IntN(5)])
		n.root = append(n.root, near(places[v], home))
		for u := range v {
			if near(places[u], places[v]) {
				n.near[u], n.near[v] = append(n.near[u], v), append(n.near[v], u)
			}
		}
	}
	for range terminals {
		p := at()
		var reach []int
		for v, at := range places {
			if near(p, at) {
				reach = append(reach, v)
			}
		}
		n.reach = append(n.reach, reach)
		n.direct = append(n.direct, near(p, home))
		other := math.Inf(1)
		if r.IntN(3) == 0 {
			other = []float64{-30, 110, 300 * r.Float64()}[r.IntN(3)]
		}
		n.other = append(n.other, other)
	}
	return n
}

// exhaustive tries each set of relays, by walks and nothing else.
func (n *network) exhaustive() float64 {
	best := math.Inf(1)
	for set := range 1 << len(n.cost) {
		sum := 0.0
		far := make([]int, len(n.cost)) // hops to the root; 0: none known
		for v := range far {
			if set>>v&1 == 1 {
				sum += n.cost[v]
				if n.root[v] {
					far[v] = 1
				}
			}
		}
		for range n.hops {
			for v := range far {
				for _, u := range n.near[v] {
					if set>>v&1 == 1 && far[u] > 0 && (far[v] == 0 || far[u]+1 < far[v]) {
						far[v] = far[u] + 1
					}
				}
			}
		}
		for t := range n.reach {
			served := n.direct[t] || slices.ContainsFunc(n.reach[t], func(v int) bool { return far[v] > 0 && far[v] < n.hops })
			if served {
				sum += min(0, n.other[t])
			} else {
				sum += n.other[t]
			}
		}
		best = min(best, sum)
	}
	return best
}

// verify says what is wrong with a solution.
func (n *network) verify(s solution) error {
	d := n.distances(member(len(n.cost), s.relays))
	cost := 0.0
	for _, v := range s.relays {
		cost += n.cost[v]
	}
	for t := range n.reach {
		switch {
		case s.other[t]:
			cost += n.other[t]
		case n.enter(t, d) > 0:
			return fmt.Errorf("terminal %d is not served by %v", t, s.relays)
		}
	}
	if math.Abs(cost-s.cost) > 1e-6 {
		return fmt.Errorf("%v costs %v, told are %v", s.relays, cost, s.cost)
	}
	return nil
}

// TestCheapest: on small networks the answer costs what the best of all sets costs, is told to be proven, and serves all.
func TestCheapest(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 0))
	impossible, dear := 0, 0
	for i := range 1500 {
		n := randomNetwork(r, 1+r.IntN(10), 1+r.IntN(7), 0.5)
		want, got := n.exhaustive(), n.solve()
		if math.IsInf(want, 1) != (got.unserved != nil) {
			t.Fatalf("seed %d, network %d: the best of all costs %v, unserved are %v", seed, i, want, got.unserved)
		}
		if got.unserved != nil {
			impossible++
			continue
		}
		if math.Abs(got.cost-want) > 1e-6 || math.Abs(got.bound-want) > 1e-6 {
			t.Fatalf("seed %d, network %d: %+v, the best of all costs %v", seed, i, got, want)
		}
		if err := n.verify(got); err != nil {
			t.Fatalf("seed %d, network %d: %v", seed, i, err)
		}
		if want > 0 {
			dear++
		}
	}
	if impossible < 100 || dear < 300 {
		t.Errorf("%d networks were impossible and %d cost something: that proves little", impossible, dear)
	}
}

// TestHeuristic: what is used for many terminals serves all, never costs less than the best of all sets, and its bound never more; on
// most small networks it finds the best.
func TestHeuristic(t *testing.T) {
	const seed = 6
	r := rand.New(rand.NewPCG(seed, 0))
	best, all := 0, 0
	for i := range 1200 {
		n := randomNetwork(r, 2+r.IntN(9), 2+r.IntN(8), 0.5)
		for k := range n.other {
			n.other[k] = max(n.other[k], 1)
		}
		want := n.exhaustive()
		if math.IsInf(want, 1) {
			continue
		}
		var open []int
		d := n.distances(func(int) float64 { return 0 })
		base := 0.0
		for k := range n.reach {
			switch {
			case n.direct[k]:
			case math.IsInf(n.enter(k, d), 1):
				base += n.other[k]
			default:
				open = append(open, k)
			}
		}
		_, _, cost := n.heuristic(open)
		if len(open) == 0 {
			cost = 0
		}
		if bound := n.shares(open); cost+base < want-1e-6 || bound+base > want+1e-6 {
			t.Fatalf("seed %d, network %d: heuristic %v, bound %v, the best of all costs %v", seed, i, cost+base, bound+base, want)
		}
		if all++; cost+base < want+1e-6 {
			best++
		}
	}
	if all < 200 || best < all*95/100 {
		t.Errorf("the heuristic found the best in %d of %d", best, all)
	}
}

// TestLargeNetworks: with 200 relays and 20 terminals all are served, by no less than the bound; and the gap stays small.
func TestLargeNetworks(t *testing.T) {
	const seed = 7
	r := rand.New(rand.NewPCG(seed, 0))
	worst, proven, all := 0.0, 0, 0
	for i := range 24 {
		n := randomNetwork(r, 200, 20, 0)
		n.hops = MaxHops
		s := n.solve()
		if s.unserved != nil {
			continue
		}
		if err := n.verify(s); err != nil {
			t.Fatalf("seed %d, network %d: %v", seed, i, err)
		}
		if s.bound > s.cost+1e-6 {
			t.Fatalf("seed %d, network %d: bound %v above cost %v", seed, i, s.bound, s.cost)
		}
		all++
		if s.cost-s.bound < 1e-6 {
			proven++
		}
		if s.cost > 0 {
			worst = max(worst, (s.cost-s.bound)/s.cost)
		}
	}
	t.Logf("%d networks, %d proven; the greatest gap is %.1f %%", all, proven, 100*worst)
	if all < 6 || worst > 0.5 {
		t.Errorf("%d networks; the greatest gap is %.1f %%", all, 100*worst)
	}
}
