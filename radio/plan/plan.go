package plan

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"longlane/radio/beam"
	"longlane/radio/lane"
	"longlane/radio/path"
)

// The most that a plan is made for.
const MaxCandidates, MaxZones = 200, 20

// Plan is the answer.
type Plan struct {
	Lane    *lane.Lane
	Options Options // with the defaults put in
	// Settings are all of LoRa's, with why each is refused; Chosen is the one to use, nil if none is or all is Wi-Fi.
	Settings []*Setting
	Chosen   *Setting
	// WiFiMargin is what the one hop of Wi-Fi must have so that the goal is met, dB, by ordinary antennas or a bridge; infinite if none is
	// enough.
	WiFiMargin float64
	Relays     []*lane.Site // to be used, those that stand already among them
	Zones      []ZonePlan
	// Cost is that of all, and Bound what no arrangement goes below; they are equal if the answer is proven to be the cheapest.
	Cost, Bound float64
	Units       []Energy
	// Beams are all of the lane file, and Limits what the gateway takes a dwell for, whichever beam it was.
	Beams  []Beam
	Limits []beam.Limit
	// Contacts are those of all zones: what silence from each proves.
	Contacts []Contact
	// Met reports whether the goal is. If not, Advice is what would help, and of the zones that have no way Best is the best there is.
	Met       bool
	Advice    []Advice
	Decides   []Effect // the assumptions, the one that decides first
	Warnings  []string
	Backup    float64 // Wh of the battery for gateway, broker and switch
	Unjudged  []string
	Evaluated int // ways
}

// ZonePlan is how a zone is heard.
type ZonePlan struct {
	Zone   *lane.Zone
	Site   *lane.Site
	Wired  bool // it stands where the gateway does
	Bearer Kind
	Hops   []*Hop // from the gate to the gateway
	Served bool
	Heard
	// Lacks is what the best way of a zone that is not served has too little of, dB; infinite if there is none.
	Lacks float64
}

// Heard is when the trips of a gate are heard over its hops.
type Heard struct {
	// Within is the share of trips that are heard in the goal's time, in leaf; Careful the same if each hop has no more margin than nine of ten such
	// ways have: what the formulas leave open; Months by month, from January; Year their mean; Half and Most when half and 99 % of them are, in
	// leaf, 0 if later than 10 s.
	Within, Careful, Year float64
	Months                [12]float64
	Half, Most            time.Duration
}

// Make plans. It checks the lane first (lane.Lane.Check), which must not be in use meanwhile. Whatever cannot be is an error: a *lane.FieldError,
// an *OptionError, a *path.RangeError; and there is no plan then. That a goal cannot be met is none.
func Make(l *lane.Lane, options Options) (*Plan, error) {
	o := options.complete(l)
	if err := o.check(); err != nil {
		return nil, err
	}
	var wrong []error
	for _, p := range l.Check() {
		wrong = append(wrong, p)
	}
	if wrong != nil {
		return nil, errors.Join(wrong...)
	}
	q, err := pose(l, o)
	if err != nil {
		return nil, err
	}
	p := &Plan{Lane: l, Options: *o, Settings: q.settings, WiFiMargin: q.wifiMargin, Backup: Backup(o.House, o.Outage),
		Beams: beamsOf(l, o), Limits: beam.Limits(beam.Kinds(o.Movers, o.BeamWidth)), Contacts: contactsOf(l)}
	q.answer(p)
	p.Evaluated = q.evaluated
	o.Progress(0.7)
	if !p.Met {
		p.Advice = q.advise(p)
	}
	p.Decides = q.sensitivity(p)
	p.Unjudged = q.unjudged
	o.Progress(1)
	return p, nil
}

// question is a lane with all that is lost on its ways.
type question struct {
	o         *Options
	s         surveyor
	gateways  []*lane.Site
	relays    []*lane.Site // that could carry
	terminals []*lane.Site // with a zone, and not at a gateway
	zones     []int        // of each zone its terminal; -1: wired
	settings  []*Setting
	frequency float64
	// wifiMargin is what a hop of Wi-Fi must have, dB.
	wifiMargin float64

	// Ways in leaf; nil: not judged. between[i][j] is there for j < i.
	between   [][]*Way
	home      []*Way // of each relay, to the gateway that hears it best
	reach     [][]*Way
	direct    []*Way
	wifi      []*Hop // of each terminal that has one: the cheaper kind that meets the goal, or nil
	evaluated int
	unjudged  []string
	batteries []string // candidates that are left out, and why
}

