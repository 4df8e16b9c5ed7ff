package passage

import "longlane/radio/beam"

import "slices"

// Visit is an arrival and the departure that belongs to it, as indices of the passages.
type Visit struct {
	Arrival, Departure int
	Confidence         beam.Confidence // Sure or Likely
	Stay               beam.Span
}

// Doubtful is a departure that may belong to several arrivals, or to somebody whose direction is not known.
type Doubtful struct {
	Departure int
	Arrivals  []int // one of these
}

// Open is an arrival without a departure that is known to be its own.
type Open struct {
	Arrival int
	Gone    []int // departures, and passages whose direction is not known, that may have been its own; none: it is inside
	Left    bool  // one of these departures was its own, whichever
}

// Stays are who came and went.
type Stays struct {
	Visits   []Visit
	Doubtful []Doubtful
	Open     []Open
	Unmet    []int // departures of whom no arrival is known
}

// StaysOf pairs arrivals with departures. Each arrival is in one Visit or one Open, each departure in one Visit or one Doubtful or in Unmet. Debris is
// in none. Passages of no direction are in none either, but whoever they may have been leaves doubt.
//
// Two belong together if they are alike: of the same class, and of lengths that may be the same, if both were measured. A departure goes with the arrivals
// that are left for it: as many departures as possible are explained, the earlier before the later, and what is possible in any of the ways to do so
// is told. A pair that is the only one possible is likely; it is sure if it still is the only one when whatever may be of the same class counts
// as alike.
func StaysOf(s Settings, passages []Passage) Stays {
	strict, loose := newYard(s, passages, alike), newYard(s, passages, mayBeAlike)
	var out Stays
	gone := map[int][]int{}
	for _, d := range strict.departures {
		from := strict.from[d]
		if len(from) == 0 {
			out.Unmet = append(out.Unmet, d)
			continue
		}
		if a := from[0]; len(from) == 1 && passages[a].Direction == In && len(strict.to[a]) == 1 {
			v := Visit{Arrival: a, Departure: d, Confidence: beam.Likely, Stay: apart(&passages[a], &passages[d])}
			if slices.Equal(loose.from[d], from) && len(loose.to[a]) == 1 && !loose.mayBeUnmet(a) {
				v.Confidence = beam.Sure
			}
			out.Visits = append(out.Visits, v)
			continue
		}
		out.Doubtful = append(out.Doubtful, Doubtful{d, from})
		for _, a := range from {
			gone[a] = append(gone[a], d)
		}
	}
	visited := map[int]bool{}
	for _, v := range out.Visits {
		visited[v.Arrival] = true
	}
	for _, a := range strict.arrivals {
		if passages[a].Direction == In && !visited[a] {
			out.Open = append(out.Open, Open{a, append(gone[a], strict.unknownAfter(a)...), strict.left[a]})
		}
	}
	return out
}

// apart is how long after a, at the least and at the most, d was.
func apart(a, d *Passage) beam.Span {
	a1, a2 := a.when()
	d1, d2 := d.when()
	return beam.Span{Least: max(d1.Sub(a2), 0), Most: d2.Sub(a1)}
}

// alike reports whether two passages may be of one, going by what they are taken for.
func alike(a, b *Passage) bool {
	ja, jb := a.Judgement, b.Judgement
	if a.Length.Known() && b.Length.Known() && !a.Length.Meets(b.Length.Range) {
		return false
	}
	switch {
	case ja.Class != beam.NoClass && jb.Class != beam.NoClass:
		return ja.Class == jb.Class
	case ja.Class != beam.NoClass:
		return jb.May(ja.Class)
	case jb.Class != beam.NoClass:
		return ja.May(jb.Class)
	}
	return mayBeAlike(a, b)
}

// mayBeAlike reports whether two passages may be of one at all.
func mayBeAlike(a, b *Passage) bool {
	return slices.ContainsFunc(a.Judgement.Possible, b.Judgement.May)
}

// yard is who may have come and gone: a graph between arrivals and departures, and a matching in it that explains as many departures as possible.
type yard struct {
	s          Settings
	p          []Passage
	alike      func(a, b *Passage) bool
	arrivals   []int // passages that are arrivals, or may be
	departures []int
	edges      [][]int // by departure: arrivals that may be its own, the earlier first
	of         []int   // the matching, by arrival; -1: none
	by         []int   // and by departure
	from       [][]int // by departure: arrivals that are its own in some matching
	to         [][]int // and the other way round
	left       []bool  // arrivals that have a departure in every matching
}

