package board

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"longlane/gateway/health"
)

// site is a made-up site. It is a Source, and its Situation is changed by tests.
type site struct {
	mu    sync.Mutex
	now   Situation
	trips []Trip // the newest first
	gaps  map[string][]Span
	hours func(node string, from, to time.Time) []Hour
	fail  error // what history answers
}

func (s *site) Now() Situation {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := s.now
	n.Faults, n.Nodes, n.Zones, n.Annunciators = slices.Clone(n.Faults), slices.Clone(n.Nodes), slices.Clone(n.Zones), slices.Clone(n.Annunciators)
	return n
}

func (s *site) Trips(_ context.Context, from, to time.Time, limit int) (list []Trip, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, t := range s.trips {
		if !t.At.Before(from) && t.At.Before(to) && len(list) < limit {
			list = append(list, t)
		}
	}
	return list, s.fail
}

func (s *site) Watched(_ context.Context, zone string, from, to time.Time) (Watched, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	w := Watched{Zone: zone, From: from, To: to}
	at := from
	put := func(until time.Time, quality, cause string) {
		if until.After(to) {
			until = to
		}
		if !at.Before(until) {
			return
		}
		w.Spans = append(w.Spans, Span{at, until, quality, cause})
		d := until.Sub(at).Seconds()
		switch quality {
		case EndToEnd:
			w.EndToEnd += d
		case RadioOnly:
			w.RadioOnly += d
		default:
			w.Gap += d
		}
		at = until
	}
	for _, g := range s.gaps[zone] {
		put(g.From, EndToEnd, "")
		put(g.To, g.Quality, g.Cause)
	}
	put(to, EndToEnd, "")
	return w, s.fail
}

func (s *site) Curves(_ context.Context, node string, from, to time.Time) ([]Hour, error) {
	return s.hours(node, from, to), s.fail
}

func (s *site) Acknowledge(_ context.Context, fault string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range s.now.Faults {
		if f := &s.now.Faults[i]; f.ID == fault {
			f.Seen = cmp.Or(f.Seen, past(s.now.At, 1))
			return nil
		}
	}
	return ErrNoFault
}

func (s *site) change(f func(s *Situation)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f(&s.now)
}

func past(now time.Time, ago float64) *Past {
	return &Past{now.Add(-time.Duration(ago * float64(time.Second))), ago}
}

func hop(from, to string, margin, low, high float64) Hop {
	return Hop{From: from, To: to, RSSI: Figure(math.Round(-117 + margin)), SNR: Figure(margin - 7.5), Margin: Figure(margin), Lowest: Figure(low), Median: Figure((low + high) / 2), Highest: Figure(high)}
}