// pose surveys all ways.
func pose(l *lane.Lane, o *Options) (*question, error) {
	q := &question{o: o, s: surveyor{lane: l, depth: 1}, wifiMargin: wifiMargin(o)}
	candidates := 0
	for i := range l.Sites {
		switch s := &l.Sites[i]; s.Role {
		case lane.RoleGateway:
			q.gateways = append(q.gateways, s)
		case lane.RoleCandidate, lane.RoleRelay:
			if s.Role == lane.RoleCandidate {
				candidates++
			}
			if why := unfit(s, o); why != "" {
				q.batteries = append(q.batteries, why)
				continue
			}
			q.relays = append(q.relays, s)
		}
	}
	if candidates > MaxCandidates {
		return nil, &OptionError{"candidates", fmt.Sprint(candidates), fmt.Sprintf("up to %d", MaxCandidates)}
	}
	if n := len(l.Zones); n == 0 || n > MaxZones {
		return nil, &OptionError{"zones", fmt.Sprint(n), fmt.Sprintf("1 to %d tables [zone.NAME]", MaxZones)}
	}
	for i := range l.Zones {
		s := l.Site(l.Zones[i].Site)
		if slices.Contains(q.gateways, s) {
			q.zones = append(q.zones, -1)
			continue
		}
		t := slices.Index(q.terminals, s)
		if t < 0 {
			t, q.terminals = len(q.terminals), append(q.terminals, s)
		}
		q.zones = append(q.zones, t)
	}
	radios := slices.Concat(q.gateways, q.relays, q.terminals)
	var err error
	if q.settings, err = settings(l, radios, len(l.Zones), o); err != nil {
		return nil, err
	}
	q.frequency = q.settings[0].Frequency
	n := len(q.relays)
	q.between, q.home, q.reach, q.direct = make([][]*Way, n), make([]*Way, n), make([][]*Way, len(q.terminals)), make([]*Way, len(q.terminals))
	q.wifi = make([]*Hop, len(q.terminals))
	total := float64(n*(n-1)/2 + n*(len(q.terminals)+len(q.gateways)) + 1)
	for i, a := range q.relays {
		q.between[i] = make([]*Way, i)
		for j, b := range q.relays[:i] {
			if q.between[i][j], err = q.way(a, b); err != nil {
				return nil, err
			}
		}
		if q.home[i], err = q.toGateway(a); err != nil {
			return nil, err
		}
		o.Progress(0.6 * float64(q.evaluated) / total)
	}
	for t, a := range q.terminals {
		q.reach[t] = make([]*Way, n)
		for i, b := range q.relays {
			if a != b {
				if q.reach[t][i], err = q.way(a, b); err != nil {
					return nil, err
				}
			}
		}
		if q.direct[t], err = q.toGateway(a); err != nil {
			return nil, err
		}
		if q.wifi[t], err = q.byWiFi(a); err != nil {
			return nil, err
		}
	}
	return q, nil
}

// unfit is why a relay cannot run at a site.
func unfit(s *lane.Site, o *Options) string {
	if s.Role == lane.RoleRelay {
		return "" // it does
	}
	switch s.Power {
	case lane.PowerNone:
		return s.Name + ": not judged as a place for a relay, for nothing can be powered there"
	case lane.PowerBattery:
		if lasts := energy(s, 0, true, false, 0, o).Battery; lasts < o.Goal.Service {
			return fmt.Sprintf("%s: not judged as a place for a relay, for a battery of %.0f Wh lasts one %s, and %s are asked for", s.Name, o.Battery, days(lasts), days(o.Goal.Service))
		}
	}
	return ""
}

// way is nil where a formula does not hold; only a frequency that is outside is an error, since no way could be judged then.
func (q *question) way(a, b *lane.Site) (*Way, error) {
	q.s.look(a, b)
	return q.loss(a, b, q.frequency)
}

func (q *question) loss(a, b *lane.Site, f float64) (*Way, error) {
	q.evaluated++
	w, err := q.s.way(a, b, f)
	if err == nil {
		w.net = gains(w) - w.InLeaf()
	}
	var r *path.RangeError
	if errors.As(err, &r) && r.What != "frequency" {
		q.unjudge(err.Error())
		return nil, nil
	}
	return w, err
}

