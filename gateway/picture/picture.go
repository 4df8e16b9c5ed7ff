// Package picture is a site as it is now, for whoever looks at it: made of what the gateway's core observes, in memory, and of the history
// for what was.
//
//	p := picture.New(picture.Options{...})
//	gateway.Options{Observe: p.Observe}     // from the core's goroutine; it returns at once
//	board.Options{Source: p}
//
// It decides nothing and keeps nothing that a restart must not cost.
package picture

import (
	"context"
	"encoding/base64"
	"maps"
	"slices"
	"strconv"
	"sync"
	"time"

	"longlane/gateway"
	"longlane/gateway/board"
	"longlane/gateway/logbook"
	"longlane/gateway/passage"
	"longlane/queue/history"
	"longlane/queue/history/watched"
)

// Options say what a Picture is made from. All functions are called for each look, from any goroutine, and read no disk.
type Options struct {
	Site, Gateway string
	Clock         gateway.Clock
	Titles        map[string]string // of zones
	Low           map[string]float64
	Plan          *board.Plan // nil: no lane file

	Bearers      func() []board.Bearer
	Sinks        func() []board.Sink
	Annunciators func() []board.Annunciator
	Queue        func() board.Queue
	Faults       func() []gateway.Fault
	Seen         func(id string) error // gateway.ErrNoFault: it does not stand

	// History is what was; nil, or with an error: it cannot be told.
	History func(ctx context.Context) (logbook.Reader, error)
	// Passes says what a dwell is taken for.
	Passes passage.Settings
	// Tell hands on what happens; it never blocks. nil: nobody listens.
	Tell func(board.Event)
}

// Picture implements board.Source. It is safe for concurrent use.
type Picture struct {
	o     Options
	start time.Duration

	mu    sync.Mutex // guards what follows
	zones map[string]*zone
	nodes map[string]*gateway.NodeIs
	hops  map[hop]*dayOf
	ears  map[string]time.Duration // when an annunciator last said that it hears the gateway
	trips []board.Trip             // the newest of this run, in order of their coming, for as long as nobody knows the time and the history cannot place them
}

// mostTrips of this run are kept.
const mostTrips = 100

type zone struct {
	gateway.ZoneIs
	trip    time.Duration // the newest opening
	tripped bool
}

type hop struct{ from, to string }

// New begins a picture; nothing is known yet.
func New(o Options) *Picture {
	return &Picture{o: o, start: o.Clock.Mono(), zones: map[string]*zone{}, nodes: map[string]*gateway.NodeIs{}, hops: map[hop]*dayOf{}, ears: map[string]time.Duration{}}
}

// Observe takes in what the core observes.
func (p *Picture) Observe(o gateway.Observation) {
	if e, ok := p.take(o); ok && p.o.Tell != nil {
		p.o.Tell(e)
	}
}

func (p *Picture) take(o gateway.Observation) (e board.Event, tell bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := p.now()
	switch o := o.(type) {
	case gateway.ZoneIs:
		z := p.zones[o.Zone]
		if o.Gone {
			delete(p.zones, o.Zone)
			return board.Event{Kind: board.OnChange}, true
		}
		if z == nil {
			z = &zone{}
			p.zones[o.Zone] = z
		}
		z.ZoneIs = o
		shown := p.zone(z, now)
		return board.Event{Kind: board.OnZone, Zone: &shown}, true
	case gateway.NodeIs:
		if o.Gone {
			delete(p.nodes, o.Node)
		} else {
			p.nodes[o.Node] = &o
		}
		return board.Event{Kind: board.OnChange}, true
	case gateway.CheckInSeen:
		for _, h := range o.Hops {
			p.day(hop{h.From, h.To}).add(now.mono, h.Margin)
		}
	case gateway.EarSeen:
		if _, known := p.ears[o.Annunciator]; known || len(p.ears) < mostEars {
			p.ears[o.Annunciator] = o.At
		}
	case gateway.EventSeen:
		if o.Entry == nil || o.Entry.Trip == nil {
			return e, false
		}
		t := p.tripOf(o.Entry, now)
		p.keep(t)
		if z := p.zones[t.Zone]; z != nil && !t.Test && !o.Entry.Trip.Closed && (!z.tripped || o.Entry.Mono > z.trip) {
			z.trip, z.tripped = o.Entry.Mono, true
		}
		return board.Event{Kind: board.OnTrip, Trip: &t}, true
	case gateway.FaultIs:
		return board.Event{Kind: board.OnFault, Fault: &board.FaultChange{Fault: fault(o.Fault, now), Ended: o.Ended}}, true
	}
	return e, false
}

