package plan

import (
	"fmt"
	"math"
	"slices"
	"time"

	"longlane/radio/lane"
)

// Advice is a change to the lane with which the goal is met, or nearer. It was tried: the ways were reckoned anew.
type Advice struct {
	Change string
	Meets  bool
	Served int     // zones more than without it
	Gains  float64 // dB, for the zone that lacks most

	fresh bool // a relay that the lane file does not have
}

// Effect is what an assumption does if it is wrong.
type Effect struct {
	Assumption string
	DB         float64 // of the hop that it takes most from
	Hop        *Hop    // that hop; nil: it takes the same from every one
	// Within is the share of trips in time of the zone that is worst then, which Zone is; Before is that of the worst without the change.
	Within, Before float64
	Zone           *lane.Zone
}

// The trials: heights of antennas, m; how far a relay is moved, m; and how far apart new relays are tried along the lane's course, m.
var (
	heights = []float64{4, 5, 6, 8, 10, 12}
	moves   = []float64{-40, 40, -80, 80}
)

const alongStep, newHeight, mostTrials = 40.0, 5.0, 60

// with gives the question for a site that is changed, all else as it is. Only its own ways are reckoned anew.
func (q *question) with(old *lane.Site, changed lane.Site) (*question, error) {
	c := *q
	c.unjudged = slices.Clip(q.unjudged)
	site := &changed
	put := func(list []*lane.Site) []*lane.Site {
		out := slices.Clone(list)
		for i, s := range out {
			if s == old {
				out[i] = site
			}
		}
		return out
	}
	c.gateways, c.relays, c.terminals = put(q.gateways), put(q.relays), put(q.terminals)
	if old == nil {
		c.relays = append(slices.Clone(q.relays), site)
	}
	c.settings = make([]*Setting, len(q.settings))
	for i, s := range q.settings {
		t := *s
		t.power = map[*lane.Site]float64{}
		for site, w := range s.power {
			t.power[site] = w
		}
		if old != nil {
			t.power[site] = s.power[old] // the same antenna
		} else if t.Refused == "" {
			t.law([]*lane.Site{site})
		}
		c.settings[i] = &t
	}
	c.between, c.home = slices.Clone(q.between), slices.Clone(q.home)
	c.reach, c.direct, c.wifi = slices.Clone(q.reach), slices.Clone(q.direct), slices.Clone(q.wifi)
	err := c.survey(site)
	return &c, err
}

// survey reckons the ways of one site anew.
func (q *question) survey(site *lane.Site) (err error) {
	set := func(w **Way, a, b *lane.Site) {
		if err == nil && a != b {
			*w, err = q.way(a, b)
		}
	}
	gateway := slices.Contains(q.gateways, site)
	for len(q.between) < len(q.relays) {
		q.between, q.home = append(q.between, make([]*Way, len(q.between))), append(q.home, nil)
	}
	for i, a := range q.relays {
		if a == site || gateway {
			if q.home[i], err = q.toGateway(a); err != nil {
				return err
			}
		}
		if a == site {
			q.between[i] = slices.Clone(q.between[i])
		}
		for j, b := range q.relays[:i] {
			switch {
			case a == site:
				set(&q.between[i][j], a, b)
			case b == site:
				q.between[i] = slices.Clone(q.between[i])
				set(&q.between[i][j], a, b)
			}
		}
	}
	for t, a := range q.terminals {
		q.reach[t] = slices.Clone(q.reach[t])
		for len(q.reach[t]) < len(q.relays) {
			q.reach[t] = append(q.reach[t], nil)
		}
		for i, b := range q.relays {
			if a == site || b == site {
				set(&q.reach[t][i], a, b)
			}
		}
		if err == nil && (a == site || gateway) {
			if q.direct[t], err = q.toGateway(a); err == nil {
				q.wifi[t], err = q.byWiFi(a)
			}
		}
	}
	return err
}

// state is how many terminals no arrangement serves, and what the worst of them lacks, dB.
func (q *question) state() (unserved int, lacks float64) {
	unserved = len(q.terminals)
	settings := q.undominated()
	for _, s := range settings {
		unserved = min(unserved, len(q.lost(s)))
	}
	if unserved == 0 {
		return 0, 0
	}
	if len(settings) == 0 {
		return unserved, math.Inf(1)
	}
	var radio []int
	for t := range q.terminals {
		if q.wifi[t] == nil {
			radio = append(radio, t)
		}
	}
	for _, x := range q.shortfalls(settings, radio) {
		lacks = max(lacks, x.lacks)
	}
	return unserved, lacks
}