// orchard is the hill orchard on a day on which most is well.
func orchard(now time.Time) *site {
	four, eleven := 4, 11
	s := &site{gaps: map[string][]Span{}, hours: weather(7)}
	low := Figure(3.5)
	s.now = Situation{Site: "hill-orchard", Gateway: "house", At: now, Clock: ClockSet, Serving: past(now, 400000),
		Plan: &Plan{
			Places: []Place{{"house", XY{0, 0}}, {"shop", XY{130, -90}}, {"barn", XY{260, 150}}, {"mill-relay", XY{640, 300}}, {"cattle-grid", XY{900, -60}},
				{"ridge-relay", XY{1180, 640}}, {"ridge-gate", XY{1490, 470}}, {"river-gate", XY{1985, 1010}}},
			Course: [][]XY{
				{{0, 0}, {120, 30}, {260, 110}, {430, 140}, {620, 240}, {800, 420}, {1010, 520}, {1200, 500}, {1490, 455}, {1700, 620}, {1850, 860}, {1980, 1000}},
				{{430, 140}, {640, 60}, {910, -70}},
				{{60, 15}, {130, -80}}},
		},
		Zones: []Zone{
			{Name: "cattle-grid", Title: "Cattle grid", Node: "cattle-grid", State: Clear, Since: past(now, 8100), Last: past(now, 8104)},
			{Name: "ridge-gate", Title: "Ridge gate", Node: "ridge-gate", State: Clear, Since: past(now, 51000), Last: past(now, 51010)},
			{Name: "river-gate", Title: "River gate", Node: "river-gate", State: Clear, Since: past(now, 1370), Last: past(now, 1374)},
			{Name: "barn-door", Title: "Barn door", Node: "barn-door", State: Clear, Since: past(now, 30000), Last: past(now, 30020)},
		},
		Nodes: []Node{
			{Name: "barn-door", Place: "barn", Heard: past(now, 240), Bearer: "wifi", Mains: true, Hops: []Hop{{From: "barn-door", To: "house"}}},
			{Name: "mill-relay", Relay: true, Heard: past(now, 95), Bearer: "mast", Battery: Figure(4.02), Low: low, Temperature: &eleven, Hops: []Hop{hop("mill-relay", "house", 17.5, 13, 20)}},
			{Name: "cattle-grid", Heard: past(now, 610), Bearer: "mast", Battery: Figure(3.88), Low: low, Temperature: &eleven, Hops: []Hop{hop("cattle-grid", "mill-relay", 7.2, 4.1, 9.8)}},
			{Name: "ridge-relay", Relay: true, Heard: past(now, 130), Bearer: "mast", Battery: Figure(4.11), Low: low, Temperature: &four, Hops: []Hop{hop("ridge-relay", "mill-relay", 12.4, 10.2, 14.1), hop("ridge-relay", "house", 1.8, -0.5, 3.9)}},
			{Name: "ridge-gate", Heard: past(now, 420), Bearer: "mast", Battery: Figure(3.97), Low: low, Temperature: &four, Hops: []Hop{hop("ridge-gate", "ridge-relay", 15.1, 11.6, 18)}},
			{Name: "river-gate", Heard: past(now, 300), Bearer: "mast", Battery: Figure(4.05), Low: low, Temperature: &four, Hops: []Hop{hop("river-gate", "ridge-relay", 11.3, 8.9, 13.6)}},
		},
		Bearers: []Bearer{{Name: "mast", Radio: true, Up: true, Used: 7.4, Lawful: 360, Rule: "869.4 to 869.65 MHz, 10 % of an hour", Noise: Figure(-112), NoiseLowest: Figure(-118), NoiseHighest: Figure(-104)},
			{Name: "wifi", Up: true}},
		Queue:        Queue{Waiting: 0, Used: 412 << 10, Capacity: 64 << 20},
		Sinks:        []Sink{{Name: "mqtt", To: "mqtt://127.0.0.1:1883", Required: true, Up: true}},
		Annunciators: []Annunciator{{Name: "house", Up: true, Heard: past(now, 3)}, {Name: "shop", Up: true, Heard: past(now, 2)}},
	}
	for i, t := range []struct {
		ago   float64
		zone  int
		dwell float64
	}{{1374, 2, 4.1}, {1502, 0, 2.7}, {8104, 0, 3.3}, {30020, 3, 46}, {51010, 1, 5.2}, {51300, 2, 3.9}, {90200, 2, 4.4}, {91000, 0, 2.2}, {176000, 1, 7}} {
		z := s.now.Zones[t.zone]
		s.trips = append(s.trips, Trip{ID: fmt.Sprintf("%d.0.%d", t.zone+3, 900-i), Zone: z.Name, Title: z.Title, Node: z.Node, At: now.Add(-time.Duration(t.ago * float64(time.Second))),
			Dwell: Figure(t.dwell), Margin: Figure(7 + float64(t.zone)*2), Supervised: true, Delayed: i == 5})
	}
	s.gaps["cattle-grid"] = []Span{{now.Add(-9 * time.Hour), now.Add(-8*time.Hour - 20*time.Minute), Gap, "two check-ins were missed"}}
	s.gaps["barn-door"] = []Span{{now.Add(-400 * day), now, RadioOnly, ""}}
	return s
}

