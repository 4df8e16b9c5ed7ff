package plan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// ask is a setting with a limit of hops.
type ask struct {
	s    *Setting
	hops int
}

// loosest are the settings that ask least of a way, for each limit of hops: any other admits no hop, direct or not, that one of them
// does not. Settings that differ in power are apart.
func (q *question) loosest() (list []ask) {
	powers := map[*Setting]string{}
	for _, s := range q.settings {
		if s.Refused == "" {
			powers[s] = q.powers(s)
		}
	}
	for hops := 1; hops <= MaxHops; hops++ {
		for i, s := range q.settings {
			if !s.usable(hops) {
				continue
			}
			one, more := s.Need+s.Margin[0], s.Need+s.Margin[hops-1]
			if !slices.ContainsFunc(q.settings, func(o *Setting) bool {
				if o == s || !o.usable(hops) || powers[o] != powers[s] {
					return false
				}
				a, b := o.Need+o.Margin[0], o.Need+o.Margin[hops-1]
				return a <= one && b <= more && (a < one || b < more || slices.Index(q.settings, o) < i)
			}) {
				list = append(list, ask{s, hops})
			}
		}
	}
	return list
}

func (q *question) powers(s *Setting) string {
	var b strings.Builder
	for _, site := range slices.Concat(q.gateways, q.relays, q.terminals) {
		fmt.Fprintf(&b, "%v ", s.power[site])
	}
	return b.String()
}

// most is over how many hops a setting may be used, 0 to MaxHops.
func (s *Setting) most() (hops int) {
	for hops < MaxHops && s.usable(hops+1) {
		hops++
	}
	return hops
}

// undominated are the settings that may be used, but for those over which another one with the same powers serves all that they do.
func (q *question) undominated() (list []*Setting) {
	powers := map[*Setting]string{}
	for _, s := range q.settings {
		powers[s] = q.powers(s)
	}
	for i, s := range q.settings {
		if s.most() > 0 && !slices.ContainsFunc(q.settings, func(o *Setting) bool {
			if o == s || o.most() < s.most() || powers[o] != powers[s] {
				return false
			}
			less := slices.Index(q.settings, o) < i
			for h := range s.most() {
				if o.Need+o.Margin[h] > s.Need+s.Margin[h] {
					return false
				}
				less = less || o.Need+o.Margin[h] < s.Need+s.Margin[h]
			}
			return less
		}) {
			list = append(list, s)
		}
	}
	return list
}

// everywhere are all relays.
func (q *question) everywhere() []int {
	all := make([]int, len(q.relays))
	for i := range all {
		all[i] = i
	}
	return all
}

// lost are the terminals that a setting cannot serve over any relays, and Wi-Fi neither.
func (q *question) lost(s *Setting) (list []int) {
	all := q.everywhere()
	d := q.towards(s, all, s.most())
	for t := range q.terminals {
		if q.wifi[t] == nil {
			if _, ok := q.route(s, t, all, d); !ok {
				list = append(list, t)
			}
		}
	}
	return list
}

// mend makes of a set of relays one over which a setting serves all terminals that are neither served otherwise nor left out, if there is
// one: it adds the paths that are missing, and takes out again what is not needed, the dearest first.
func (q *question) mend(s *Setting, n *network, sol solution) (solution, bool) {
	sol.other, sol.relays = slices.Clone(sol.other), slices.Clone(sol.relays)
	open := func(t int) bool { return !sol.other[t] && !slices.Contains(sol.unserved, t) }
	missing := func(relays []int) (list []int) {
		d := q.towards(s, relays, s.most())
		for t := range q.terminals {
			if open(t) {
				if _, ok := q.route(s, t, relays, d); !ok {
					list = append(list, t)
				}
			}
		}
		return list
	}
	if lacking := missing(sol.relays); lacking != nil {
		all := q.everywhere()
		d := q.towards(s, all, s.most())
		for _, t := range lacking {
			path, ok := q.route(s, t, all, d)
			if sol.other[t] = !ok; !ok && math.IsInf(n.other[t], 1) {
				return sol, false
			}
			sol.relays = append(sol.relays, path...)
		}
		slices.Sort(sol.relays)
		sol.relays = slices.Compact(sol.relays)
		order := slices.Clone(sol.relays)
		slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(n.cost[b], n.cost[a]) })
		for _, v := range order {
			if without := slices.DeleteFunc(slices.Clone(sol.relays), func(u int) bool { return u == v }); missing(without) == nil {
				sol.relays = without
			}
		}
	}
	sol.cost = 0
	for _, v := range sol.relays {
		sol.cost += n.cost[v]
	}
	for t, other := range sol.other {
		if other {
			sol.cost += n.other[t]
		}
	}
	return sol, true
}

