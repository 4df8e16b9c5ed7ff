package plan

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
)

// network is the question which relays to put up: each terminal must come to the root over at most so many hops, or be served
// otherwise. A relay that is used is paid once. It is a Steiner tree problem with weights on the nodes and a limit of hops.
type network struct {
	cost   []float64 // of each relay, 0 or more
	near   [][]int   // relays that a relay has hops to, both ways
	root   []bool    // relays with a hop to the root
	reach  [][]int   // of each terminal: the relays it has hops to
	direct []bool    // terminals with a hop to the root
	other  []float64 // what serving a terminal otherwise costs more; +Inf: it cannot be
	hops   int       // at most, from a terminal to the root, 1 to MaxHops
}

// solution is a set of relays, ascending, and who is served otherwise. No set costs less than Bound.
type solution struct {
	relays   []int
	other    []bool
	unserved []int // terminals that no set can serve: then nothing else counts
	cost     float64
	bound    float64
}

// exactTerminals are how many terminals the exact method takes: its time grows with the third power of 3 for each.
const exactTerminals = 8

// solve finds the cheapest set. It is exact if the terminals that decide are no more than exactTerminals: then Bound is the cost. Else it
// is what greedy insertion and exchange find, with a bound below.
func (n *network) solve() solution {
	s := solution{other: make([]bool, len(n.reach))}
	base := 0.0
	var open []int // terminals that need a decision
	free := n.distances(func(int) float64 { return 0 })
	for t := range n.reach {
		switch {
		case n.other[t] <= 0:
			s.other[t] = true
			base += n.other[t]
		case n.direct[t]:
		case math.IsInf(n.enter(t, free), 1):
			if math.IsInf(n.other[t], 1) {
				s.unserved = append(s.unserved, t)
			}
			s.other[t] = true
			base += n.other[t]
		default:
			open = append(open, t)
		}
	}
	if s.unserved != nil {
		s.cost, s.bound = math.Inf(1), math.Inf(1)
		return s
	}
	open = n.deciding(open)
	relays, other, cost, bound := n.decide(open)
	for _, t := range other {
		s.other[t] = true
	}
	s.relays, s.cost, s.bound = relays, base+cost, base+bound
	return s
}

// deciding leaves terminals out that come along with another one: whatever serves that one serves them over as many hops.
func (n *network) deciding(open []int) []int {
	subset := func(a, b []int) bool { // both ascend
		for _, v := range a {
			if _, ok := slices.BinarySearch(b, v); !ok {
				return false
			}
		}
		return true
	}
	return slices.DeleteFunc(slices.Clone(open), func(t int) bool {
		return slices.ContainsFunc(open, func(s int) bool {
			return s != t && math.IsInf(n.other[s], 1) && subset(n.reach[s], n.reach[t]) &&
				(len(n.reach[s]) < len(n.reach[t]) || !math.IsInf(n.other[t], 1) || s < t)
		})
	})
}

// decide takes some of the terminals, solves for these alone, and takes one more as long as one is not served. So few may prove what is
// best for many.
func (n *network) decide(open []int) (relays, other []int, cost, bound float64) {
	if len(open) == 0 {
		return nil, nil, 0, 0
	}
	bound = math.Inf(-1)
	left := slices.Clone(open)
	dist := n.distances(func(v int) float64 { return n.cost[v] })
	slices.SortStableFunc(left, func(a, b int) int { // those that cost most first
		da, db := min(n.enter(a, dist), n.other[a]), min(n.enter(b, dist), n.other[b])
		switch {
		case da > db:
			return -1
		case da < db:
			return 1
		}
		return 0
	})
	var chosen []int
	for len(left) > 0 && len(chosen) < exactTerminals {
		chosen, left = append(chosen, left[0]), left[1:]
		var lower float64
		relays, other, lower = n.exact(chosen)
		bound = max(bound, lower)
		served := n.distances(member(len(n.cost), relays))
		missed := slices.IndexFunc(left, func(t int) bool { return n.enter(t, served) > 0 })
		if missed < 0 {
			return relays, other, lower, lower
		}
		t := left[missed]
		left = append([]int{t}, slices.Delete(left, missed, missed+1)...)
	}
	relays, other, cost = n.heuristic(open)
	bound = min(max(bound, n.shares(open)), cost)
	return relays, other, cost, bound
}

// member costs nothing for those of a set, and without bound for all others.
func member(n int, set []int) func(int) float64 {
	in := make([]bool, n)
	for _, v := range set {
		in[v] = true
	}
	return func(v int) float64 {
		if in[v] {
			return 0
		}
		return math.Inf(1)
	}
}