// trouble makes it a day on which it is not.
func (s *site) trouble() *site {
	s.change(func(n *Situation) {
		now := n.At
		z := slices.IndexFunc(n.Zones, func(z Zone) bool { return z.Name == "cattle-grid" })
		n.Zones[z].State, n.Zones[z].Why, n.Zones[z].Since = Unwatched, "its node has not been heard for 47 min", past(now, 2820)
		i := slices.IndexFunc(n.Nodes, func(n Node) bool { return n.Name == "cattle-grid" })
		n.Nodes[i].Severity, n.Nodes[i].Reason, n.Nodes[i].Heard = health.Trouble, "Two check-ins in a row were missed.", past(now, 2820)
		n.Nodes[i].Hops[0] = hop("cattle-grid", "mill-relay", 2.1, 0.4, 9.8)
		j := slices.IndexFunc(n.Nodes, func(n Node) bool { return n.Name == "river-gate" })
		n.Nodes[j].Severity, n.Nodes[j].Reason = health.Watch, "Its battery will be low in about 30 days."
		n.Annunciators[1].Up, n.Annunciators[1].Why = false, "nothing was heard of it for 2 h"
		n.Faults = []Fault{
			{ID: "cattle-grid.overdue.1", Verdict: health.Verdict{Subject: health.Subject{Kind: health.KindNode, Name: "cattle-grid"}, Code: health.Overdue, Severity: health.Trouble,
				Reason:   "cattle-grid has not been heard for 47 min: two check-ins in a row were missed. The cattle grid is not watched.",
				Remedy:   "Look at its power first, then at its antenna and at what has grown or been parked in the path to mill-relay.",
				Evidence: []health.Figure{{Name: "last heard", Value: 2820, Unit: "s ago"}, {Name: "check-in period", Value: 900, Unit: "s"}}, Since: health.Time{Wall: now.Add(-17 * time.Minute)}}, Began: past(now, 1020)},
			{ID: "river-gate.battery-fades.4", Verdict: health.Verdict{Subject: health.Subject{Kind: health.KindNode, Name: "river-gate"}, Code: health.BatteryFades, Severity: health.Watch,
				Reason:   "The battery of river-gate runs down: at this rate it is low in about 30 days.",
				Remedy:   "Clean its panel, and look whether something shades it now.",
				Evidence: []health.Figure{{Name: "battery", Value: 4.05, Unit: "V"}, {Name: "falls", Value: -0.018, Unit: "V a day"}}, Since: health.Time{Wall: now.Add(-50 * time.Hour)}}, Began: past(now, 180000), Seen: past(now, 86000)},
		}
	})
	return s
}

// weather gives hours of check-ins that go with sun, rain and seasons.
func weather(seed uint64) func(node string, from, to time.Time) []Hour {
	return func(node string, from, to time.Time) (list []Hour) {
		r := rand.New(rand.NewPCG(seed, uint64(len(node))))
		rain := 0.0
		for at := from.Truncate(time.Hour); at.Before(to); at = at.Add(time.Hour) {
			hour, of := float64(at.Hour()), float64(at.YearDay())
			rain = 0.97*rain + 0.4*r.NormFloat64()
			season := math.Cos((of - 200) / 365 * 2 * math.Pi)
			v := 3.85 + 0.15*season + 0.08*math.Sin((hour-9)/24*2*math.Pi) - 0.02*math.Abs(rain) + 0.01*r.NormFloat64()
			m := 12 - 2*season - math.Abs(rain) + r.NormFloat64()*0.6
			if at.YearDay()%97 == 5 {
				continue // a day on which it was not heard
			}
			list = append(list, Hour{At: at, Battery: Figure(math.Round(v*100) / 100), Hops: []HopMargin{{node, "ridge-relay", math.Round(m - 1 - 2*r.Float64()), math.Round(m)}}})
		}
		return list
	}
}

// village is a site with n nodes along a winding lane, by a seed.
func village(now time.Time, n int, seed uint64) *site {
	r := rand.New(rand.NewPCG(seed, 1))
	s := orchard(now)
	p := &Plan{Places: []Place{{"house", XY{0, 0}}}}
	line := []XY{{0, 0}}
	bearing := r.Float64() * 2 * math.Pi
	s.now.Nodes, s.now.Zones = nil, nil
	last := "house"
	for i := range n {
		bearing += r.NormFloat64() * 0.35
		step := 60 + 160*r.Float64()
		end := line[len(line)-1]
		at := XY{end.X + step*math.Cos(bearing), end.Y + step*math.Sin(bearing)}
		line = append(line, at)
		name := fmt.Sprintf("gate-%d", i+1)
		relay := i%4 == 1
		if relay {
			name = fmt.Sprintf("relay-%d", i+1)
		}
		p.Places = append(p.Places, Place{name, XY{at.X + r.NormFloat64()*15, at.Y + r.NormFloat64()*15}})
		m := 8 + 6*r.NormFloat64()
		node := Node{Name: name, Relay: relay, Heard: past(now, 900*r.Float64()), Bearer: "mast", Battery: Figure(3.6 + 0.5*r.Float64()), Low: Figure(3.5), Hops: []Hop{hop(name, last, m, m-3*r.Float64(), m+3*r.Float64())}}
		s.now.Nodes = append(s.now.Nodes, node)
		if relay {
			last = name
		} else {
			s.now.Zones = append(s.now.Zones, Zone{Name: name, Title: words(name), Node: name, State: Clear, Since: past(now, 5000), Last: past(now, 5003)})
		}
	}
	p.Course = [][]XY{line}
	s.now.Plan = p
	return s
}