// unjudge keeps what no formula could tell, each once: a way is asked for by LoRa and by Wi-Fi.
func (q *question) unjudge(what string) {
	if len(q.unjudged) < 20 && !slices.Contains(q.unjudged, what) {
		q.unjudged = append(q.unjudged, what)
	}
}

func (q *question) toGateway(a *lane.Site) (best *Way, err error) {
	for _, g := range q.gateways {
		w, err := q.way(a, g)
		if err != nil {
			return nil, err
		}
		if w != nil && (best == nil || gains(w)-w.InLeaf() > gains(best)-best.InLeaf()) {
			best = w
		}
	}
	return best, nil
}

// byWiFi is the hop to a gateway by the cheapest means that meets the goal's margin and share.
func (q *question) byWiFi(a *lane.Site) (best *Hop, err error) {
	need := q.wifiMargin
	for _, g := range q.gateways {
		free, err := path.FreeSpace(q.o.WiFiFrequency, a.At.Distance(g.At))
		if err != nil || bridgeEIRP+bridgeGain-free-q.o.WiFiNeed < need {
			if err != nil {
				return nil, fmt.Errorf("%s to %s: %w", a.Name, g.Name, err)
			}
			continue
		}
		q.s.look(a, g)
		w, err := q.loss(a, g, q.o.WiFiFrequency)
		if err != nil {
			return nil, err
		}
		if w == nil {
			continue
		}
		h := wifi(w, false, q.o)
		if h.Margin < need {
			if h = wifi(w, true, q.o); h.Margin < need || a.Power != lane.PowerMains && a.Power != lane.PowerSolar {
				continue
			}
		}
		if best == nil || q.wifiCost(h) < q.wifiCost(best) {
			best = h
		}
	}
	return best, nil
}

func (q *question) wifiCost(h *Hop) float64 {
	if h == nil {
		return math.Inf(1)
	}
	if h.Bearer == Bridge {
		return q.o.Costs.WiFiNode + q.o.Costs.Bridge
	}
	return q.o.Costs.WiFiNode
}

func (q *question) relayCost(i int) float64 {
	if s := q.relays[i]; s.Role == lane.RoleCandidate {
		return q.o.Costs.Relay[s.Power]
	}
	return q.o.Costs.Installed
}

// relayPowers is the power of each relay's site, dBm: looked up once, where all pairs of relays are gone through.
func (q *question) relayPowers(s *Setting) []float64 {
	list := make([]float64, len(q.relays))
	for i, site := range q.relays {
		list[i] = s.power[site]
	}
	return list
}

// holds reports whether a way has the margin that a setting needs over so many hops.
func (q *question) holds(s *Setting, hops int, w *Way) bool {
	return w != nil && s.margin(w) >= s.Margin[hops-1]
}

