package plan

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"longlane/radio/lane"
	"longlane/radio/path"
)

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
