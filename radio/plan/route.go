package plan

import (
	"math"
	"slices"
)

// edge is the way from a terminal (at < 0: the terminal itself) or relay to another relay, or to the gateway (to < 0).
func (q *question) edge(t, at, to int) *Way {
	switch {
	case at < 0 && to < 0:
		return q.direct[t]
	case at < 0:
		return q.reach[t][to]
	case to < 0:
		return q.home[at]
	}
	return q.between[max(at, to)][min(at, to)]
}

// step is the best that a relay can do on its way to the gateway.
type step struct {
	least float64 // margin of the weakest hop
	next  int     // into the relays asked about; -1: the gateway
}

// towards is, of each of some relays, the path to the gateway over at most 1, 2 ... hops-1 hops whose weakest hop has the most margin.
func (q *question) towards(s *Setting, relays []int, hops int) (d [][]step) {
	power := q.relayPowers(s)
	for j := 0; j < hops-1; j++ {
		now := make([]step, len(relays))
		for i, v := range relays {
			now[i] = step{s.overEdge(q.home[v]), -1}
			if j == 0 {
				continue
			}
			for k, u := range relays {
				w := q.between[max(v, u)]
				if u == v || d[j-1][k].least <= now[i].least || d[j-1][k].next == i || w[min(v, u)] == nil {
					continue
				}
				// What margin says, without its look-ups: there are many pairs.
				if m := min(min(power[v], power[u])+w[min(v, u)].net-s.Need, d[j-1][k].least); m > now[i].least {
					now[i] = step{m, k}
				}
			}
		}
		d = append(d, now)
	}
	return d
}

// overEdge is the margin of a way; none if there is no way.
func (s *Setting) overEdge(w *Way) float64 {
	if w == nil {
		return math.Inf(-1)
	}
	return s.margin(w)
}

// widest is the path of a terminal over some relays, of at most so many hops, whose weakest hop has the most margin; d is towards's for the
// same. The list goes from the gate to the gateway. A terminal at a relay's place begins there.
func (q *question) widest(s *Setting, t int, relays []int, hops int, d [][]step) (list []int, margins []float64) {
	enter := func(v int) float64 {
		if q.reach[t][v] == nil && q.relays[v] == q.terminals[t] {
			return math.Inf(1)
		}
		return s.overEdge(q.reach[t][v])
	}
	best, first := s.overEdge(q.direct[t]), -1
	for i, v := range relays {
		if hops > 1 {
			if m := min(enter(v), d[hops-2][i].least); m > best {
				best, first = m, i
			}
		}
	}
	if math.IsInf(best, -1) {
		return nil, nil
	}
	if first < 0 {
		return nil, []float64{best}
	}
	if m := enter(relays[first]); !math.IsInf(m, 1) {
		margins = append(margins, m)
	}
	for i, j := first, hops-2; i >= 0; j-- {
		v, next := relays[i], d[j][i].next
		w := q.home[v]
		if next >= 0 {
			w = q.between[max(v, relays[next])][min(v, relays[next])]
		}
		list, margins = append(list, v), append(margins, s.margin(w))
		i = next
	}
	return list, margins
}

// hops are the budgets along a path.
func (q *question) hops(s *Setting, t int, relays []int) (list []*Hop) {
	at := -1
	for _, to := range append(slices.Clone(relays), -1) {
		if w := q.edge(t, at, to); w != nil {
			q.s.describe(w)
			list = append(list, s.hop(w))
		}
		at = to
	}
	return list
}

// shortfall is what the best way of a terminal lacks of what the goal asks, dB, over any relays that there could be; infinite if it has none.
type shortfall struct {
	lacks float64
	s     *Setting
	path  []int
}

func (q *question) shortfalls(settings []*Setting, terminals []int) []shortfall {
	list := make([]shortfall, len(terminals))
	for i := range list {
		list[i].lacks = math.Inf(1)
	}
	all := q.everywhere()
	for _, s := range settings {
		d := q.towards(s, all, s.most())
		for i, t := range terminals {
			for hops := 1; hops <= s.most(); hops++ {
				path, margins := q.widest(s, t, all, hops, d)
				if margins == nil {
					continue
				}
				if less := s.Margin[len(margins)-1] - slices.Min(margins); less < list[i].lacks {
					list[i] = shortfall{less, s, path}
				}
			}
		}
	}
	return list
}

// nearest is the path that lacks least of what the goal asks, over any relays that there could be, by some settings.
func (q *question) nearest(settings []*Setting, t int) (list []*Hop, lacks float64) {
	best := q.shortfalls(settings, []int{t})[0]
	if best.s == nil {
		return nil, best.lacks
	}
	return q.hops(best.s, t, best.path), best.lacks
}

// route is a path of a terminal that keeps the goal by itself, if there is one: each hop has the margin that as many equal hops as it has
// need. d is towards's for the same relays, over as many hops as the setting may be used.
func (q *question) route(s *Setting, t int, relays []int, d [][]step) (list []int, ok bool) {
	for hops := 1; hops <= s.most(); hops++ {
		list, margins := q.widest(s, t, relays, hops, d)
		if margins != nil && slices.Min(margins) >= s.Margin[len(margins)-1] {
			return list, true
		}
	}
	return nil, false
}