// advise tries what an owner can do, the least first.
func (q *question) advise(p *Plan) []Advice {
	if len(q.loosest()) == 0 {
		return nil // no setting may be used, wherever antennas stand
	}
	before, lacked := q.state()
	var list []Advice
	trials := 0
	try := func(old *lane.Site, changed lane.Site, format string, args ...any) {
		if trials++; trials > mostTrials {
			return
		}
		l := *q.s.lane
		l.Sites = append(slices.Clone(l.Sites), changed)
		if math.IsNaN(l.Terrain.Height(changed.At)) {
			return
		}
		c, err := q.with(old, changed)
		if err != nil {
			return
		}
		after, lacks := c.state()
		if after < before || lacks < lacked-0.5 {
			list = append(list, Advice{fmt.Sprintf(format, args...), after == 0, before - after, lacked - lacks, old == nil})
		}
	}
	for _, s := range q.involved(p) {
		for _, h := range heights {
			if h > s.AntennaHeight {
				c := *s
				c.AntennaHeight = h
				n := len(list)
				try(s, c, "raise the antenna of %s from %.1f m to %.1f m", s.Name, s.AntennaHeight, h)
				if len(list) > n && list[n].Meets {
					break // higher does it too
				}
			}
		}
	}
	for _, s := range q.involved(p) {
		if s.Role != lane.RoleRelay && s.Role != lane.RoleCandidate {
			continue
		}
		for _, m := range moves {
			c := *s
			c.At, c.Ground = q.along(s.At, m), nil
			way := "towards the house"
			if m < 0 {
				way = "towards the gate"
			}
			try(s, c, "move %s by %.0f m %s, to %v%s", s.Name, math.Abs(m), way, c.At, q.inDegrees(c.At))
		}
	}
	for _, at := range q.places(p) {
		c := lane.Site{Name: "a new relay", Role: lane.RoleCandidate, At: at, AntennaHeight: newHeight, AntennaGain: lane.DipoleGain, Power: lane.PowerSolar}
		try(nil, c, "put a relay at %v, its antenna %.0f m up%s", at, newHeight, q.inDegrees(at))
	}
	slices.SortStableFunc(list, func(a, b Advice) int {
		switch {
		case a.Meets != b.Meets && a.Meets, a.Meets == b.Meets && a.Served > b.Served, a.Meets == b.Meets && a.Served == b.Served && !a.Meets && a.Gains > b.Gains+0.5:
			return -1
		case b.Meets != a.Meets && b.Meets, a.Meets == b.Meets && b.Served > a.Served, a.Meets == b.Meets && a.Served == b.Served && !a.Meets && b.Gains > a.Gains+0.5:
			return 1
		}
		return 0
	})
	// Of many places for a new relay two are enough to choose from.
	fresh := 0
	list = slices.DeleteFunc(list, func(a Advice) bool {
		if a.fresh {
			fresh++
		}
		return a.fresh && fresh > 2
	})
	return list[:min(len(list), 6)]
}

// inDegrees is a place as a phone finds it, in brackets; empty if nobody knows where on earth the lane is.
func (q *question) inDegrees(at lane.Point) string {
	origin := q.s.lane.Origin
	if origin == nil {
		return ""
	}
	return fmt.Sprintf(" (%v)", lane.NewPlane(*origin).LatLon(at))
}

// involved are the ends of the best ways of zones that are not served, each once: they are where something can be done.
func (q *question) involved(p *Plan) (list []*lane.Site) {
	for i := range p.Zones {
		z := &p.Zones[i]
		if z.Served {
			continue
		}
		if !slices.Contains(list, z.Site) {
			list = append(list, z.Site)
		}
		for _, h := range z.Hops {
			for _, s := range []*lane.Site{h.From, h.To} {
				if !slices.Contains(list, s) {
					list = append(list, s)
				}
			}
		}
	}
	return list
}

// along is a place moved parallel to the lane, which goes from the gate to the house: to its nearest stretch, or without a course
// towards the gateway.
func (q *question) along(at lane.Point, by float64) lane.Point {
	a, b := at, q.gateways[0].At
	course, best := q.s.lane.Course, math.Inf(1)
	for i := 1; i < len(course); i++ {
		if d := fromStretch(at, course[i-1], course[i]); d < best {
			best, a, b = d, course[i-1], course[i]
		}
	}
	d := a.Distance(b)
	if d == 0 {
		return at
	}
	return lane.Point{East: at.East + by*(b.East-a.East)/d, North: at.North + by*(b.North-a.North)/d}
}

func fromStretch(p, a, b lane.Point) float64 {
	e, n := b.East-a.East, b.North-a.North
	x := ((p.East-a.East)*e + (p.North-a.North)*n) / (e*e + n*n)
	x = min(max(x, 0), 1)
	return p.Distance(lane.Point{East: a.East + x*e, North: a.North + x*n})
}