// distances are, for each relay, the least that a path from the root to it costs, itself included, over at most 1, 2 ... hops.
func (n *network) distances(cost func(int) float64) [][]float64 {
	var d [][]float64
	for j := 0; j < n.hops-1; j++ {
		now := make([]float64, len(n.cost))
		for v := range now {
			if j == 0 {
				now[v] = math.Inf(1)
				if n.root[v] {
					now[v] = cost(v)
				}
				continue
			}
			best := d[j-1][v]
			c := cost(v)
			for _, u := range n.near[v] {
				best = min(best, d[j-1][u]+c)
			}
			now[v] = best
		}
		d = append(d, now)
	}
	return d
}

// enter is what a terminal's way to the root costs by these distances.
func (n *network) enter(t int, d [][]float64) float64 {
	best := math.Inf(1)
	if n.direct[t] {
		return 0
	}
	if len(d) > 0 {
		for _, v := range n.reach[t] {
			best = min(best, d[len(d)-1][v])
		}
	}
	return best
}

// path are the relays of the cheapest way of a terminal by these distances.
func (n *network) path(t int, d [][]float64, cost func(int) float64) (list []int) {
	if n.direct[t] || len(d) == 0 {
		return nil
	}
	j, v := len(d)-1, -1
	for _, u := range n.reach[t] {
		if v < 0 || d[j][u] < d[j][v] {
			v = u
		}
	}
	for {
		for j > 0 && d[j-1][v] == d[j][v] {
			j--
		}
		list = append(list, v)
		if j == 0 {
			return list
		}
		c, next := cost(v), -1
		for _, u := range n.near[v] {
			if d[j-1][u]+c == d[j][v] {
				next = u
				break
			}
		}
		v = next
		j--
	}
}

// exact is the dynamic programme of Dreyfus and Wagner (Networks 1, 1971, from memory) over subsets of the terminals, with weights on
// the nodes and a limit of hops: below[h][S][v] is the least that a tree costs whose top is relay v, itself included, and in which each
// terminal of S is at most h hops below v. Either v's tree splits in two at v, or it goes on to one neighbour.
func (n *network) exact(terminals []int) (relays, other []int, cost float64) {
	k, m := len(terminals), len(n.cost)
	all := 1<<k - 1
	depth := n.hops - 1
	below := make([][][]float64, depth+1)
	for h := 1; h <= depth; h++ {
		below[h] = make([][]float64, all+1)
		for set := 1; set <= all; set++ {
			now := make([]float64, m)
			below[h][set] = now
			for v := range now {
				now[v] = math.Inf(1)
			}
			if set&(set-1) == 0 {
				for _, v := range n.reach[terminals[bits.TrailingZeros(uint(set))]] {
					now[v] = n.cost[v]
				}
			}
			if h > 1 {
				last := below[h-1][set]
				for v := range now {
					best := math.Inf(1)
					for _, u := range n.near[v] {
						best = min(best, last[u])
					}
					now[v] = min(now[v], best+n.cost[v], last[v])
				}
			}
			low := set & -set
			for a := (set - 1) & set; a > 0; a = (a - 1) & set {
				if a&low == 0 { // each split once
					continue
				}
				x, y := below[h][a], below[h][set^a]
				for v := range now {
					if s := x[v] + y[v] - n.cost[v]; s < now[v] {
						now[v] = s
					}
				}
			}
		}
	}
	top := make([]float64, all+1)
	for set := 1; set <= all; set++ {
		top[set] = math.Inf(1)
		if set&(set-1) == 0 {
			top[set] = n.other[terminals[bits.TrailingZeros(uint(set))]]
		}
		for v := range n.root {
			if n.root[v] && depth > 0 {
				top[set] = min(top[set], below[depth][set][v])
			}
		}
		for a := (set - 1) & set; a > 0; a = (a - 1) & set {
			top[set] = min(top[set], top[a]+top[set^a])
		}
	}
	// Back along what has led to the cost.
	used := make([]bool, m)
	const same = 1e-9
	equal := func(a, b float64) bool { return math.Abs(a-b) <= same*(1+math.Abs(b)) }
	var down func(h, set, v int)
	down = func(h, set, v int) {
		used[v] = true
		c := below[h][set][v]
		if set&(set-1) == 0 && slices.Contains(n.reach[terminals[bits.TrailingZeros(uint(set))]], v) {
			return
		}
		if h > 1 {
			if equal(below[h-1][set][v], c) {
				down(h-1, set, v)
				return
			}
			for _, u := range n.near[v] {
				if equal(below[h-1][set][u]+n.cost[v], c) {
					down(h-1, set, u)
					return
				}
			}
		}
		for a := (set - 1) & set; a > 0; a = (a - 1) & set {
			if equal(below[h][a][v]+below[h][set^a][v]-n.cost[v], c) {
				down(h, a, v)
				down(h, set^a, v)
				return
			}
		}
	}
	var from func(set int)
	from = func(set int) {
		if set&(set-1) == 0 {
			if t := terminals[bits.TrailingZeros(uint(set))]; equal(n.other[t], top[set]) {
				other = append(other, t)
				return
			}
		}
		for v := range n.root {
			if n.root[v] && depth > 0 && equal(below[depth][set][v], top[set]) {
				down(depth, set, v)
				return
			}
		}
		for a := (set - 1) & set; a > 0; a = (a - 1) & set {
			if equal(top[a]+top[set^a], top[set]) {
				from(a)
				from(set ^ a)
				return
			}
		}
	}
	from(all)
	for v, is := range used {
		if is {
			relays = append(relays, v)
		}
	}
	return relays, other, top[all]
}