// network is the question for a setting and a limit of hops. A direct hop must have the margin that one hop needs, and all others that which
// so many hops need as asked says: as many as are allowed, and then each arrangement keeps the goal, or two, and then each that keeps it is
// admitted, and some others.
func (q *question) network(s *Setting, hops, asked int) *network {
	n := &network{hops: hops, near: make([][]int, len(q.relays))}
	power := q.relayPowers(s)
	for i := range q.relays {
		n.cost = append(n.cost, q.relayCost(i))
		n.root = append(n.root, q.holds(s, asked, q.home[i]))
		for j, w := range q.between[i] {
			if w != nil && min(power[i], power[j])+w.net-s.Need >= s.Margin[asked-1] { // what holds says, without its look-ups
				n.near[i], n.near[j] = append(n.near[i], j), append(n.near[j], i)
			}
		}
	}
	for t := range q.terminals {
		var reach []int
		for i, w := range q.reach[t] {
			if q.holds(s, asked, w) || q.terminals[t] == q.relays[i] {
				reach = append(reach, i)
			}
		}
		n.reach = append(n.reach, reach)
		n.direct = append(n.direct, q.holds(s, 1, q.direct[t]))
		n.other = append(n.other, q.wifiCost(q.wifi[t])-q.o.Costs.Node)
	}
	return n
}

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
		for t := range q.terminals {
			if sol.other[t] || slices.Contains(sol.unserved, t) {
				continue
			}
			used = true
			for hops := 1; hops <= MaxHops; hops++ {
				if !s.usable(hops) {
					continue
				}
				list, margins := q.widest(s, t, sol.relays, hops, q.towards(s, sol.relays, hops))
				if margins == nil || slices.Min(margins) < s.Margin[max(len(margins), 1)-1] {
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
			zp.Heard = heard(zp.Hops, q.o)
		case sol.other[t]:
			q.s.describe(q.wifi[t].Way)
			zp.Hops, zp.Bearer, zp.Served = []*Hop{q.wifi[t]}, q.wifi[t].Bearer, true
			zp.Heard = heard(zp.Hops, q.o)
		default:
			zp.Bearer, zp.Served = LoRa, true
			zp.Hops = q.hops(p.Chosen, t, routes[t].relays)
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

// heard tells when trips are heard over some hops of one bearer, and in which share; nothing over none.
func heard(hops []*Hop, o *Options) (h Heard) {
	if len(hops) == 0 {
		return h
	}
	s := hops[0].pace()
	margins := func(of func(*Hop) float64) (list []float64) {
		for _, h := range hops {
			list = append(list, of(h))
		}
		return list
	}
	leaf := margins(func(h *Hop) float64 { return h.Margin })
	h.Within = timing(s, leaf, o)
	h.Careful = timing(s, margins(func(h *Hop) float64 { return h.Margin - nineOfTen*h.Sigma }), o)
	for m := range h.Months {
		h.Months[m] = timing(s, margins(func(h *Hop) float64 { return h.in(time.Month(m + 1)) }), o)
		h.Year += h.Months[m] / 12
	}
	when := func(share float64) time.Duration {
		low, high := time.Duration(0), 10*time.Second
		if within(s, leaf, high, coherence) < share {
			return 0
		}
		for high-low > 20*time.Millisecond {
			if mid := (low + high) / 2; within(s, leaf, mid, coherence) >= share {
				high = mid
			} else {
				low = mid
			}
		}
		return high.Round(10 * time.Millisecond)
	}
	h.Half, h.Most = when(0.5), when(0.99)
	return h
}

// feed tells what units need, and warns of gates on a battery.
func (q *question) feed(p *Plan, traffic []int) {
	seen := map[*lane.Site]bool{}
	for i := range p.Zones {
		z := &p.Zones[i]
		if z.Wired || seen[z.Site] {
			continue
		}
		seen[z.Site] = true
		p.Units = append(p.Units, nodeEnergy(q.s.lane, z.Site, z.Bearer, p.Chosen, q.o))
	}
	for i, gates := range traffic {
		if gates > 0 && !seen[q.relays[i]] {
			p.Units = append(p.Units, relayEnergy(q.relays[i], LoRa, gates, p.Chosen, q.o))
		}
	}
	for _, z := range q.s.lane.Zones {
		for i, b := range z.Beams {
			if what := mind(z.Name, i, b); what != "" {
				p.Warnings = append(p.Warnings, what)
			}
		}
	}
	for i := range p.Contacts {
		if what := p.Contacts[i].Mind(); what != "" {
			p.Warnings = append(p.Warnings, what)
		}
	}
	for _, e := range p.Units {
		switch {
		case e.Site.Power == lane.PowerNone:
			p.Warnings = append(p.Warnings, e.Site.Name+": a unit must run there, but the lane file says power = \"none\"")
		case e.Site.Power == lane.PowerBattery && e.Battery < q.o.Goal.Service:
			p.Warnings = append(p.Warnings, fmt.Sprintf("%s: a battery of %.0f Wh is empty after %s: a panel, a wire, or a bigger battery", e.Site.Name, q.o.Battery, days(e.Battery)))
		}
	}
	slices.SortStableFunc(p.Units, func(a, b Energy) int { return cmp.Compare(a.Site.Name, b.Site.Name) })
}

func days(d time.Duration) string {
	switch n := d.Hours() / 24; {
	case n < 2:
		return fmt.Sprintf("%.0f hours", d.Hours())
	case n > 730:
		return fmt.Sprintf("%.0f years", n/365)
	default:
		return fmt.Sprintf("%.0f days", n)
	}
}