// moment is now, on both clocks.
type moment struct {
	mono time.Duration
	wall time.Time
	set  bool
}

func (p *Picture) now() moment { return moment{p.o.Clock.Mono(), p.o.Clock.Wall(), p.o.Clock.Set()} }

// past is a moment of this run.
func (m moment) past(mono time.Duration) *board.Past {
	t := &board.Past{Ago: max(m.mono-mono, 0).Seconds()}
	if m.set {
		t.At = m.wall.Add(mono - m.mono).UTC()
	}
	return t
}

// Now is all that is current.
func (p *Picture) Now() board.Situation {
	now := p.now()
	s := board.Situation{Site: p.o.Site, Gateway: p.o.Gateway, At: now.wall, Clock: board.ClockUnset, Serving: now.past(p.start), Plan: p.o.Plan,
		Bearers: p.o.Bearers(), Sinks: p.o.Sinks(), Annunciators: p.o.Annunciators(), Queue: p.o.Queue()}
	if now.set {
		s.Clock = board.ClockSet
	}
	for _, f := range p.o.Faults() {
		s.Faults = append(s.Faults, fault(f, now))
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	for i := range s.Annunciators {
		if at, ok := p.ears[s.Annunciators[i].Name]; ok {
			s.Annunciators[i].Heard = now.past(at)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(p.zones)) {
		s.Zones = append(s.Zones, p.zone(p.zones[name], now))
	}
	for _, name := range slices.Sorted(maps.Keys(p.nodes)) {
		s.Nodes = append(s.Nodes, p.node(p.nodes[name], now))
	}
	return s
}

func (p *Picture) zone(z *zone, now moment) board.Zone {
	b := board.Zone{Name: z.Zone, Title: p.title(z.Zone), Node: z.Node, State: z.State, Why: z.Why, Since: now.past(z.Since)}
	if z.tripped {
		b.Last = now.past(z.trip)
	}
	return b
}

func (p *Picture) title(zone string) string {
	if t := p.o.Titles[zone]; t != "" {
		return t
	}
	return zone
}

func (p *Picture) node(n *gateway.NodeIs, now moment) board.Node {
	b := board.Node{Name: n.Node, Relay: n.Relay, Severity: n.Severity, Reason: n.Reason, Bearer: n.Bearer, Mains: n.Mains, Battery: n.Battery, Temperature: n.Temperature}
	if n.EverHeard {
		b.Heard = now.past(n.Heard)
	}
	if low, ok := p.o.Low[n.Node]; ok {
		b.Low = &low
	}
	for _, h := range n.Hops {
		if h.From != n.Node {
			break // from there on it is another's hop
		}
		s := board.Hop{From: h.From, To: h.To, RSSI: h.RSSI, SNR: h.SNR, Margin: h.Margin}
		if d := p.hops[hop{h.From, h.To}]; d != nil {
			s.Lowest, s.Median, s.Highest = d.span(now.mono)
			if m := h.Margin; m != nil && s.Lowest != nil { // they are in whole dB
				s.Lowest, s.Highest = board.Figure(min(*s.Lowest, *m)), board.Figure(max(*s.Highest, *m))
			}
		}
		b.Hops = append(b.Hops, s)
	}
	return b
}

// fault is one that stands. Its id is of this one time that it does.
func fault(f gateway.Fault, now moment) board.Fault {
	b := board.Fault{ID: base64.RawURLEncoding.EncodeToString([]byte(f.ID + "\n" + strconv.FormatInt(int64(f.Since.Mono), 10))), Verdict: f.Verdict}
	switch {
	case !f.Since.Wall.IsZero() && now.set:
		b.Began = &board.Past{At: f.Since.Wall.UTC(), Ago: max(now.wall.Sub(f.Since.Wall), 0).Seconds()}
	case f.Since.Wall.IsZero() && f.Since.Mono != 0 && f.Since.Mono <= now.mono:
		b.Began = now.past(f.Since.Mono)
	}
	if !f.Seen.IsZero() {
		b.Seen = &board.Past{At: f.Seen.UTC(), Ago: max(now.wall.Sub(f.Seen), 0).Seconds()}
	}
	return b
}

// Acknowledge notes that a fault has been seen.
func (p *Picture) Acknowledge(_ context.Context, id string) error {
	now := p.now()
	for _, f := range p.o.Faults() {
		if fault(f, now).ID != id {
			continue
		}
		if p.o.Seen(f.ID) != nil {
			break // it has just ended
		}
		return nil
	}
	return board.ErrNoFault
}

// tripOf is a trip as it comes in. Its end has the id of its beginning.
func (p *Picture) tripOf(e *gateway.Entry, now moment) board.Trip {
	t := e.Trip
	at := e.Wall
	if at.IsZero() && e.Boot == p.o.Clock.Boot { // by a clock that nobody has set, as all that is shown then
		at = now.wall.Add(e.Mono - now.mono)
	}
	b := board.Trip{ID: t.Opening.String(), Zone: e.Zone, Title: p.title(e.Zone), Node: e.Node, At: at, Margin: board.Figure(t.Margin), Test: t.Test,
		Uncertain: t.Uncertain, Delayed: t.Late, Unproven: t.Unproven, Supervised: t.Supervised}
	if t.Closed && t.Dwell >= 0 {
		b.Dwell, b.Class = p.dwell(t.Dwell)
	}
	return b
}

// keep notes a trip of this run. Its end takes the place of its beginning.
func (p *Picture) keep(t board.Trip) {
	if i := slices.IndexFunc(p.trips, func(o board.Trip) bool { return o.ID == t.ID }); i >= 0 {
		if t.Dwell != nil || p.trips[i].Dwell == nil {
			t.At = p.trips[i].At // of the opening
			p.trips[i] = t
		}
		return
	}
	if len(p.trips) == mostTrips {
		p.trips = p.trips[:copy(p.trips, p.trips[1:])]
	}
	p.trips = append(p.trips, t)
}

// unplaced are the trips of this run that the history cannot place, the newest first, while no clock is set.
func (p *Picture) unplaced(from, to time.Time, limit int) (list []board.Trip) {
	if p.o.Clock.Set() {
		return nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, t := range slices.Backward(p.trips) {
		if len(list) < limit && !t.At.Before(from) && t.At.Before(to) {
			list = append(list, t)
		}
	}
	return list
}

// dwell gives a dwell in seconds, and what it is taken for, in words.
func (p *Picture) dwell(d time.Duration) (*float64, string) {
	s := float64(d.Milliseconds()) / 1e3
	return &s, p.o.Passes.OfDwell(d, passage.DwellError(d)).String()
}

// Trips are the newest of a time, the newest first. What was before the newest limit of them is walked past and not kept.
func (p *Picture) Trips(ctx context.Context, from, to time.Time, limit int) ([]board.Trip, error) {
	if list := p.unplaced(from, to, limit); len(list) > 0 {
		return list, nil
	}
	r, err := p.o.History(ctx)
	if err != nil {
		return nil, err
	}
	var ring []board.Trip
	n := 0
	err = r.Trips(from, to, func(t *history.Trip) error {
		if b := p.kept(t); len(ring) < limit {
			ring = append(ring, b)
		} else {
			ring[n%limit] = b
		}
		n++
		return ctx.Err()
	})
	if err != nil {
		return nil, err
	}
	if n > len(ring) {
		ring = slices.Concat(ring[n%limit:], ring[:n%limit])
	}
	slices.Reverse(ring)
	return ring, nil
}

func (p *Picture) kept(t *history.Trip) board.Trip {
	b := board.Trip{ID: gateway.ID{Node: t.ID.Node, Gen: t.ID.Gen, Counter: t.ID.Counter}.String(), Zone: t.Zone, Title: p.title(t.Zone), Node: t.Node, At: t.At.Wall, Margin: board.Figure(t.Margin),
		Test: t.Test, Uncertain: t.Uncertain, Delayed: t.Delayed, Unproven: t.Unproven, Supervised: t.Supervised}
	if t.Closed && t.Dwell >= 0 {
		b.Dwell, b.Class = p.dwell(t.Dwell)
	}
	return b
}

var qualities = map[history.Quality]string{history.EndToEnd: board.EndToEnd, history.RadioOnly: board.RadioOnly, history.Gap: board.Gap}

// Watched tells whether a zone was watched.
func (p *Picture) Watched(ctx context.Context, zone string, from, to time.Time) (board.Watched, error) {
	w := board.Watched{Zone: zone, From: from, To: to}
	r, err := p.o.History(ctx)
	if err != nil {
		return w, err
	}
	var spans []history.Span
	if err := r.Spans(history.Watch, zone, from, to, func(s *history.Span) error { spans = append(spans, *s); return ctx.Err() }); err != nil {
		return w, err
	}
	for _, s := range watched.Timeline(spans, from, to) {
		b := board.Span{From: s.From.Wall, To: s.Until(), Quality: qualities[s.Quality], Cause: s.Cause}
		switch s.Quality {
		case history.EndToEnd:
			w.EndToEnd += s.Length.Seconds()
		case history.RadioOnly:
			w.RadioOnly += s.Length.Seconds()
		default:
			w.Gap += s.Length.Seconds()
		}
		w.Spans = append(w.Spans, b)
	}
	return w, nil
}

// Curves are the hours of a node.
func (p *Picture) Curves(ctx context.Context, node string, from, to time.Time) ([]board.Hour, error) {
	r, err := p.o.History(ctx)
	if err != nil {
		return nil, err
	}
	var list []board.Hour
	err = r.Hours(from, to, func(h *history.Hour) error {
		if h.Node != node {
			return ctx.Err()
		}
		b := board.Hour{At: h.At.Wall}
		if h.Lowest > 0 {
			b.Battery = board.Figure(h.Lowest)
		}
		for i := range h.Hops {
			if len(h.Hops[i].Margins) > 0 {
				b.Hops = append(b.Hops, board.HopMargin{From: h.Hops[i].From, To: h.Hops[i].To, Lowest: h.Hops[i].Lowest(), Median: h.Hops[i].Median()})
			}
		}
		list = append(list, b)
		return nil
	})
	slices.SortStableFunc(list, func(a, b board.Hour) int { return a.At.Compare(b.At) })
	return list, err
}

// Recall takes up the margins of the last day from the history, once it is open: a restart costs no range.
func (p *Picture) Recall(ctx context.Context) error {
	r, err := p.o.History(ctx)
	if err != nil {
		return err
	}
	now := p.now()
	if !now.set {
		return nil
	}
	return r.Hours(now.wall.Add(-24*time.Hour), now.wall, func(h *history.Hour) error {
		p.mu.Lock()
		defer p.mu.Unlock()
		for i := range h.Hops {
			p.day(hop{h.Hops[i].From, h.Hops[i].To}).recall(now.mono-now.wall.Sub(h.At.Wall), h.Hops[i].Margins)
		}
		return ctx.Err()
	})
}

func (p *Picture) day(h hop) *dayOf {
	d := p.hops[h]
	if d == nil {
		if len(p.hops) >= mostHops {
			return &dayOf{} // more than a lane has
		}
		d = &dayOf{}
		p.hops[h] = d
	}
	return d
}

const (
	mostHops = 1024
	mostEars = 256
)

var _ board.Source = (*Picture)(nil)