// heuristic inserts the terminals one by one over the cheapest way, in several orders, takes out what is not needed, and tries each
// other relay in exchange.
func (n *network) heuristic(open []int) (relays, other []int, cost float64) {
	r := rand.New(rand.NewPCG(1, 0)) // the same question has the same answer
	best := math.Inf(1)
	keep := func(set []int, by []int) {
		if c := n.price(set, by); c < best-1e-9 {
			best, relays, other = c, set, by
		}
	}
	order := slices.Clone(open)
	for range 24 {
		in := make([]bool, len(n.cost))
		cost := func(v int) float64 {
			if in[v] {
				return 0
			}
			return n.cost[v]
		}
		var by []int
		for _, t := range order {
			d := n.distances(cost)
			if n.other[t] < n.enter(t, d) {
				by = append(by, t)
				continue
			}
			for _, v := range n.path(t, d, cost) {
				in[v] = true
			}
		}
		var set []int
		for v, is := range in {
			if is {
				set = append(set, v)
			}
		}
		keep(n.prune(set, -1, open, by), by)
		r.Shuffle(len(order), func(i, j int) { order[i], order[j] = order[j], order[i] })
	}
	for again := true; again; {
		again = false
		for v := range n.cost {
			if slices.Contains(relays, v) {
				continue
			}
			before := best
			set := append(slices.Clone(relays), v)
			slices.Sort(set)
			keep(n.prune(set, v, open, other), other)
			again = again || best < before
		}
	}
	return relays, other, best
}

func (n *network) price(set, other []int) (sum float64) {
	for _, v := range set {
		sum += n.cost[v]
	}
	for _, t := range other {
		sum += n.other[t]
	}
	return sum
}

// prune takes relays out, the dearest first and last among equals the one that is to stay if it can, as long as all are served.
func (n *network) prune(set []int, last int, open, other []int) []int {
	order := slices.Clone(set)
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case a == last || b != last && n.cost[a] < n.cost[b]:
			return 1
		case b == last || n.cost[a] > n.cost[b]:
			return -1
		}
		return 0
	})
	for _, v := range order {
		without := slices.DeleteFunc(slices.Clone(set), func(u int) bool { return u == v })
		d := n.distances(member(len(n.cost), without))
		if !slices.ContainsFunc(open, func(t int) bool { return !slices.Contains(other, t) && n.enter(t, d) > 0 }) {
			set = without
		}
	}
	return set
}

// shares is a bound: split the cost of each relay among the terminals, in any way; then let each pay for its own cheapest way with its
// shares. Together they pay at most what the best set costs. The split is made better step by step (the subgradient method).
func (n *network) shares(open []int) float64 {
	k, m := len(open), len(n.cost)
	share := make([][]float64, k)
	for i := range share {
		share[i] = make([]float64, m)
		for v := range share[i] {
			share[i][v] = 1 / float64(k)
		}
	}
	best := 0.0
	uses := make([]float64, m)
	for round := range 60 {
		sum := 0.0
		clear(uses)
		used := make([][]int, k)
		for i, t := range open {
			cost := func(v int) float64 { return n.cost[v] * share[i][v] }
			d := n.distances(cost)
			c := n.enter(t, d)
			sum += min(c, n.other[t])
			if c < n.other[t] {
				used[i] = n.path(t, d, cost)
				for _, v := range used[i] {
					uses[v]++
				}
			}
		}
		best = max(best, sum)
		step := 0.5 / (1 + float64(round)/4)
		for i := range open { // towards those who use it
			for _, v := range used[i] {
				share[i][v] += step / uses[v]
			}
		}
		for v, u := range uses {
			if u == 0 {
				continue
			}
			total := 0.0
			for i := range share {
				total += share[i][v]
			}
			for i := range share {
				share[i][v] /= total
			}
		}
	}
	return best
}