func newYard(s Settings, p []Passage, alike func(a, b *Passage) bool) *yard {
	n := len(p)
	y := &yard{s: s, p: p, alike: alike, edges: make([][]int, n), of: make([]int, n), by: make([]int, n), from: make([][]int, n), to: make([][]int, n), left: make([]bool, n)}
	for i := range p {
		y.of[i], y.by[i] = -1, -1
	}
	for i := range p {
		switch {
		case p[i].Judgement.Class == beam.Debris || len(p[i].Breaks) == 0:
		case p[i].Direction == Out:
			y.departures = append(y.departures, i)
		default:
			y.arrivals = append(y.arrivals, i)
		}
	}
	byTime := func(a, b int) int {
		ta, _ := p[a].when()
		tb, _ := p[b].when()
		return ta.Compare(tb)
	}
	slices.SortStableFunc(y.arrivals, byTime)
	slices.SortStableFunc(y.departures, byTime)
	first := 0
	for _, d := range y.departures {
		_, latest := p[d].when()
		for first < len(y.arrivals) && apart(&p[y.arrivals[first]], &p[d]).Least > s.LongestStay {
			first++
		}
		for _, a := range y.arrivals[first:] {
			if earliest, _ := p[a].when(); earliest.After(latest) {
				break
			}
			if y.follows(a, d) && alike(&p[a], &p[d]) {
				y.edges[d] = append(y.edges[d], a)
			}
		}
	}
	tried := make([]int, len(p))     // by arrival: for which departure it was tried last, counted from 1
	for i, d := range y.departures { // what was explained before stays explained
		y.match(d, i+1, tried)
	}
	y.possible()
	return y
}

// follows reports whether d may have been after a, and not too long after.
func (y *yard) follows(a, d int) bool {
	stay := apart(&y.p[a], &y.p[d])
	return stay.Most > 0 && stay.Least <= y.s.LongestStay
}

// match finds an arrival for d: one that nobody has, or else by having others take other ones (Kuhn 1955). It is the turn of that number.
func (y *yard) match(d, turn int, tried []int) bool {
	for i := range y.edges[d] {
		if a := y.edges[d][len(y.edges[d])-1-i]; y.of[a] < 0 { // the latest first, so that old ones are looked at seldom
			y.of[a], y.by[d] = d, a
			return true
		}
	}
	for _, a := range y.edges[d] {
		if tried[a] == turn {
			continue
		}
		tried[a] = turn
		if y.match(y.of[a], turn, tried) {
			y.of[a], y.by[d] = d, a
			return true
		}
	}
	return false
}

// possible finds the edges that are in some matching which explains the same departures: the matched ones; those on a cycle, along which all may
// change places; and those on a way that begins at an arrival which is left over, along which each takes the next one's (Berge 1957).
func (y *yard) possible() {
	after := make([][]int, len(y.p)) // by arrival: departures that may take it, but for its own
	for _, d := range y.departures {
		if y.by[d] < 0 {
			continue
		}
		for _, a := range y.edges[d] {
			if y.by[d] != a {
				after[a] = append(after[a], d)
			}
		}
	}
	reached := make([]bool, len(y.p)) // from an arrival that is left over
	var todo []int
	for _, a := range y.arrivals {
		if y.of[a] < 0 {
			reached[a] = true
			todo = append(todo, a)
		}
	}
	for len(todo) > 0 {
		a := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		for _, d := range after[a] {
			if b := y.by[d]; !reached[b] {
				reached[b] = true
				todo = append(todo, b)
			}
		}
	}
	for _, a := range y.arrivals {
		y.left[a] = !reached[a]
	}
	circle := y.circles(after)
	for _, d := range y.departures {
		b := y.by[d]
		if b < 0 {
			continue
		}
		for _, a := range y.edges[d] {
			if a == b || reached[a] || circle[a] == circle[b] {
				y.from[d] = append(y.from[d], a)
				y.to[a] = append(y.to[a], d)
			}
		}
	}
}

// circles numbers arrivals so that those which can change places in a circle have the same number: the strongly connected components of "whose
// departure may take it" (Tarjan 1972).
func (y *yard) circles(after [][]int) []int {
	n, found := len(y.p), 0
	index, low, circle, on := make([]int, n), make([]int, n), make([]int, n), make([]bool, n)
	var stack []int
	var visit func(a int)
	visit = func(a int) {
		found++
		index[a], low[a] = found, found
		stack, on[a] = append(stack, a), true
		for _, d := range after[a] {
			b := y.by[d]
			if index[b] == 0 {
				visit(b)
				low[a] = min(low[a], low[b])
			} else if on[b] {
				low[a] = min(low[a], index[b])
			}
		}
		if low[a] != index[a] {
			return
		}
		for {
			b := stack[len(stack)-1]
			stack = stack[:len(stack)-1]
			on[b] = false
			circle[b] = index[a]
			if b == a {
				return
			}
		}
	}
	for _, a := range y.arrivals {
		if index[a] == 0 {
			visit(a)
		}
	}
	return circle
}

// mayBeUnmet reports whether a departure that nothing explains may be that of a: then somebody was inside before, and may have gone instead of a.
func (y *yard) mayBeUnmet(a int) bool {
	for _, d := range y.departures {
		if y.by[d] < 0 && slices.Contains(y.edges[d], a) {
			return true
		}
	}
	return false
}

// unknownAfter are passages of no direction that may have been the departure of a.
func (y *yard) unknownAfter(a int) (out []int) {
	for _, u := range y.arrivals {
		if y.p[u].Direction == NoDirection && u != a && y.follows(a, u) && y.alike(&y.p[a], &y.p[u]) {
			out = append(out, u)
		}
	}
	return out
}