// places are those along the lane at which a new relay is tried; without a course on the lines from the zones that are not served to the gateway.
func (q *question) places(p *Plan) (list []lane.Point) {
	lines := [][]lane.Point{q.s.lane.Course}
	if len(lines[0]) < 2 {
		lines = nil
		for i := range p.Zones {
			if z := &p.Zones[i]; !z.Served {
				lines = append(lines, []lane.Point{z.Site.At, q.gateways[0].At})
			}
		}
	}
	for _, line := range lines {
		left := alongStep
		for i := 1; i < len(line); i++ {
			a, b := line[i-1], line[i]
			d := a.Distance(b)
			for ; left < d; left += alongStep {
				x := left / d
				list = append(list, lane.Point{East: math.Round(a.East + x*(b.East-a.East)), North: math.Round(a.North + x*(b.North-a.North))})
			}
			left -= d
		}
	}
	const most = 40
	if len(list) > most {
		thin := make([]lane.Point, most)
		for i := range thin {
			thin[i] = list[i*len(list)/most]
		}
		list = thin
	}
	return list
}

// sensitivity makes each assumption wrong in turn, and reckons the ways of the answer anew.
func (q *question) sensitivity(p *Plan) (list []Effect) {
	before := 1.0
	var hops []*Hop
	for i := range p.Zones {
		if z := &p.Zones[i]; !z.Wired && len(z.Hops) > 0 {
			before = min(before, z.Within)
			hops = append(hops, z.Hops...)
		}
	}
	if hops == nil {
		return nil
	}
	try := func(name string, fade time.Duration, change func(h *Hop) (float64, error)) {
		e := Effect{Assumption: name, Within: 1, Before: before}
		delta := map[*Way]float64{}
		for _, h := range hops {
			if _, ok := delta[h.Way]; !ok {
				d, err := change(h)
				if err != nil { // out of a formula's range: that it does nothing would be a lie
					q.unjudge(name + ": " + err.Error())
					return
				}
				delta[h.Way] = d
				if math.Abs(d) > math.Abs(e.DB) {
					e.DB, e.Hop = d, h
				}
			}
		}
		if !slices.ContainsFunc(hops, func(h *Hop) bool { return delta[h.Way] != e.DB }) {
			e.Hop = nil
		}
		for i := range p.Zones {
			z := &p.Zones[i]
			if z.Wired || len(z.Hops) == 0 {
				continue
			}
			var margins []float64
			for _, h := range z.Hops {
				margins = append(margins, h.Margin+delta[h.Way])
			}
			if x := within(z.Hops[0].pace(), margins, q.o.Goal.Within, fade); e.Zone == nil || x < e.Within {
				e.Within, e.Zone = x, z.Zone
			}
		}
		list = append(list, e)
	}
	add := func(name string, change func(h *Hop) (float64, error)) { try(name, coherence, change) }
	again := func(change func(s *surveyor, from, to *lane.Site)) func(h *Hop) (float64, error) {
		return func(h *Hop) (float64, error) {
			s := surveyor{lane: q.s.lane, depth: 1}
			from, to := *h.From, *h.To
			change(&s, &from, &to)
			s.look(&from, &to)
			w, err := s.way(&from, &to, h.Frequency)
			if err != nil {
				return 0, err
			}
			return h.InLeaf() - w.InLeaf(), nil
		}
	}
	add("all antennas 1 m lower", again(func(_ *surveyor, from, to *lane.Site) {
		lower := func(h float64) float64 { return max(h-1, min(h, 0.5)) }
		from.AntennaHeight, to.AntennaHeight = lower(from.AntennaHeight), lower(to.AntennaHeight)
	}))
	add("half as much again of leaves and wood in the way", again(func(s *surveyor, _, _ *lane.Site) { s.depth = 1.5 }))
	add("the ground half way 2 m higher than the lane file has it", again(func(s *surveyor, _, _ *lane.Site) { s.off = 2 }))
	add("noise of the place 6 dB higher", func(*Hop) (float64, error) { return -6, nil })
	add("an antenna that is mounted badly or whose cable is wet: 3 dB", func(*Hop) (float64, error) { return -3, nil })
	// What moves makes fades pass; where nothing does a path stays in one. How long is our choice, no source.
	try("fades that last 10 s, as on a still winter day, and not 1 s", 10*time.Second, func(*Hop) (float64, error) { return 0, nil })
	slices.SortStableFunc(list, func(a, b Effect) int {
		switch {
		case a.Within < b.Within-1e-9, math.Abs(a.Within-b.Within) <= 1e-9 && a.DB < b.DB:
			return -1
		case b.Within < a.Within-1e-9, math.Abs(a.Within-b.Within) <= 1e-9 && b.DB < a.DB:
			return 1
		}
		return 0
	})
	return list
}