// answer finds the cheapest arrangement. In one, each hop of a path has the margin that the goal asks for, and that which as many equal hops
// as the path has need so that the goal's share of trips is heard in time. So one that is admitted keeps the goal; there may be a cheaper
// one which would as well, if a hop that is too weak is made up for by others on its path.
//
// What a hop must have depends on the paths that use it, which a network does not know. So two kinds are solved: those in which all hops
// have what the longest paths need, whose answers are arrangements; and those in which they have what two hops need, whose bounds hold for all
// arrangements. The answers of the latter mostly are arrangements as well; where not, they are mended.
func (q *question) answer(p *Plan) {
	c := q.o.Costs
	p.Cost, p.Bound = math.Inf(1), math.Inf(1)
	var best solution
	nodes := float64(len(q.terminals)) * c.Node
	take := func(s solution) {
		if cost := c.Modem + nodes + s.cost; cost < p.Cost-1e-9 {
			p.Cost, best = cost, s
		}
	}
	for k, a := range q.loosest() {
		if s := q.network(a.s, a.hops, a.hops).solve(); s.unserved == nil {
			take(s)
		}
		q.o.Progress(0.6 + 0.02*float64(min(k, 4)))
	}
	for _, s := range q.undominated() {
		n := q.network(s, s.most(), min(s.most(), 2))
		sol := n.solve()
		if sol.unserved != nil {
			continue
		}
		p.Bound = min(p.Bound, c.Modem+nodes+sol.bound)
		if c.Modem+nodes+sol.cost < p.Cost-1e-9 {
			if mended, ok := q.mend(s, n, sol); ok {
				take(mended)
			}
		}
	}
	all := 0.0 // by Wi-Fi
	for _, h := range q.wifi {
		all += q.wifiCost(h)
	}
	if all <= p.Cost { // also where nothing is to be served by radio
		best = solution{other: slices.Repeat([]bool{true}, len(q.terminals))}
		p.Cost = all
	}
	p.Met = !math.IsInf(p.Cost, 1)
	if p.Bound = min(p.Bound, all, p.Cost); !p.Met {
		p.Bound = math.Inf(1)
		best = q.partial()
	}
	q.settle(p, best)
}

// partial is what serves the most zones where not all can be.
func (q *question) partial() (best solution) {
	fewest := math.MaxInt
	for _, s := range q.undominated() {
		lost := q.lost(s)
		if len(lost) >= fewest {
			continue
		}
		n := q.network(s, s.most(), min(s.most(), 2))
		for _, t := range lost {
			n.other[t] = 0 // leave it out
		}
		sol := n.solve()
		for _, t := range lost {
			sol.other[t] = false
		}
		sol.unserved = lost
		if sol, ok := q.mend(s, n, sol); ok {
			fewest, best = len(lost), sol
		}
	}
	if best.other == nil { // no setting at all
		best.other = make([]bool, len(q.terminals))
		for t := range best.other {
			if best.other[t] = true; q.wifi[t] == nil {
				best.unserved = append(best.unserved, t)
			}
		}
	}
	return best
}

// slower is how much more of the worst zone's trips a setting with longer frames must bring in time to be worth it.
const slower = 1e-4

// settle chooses, for these relays, the setting by which the worst zone is heard best, and tells all there is to tell.
func (q *question) settle(p *Plan, sol solution) {
	type route struct {
		relays []int
		within float64
	}
	var routes []route
	worst := -1.0
	fastest := slices.Clone(q.settings)
	slices.SortStableFunc(fastest, func(a, b *Setting) int { return cmp.Compare(a.Airtime(tripSize), b.Airtime(tripSize)) })
	for _, s := range fastest {
		if s.Refused != "" {
			continue
		}
		mine, least := make([]route, len(q.terminals)), 1.0
		used := false
		d := q.towards(s, sol.relays, s.most())
		for t := range q.terminals {
			if sol.other[t] || slices.Contains(sol.unserved, t) {
				continue
			}
			used = true
			for hops := 1; hops <= s.most(); hops++ {
				list, margins := q.widest(s, t, sol.relays, hops, d)
				if margins == nil || slices.Min(margins) < s.Margin[len(margins)-1] {
					continue
				}
				if w := timing(byLoRa(&s.Settings), margins, q.o); w > mine[t].within+slower { // a hop more must be worth it, too
					mine[t] = route{list, w}
				}
			}
			least = min(least, mine[t].within)
		}
		if used && least > worst+slower {
			worst, routes, p.Chosen = least, mine, s
		}
	}
	var same []*Setting // those that serve all others as well: by another this gate might be reached, and others not
	for _, s := range q.undominated() {
		if sol.unserved != nil && slices.Equal(q.lost(s), sol.unserved) {
			same = append(same, s)
		}
	}
	traffic := make([]int, len(q.relays)) // gates that a relay carries
	for _, r := range routes {
		for _, i := range r.relays {
			traffic[i]++
		}
	}
	for i, n := range traffic {
		if n > 0 {
			p.Relays = append(p.Relays, q.relays[i])
		}
	}
	for z := range q.s.lane.Zones {
		zone := &q.s.lane.Zones[z]
		zp := ZonePlan{Zone: zone, Site: q.s.lane.Site(zone.Site)}
		switch t := q.zones[z]; {
		case t < 0:
			zp.Wired, zp.Served, zp.Within, zp.Year = true, true, 1, 1
			for m := range zp.Months {
				zp.Months[m] = 1
			}
		case slices.Contains(sol.unserved, t):
			zp.Hops, zp.Lacks = q.nearest(same, t)
			zp.Bearer = LoRa
		case sol.other[t]:
			q.s.describe(q.wifi[t].Way)
			zp.Hops, zp.Bearer, zp.Served = []*Hop{q.wifi[t]}, q.wifi[t].Bearer, true
		default:
			zp.Bearer, zp.Served = LoRa, true
			zp.Hops = q.hops(p.Chosen, t, routes[t].relays)
		}
		if !zp.Wired {
			zp.Heard = heard(zp.Hops, q.o)
		}
		if zp.Served && !zp.Wired && zp.Careful < q.o.Goal.Share {
			p.Warnings = append(p.Warnings, fmt.Sprintf("%s: only %s of its trips are in time if each hop is as bad as one in ten of such ways is: measure there with longlane survey before you buy",
				zp.Zone.Name, percent(zp.Careful)))
		}
		p.Zones = append(p.Zones, zp)
	}
	q.feed(p, traffic)
	p.Warnings = append(append(p.Warnings, q.batteries...), q.buildings()...)
}
