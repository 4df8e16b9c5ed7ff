package picture

import (
	"context"
	"errors"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"longlane/gateway"
	"longlane/gateway/board"
	"longlane/gateway/health"
	"longlane/gateway/logbook"
	"longlane/gateway/passage"
	"longlane/queue/history"
)

var noon = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

// site is a picture with a clock that the test sets, and what it has told.
type site struct {
	*Picture
	mono   time.Duration
	set    bool
	faults []gateway.Fault
	seen   []string
	told   []board.Event
	store  *history.Store
}

func newSite(t *testing.T) *site {
	s := &site{mono: 1000 * time.Hour, set: true}
	begin := s.mono
	clock := gateway.Clock{Wall: func() time.Time { return noon.Add(s.mono - begin) }, Mono: func() time.Duration { return s.mono }, Set: func() bool { return s.set }}
	s.Picture = New(Options{Site: "hill-orchard", Gateway: "house", Clock: clock, Titles: map[string]string{"river-gate": "River gate"}, Low: map[string]float64{"river-gate": 3.3},
		Bearers:      func() []board.Bearer { return []board.Bearer{{Name: "mast", Up: true}} },
		Sinks:        func() []board.Sink { return []board.Sink{{Name: "mqtt", Up: true}} },
		Annunciators: func() []board.Annunciator { return []board.Annunciator{{Name: "shop", Up: true}} }, Queue: func() board.Queue { return board.Queue{Capacity: 100} },
		Faults: func() []gateway.Fault { return s.faults },
		Seen: func(id string) error {
			s.seen = append(s.seen, id)
			return nil
		},
		History: func(context.Context) (logbook.Reader, error) {
			if s.store == nil {
				return nil, errors.New("it is being opened")
			}
			return s.store, nil
		},
		Passes: passage.Defaults(), Tell: func(e board.Event) { s.told = append(s.told, e) }})
	return s
}

func (s *site) open(t *testing.T) *history.Store {
	t.Helper()
	h, _, err := history.Open(filepath.Join(t.TempDir(), history.File), history.Options{LeaveFree: 1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { h.Close() })
	s.store = h
	return h
}

func volts(v float64) *float64 { return &v }

// A node and its zone are shown as the core last told of them, with ages that grow, and with times only while the clock is set.
func TestNow(t *testing.T) {
	s := newSite(t)
	s.Observe(gateway.ZoneIs{Zone: "river-gate", Node: "river-gate", State: "clear", Since: s.mono - time.Minute})
	s.Observe(gateway.NodeIs{Node: "river-gate", Reason: "its frames arrive", Severity: health.Watch, Heard: s.mono - 5*time.Second, EverHeard: true, Bearer: "mast", Battery: volts(3.6),
		Hops: []gateway.HopIs{{From: "river-gate", To: "oak-relay", Margin: volts(9.5), Proven: true}, {From: "oak-relay", To: "house", Margin: volts(20), Proven: true}}})
	s.Observe(gateway.NodeIs{Node: "oak-relay", Relay: true})
	for _, m := range []float64{4, 12, 12, 10, math.NaN()} {
		s.Observe(gateway.CheckInSeen{Node: "river-gate", Hops: []gateway.HopMargin{{From: "river-gate", To: "oak-relay", Margin: m}}})
	}
	s.mono += 10 * time.Second
	now := s.Now()
	if now.Site != "hill-orchard" || now.Gateway != "house" || now.Clock != board.ClockSet || !now.At.Equal(noon.Add(10*time.Second)) || now.Serving.Ago != 10 {
		t.Errorf("%+v", now)
	}
	z := now.Zones[0]
	if len(now.Zones) != 1 || z.Title != "River gate" || z.State != board.Clear || z.Since.Ago != 70 || !z.Since.At.Equal(noon.Add(-time.Minute)) || z.Last != nil {
		t.Errorf("zone %+v, since %+v", z, z.Since)
	}
	if len(now.Nodes) != 2 || now.Nodes[0].Name != "oak-relay" || !now.Nodes[0].Relay || now.Nodes[0].Heard != nil {
		t.Errorf("nodes %+v", now.Nodes)
	}
	n := now.Nodes[1]
	if n.Severity != health.Watch || n.Heard.Ago != 15 || *n.Battery != 3.6 || *n.Low != 3.3 || len(n.Hops) != 1 {
		t.Errorf("node %+v", n)
	}
	h := n.Hops[0]
	if *h.Margin != 9.5 || *h.Lowest != 4 || *h.Median != 10 || *h.Highest != 12 {
		t.Errorf("hop: now %v, %v to %v, median %v; want 9.5, 4 to 12, 10", *h.Margin, *h.Lowest, *h.Highest, *h.Median)
	}
	if now.Annunciators[0].Heard != nil {
		t.Errorf("the shop was heard %v ago, and has never said so", now.Annunciators[0].Heard.Ago)
	}
	s.Observe(gateway.EarSeen{Annunciator: "shop", At: s.mono - 7*time.Second})
	if a := s.Now().Annunciators[0]; a.Heard == nil || a.Heard.Ago != 7 {
		t.Errorf("the shop: %+v", a)
	}
	s.set = false
	if now := s.Now(); now.Clock != board.ClockUnset || !now.Zones[0].Since.At.IsZero() || now.Zones[0].Since.Ago != 70 {
		t.Errorf("without a clock: %+v, since %+v", now.Clock, now.Zones[0].Since)
	}
	s.Observe(gateway.ZoneIs{Zone: "river-gate", Gone: true})
	s.Observe(gateway.NodeIs{Node: "river-gate", Gone: true})
	if now := s.Now(); len(now.Zones) != 0 || len(now.Nodes) != 1 {
		t.Errorf("what is gone is shown: %+v %+v", now.Zones, now.Nodes)
	}
}

// A hop's range is of the last day: what is older is left out, and after a restart the history gives it back.
func TestRangeOfTheDay(t *testing.T) {
	s := newSite(t)
	s.Observe(gateway.NodeIs{Node: "river-gate", Hops: []gateway.HopIs{{From: "river-gate", To: "house", Margin: volts(10)}}})
	seen := func(m float64) {
		s.Observe(gateway.CheckInSeen{Hops: []gateway.HopMargin{{From: "river-gate", To: "house", Margin: m}}})
	}
	lowest := func() float64 {
		h := s.Now().Nodes[0].Hops[0]
		if h.Lowest == nil {
			return math.NaN()
		}
		return *h.Lowest
	}
	seen(2)
	for range 23 {
		s.mono += time.Hour
		seen(10)
		if got := lowest(); got != 2 {
			t.Fatalf("lowest %v, want 2", got)
		}
	}
	s.mono += 3 * time.Hour
	seen(10)
	if got := lowest(); got != 10 {
		t.Errorf("lowest %v a day later, want 10", got)
	}

	s = newSite(t)
	if err := s.Recall(t.Context()); err == nil {
		t.Errorf("recalled from a history that is not open")
	}
	store := s.open(t)
	hour := func(ago time.Duration, m int8) history.Hour {
		return history.Hour{Node: "river-gate", At: history.Moment{Wall: noon.Add(-ago)}, Count: 1, Hops: []history.Hop{{From: "river-gate", To: "house", Margins: map[int8]int{m: 3}}}}
	}
	if err := store.Write(history.Batch{Hours: []history.Hour{hour(2*time.Hour, 3), hour(30*time.Hour, 1)}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Recall(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.Observe(gateway.NodeIs{Node: "river-gate", Hops: []gateway.HopIs{{From: "river-gate", To: "house", Margin: volts(10)}}})
	if got := lowest(); got != 3 {
		t.Errorf("lowest %v after a restart, want 3", got)
	}
}

// A trip is told as it opens, and again under the same id with its dwell and what that is taken for; the zone knows its newest.
func TestTripsAreTold(t *testing.T) {
	s := newSite(t)
	s.Observe(gateway.ZoneIs{Zone: "river-gate", State: "clear"})
	s.told = nil
	id := gateway.ID{Node: 3, Gen: 1, Counter: 7}
	trip := func(closed, test bool, dwell time.Duration) {
		s.Observe(gateway.EventSeen{Entry: &gateway.Entry{Zone: "river-gate", Node: "river-gate", Mono: s.mono - time.Second, Wall: noon,
			Trip: &gateway.TripEntry{Opening: id, Closed: closed, Test: test, Dwell: dwell, Margin: math.NaN()}}})
	}
	trip(false, true, -1)
	if z := s.Now().Zones[0]; z.Last != nil {
		t.Errorf("a test trip counts as a visit: %+v", z.Last)
	}
	trip(false, false, -1)
	trip(true, false, 40*time.Second)
	if len(s.told) != 3 {
		t.Fatalf("%d events told, want 3", len(s.told))
	}
	opened, closed := s.told[1].Trip, s.told[2].Trip
	if opened.ID != "3.1.7" || opened.Title != "River gate" || opened.Dwell != nil || opened.Class != "" || opened.Margin != nil || !opened.At.Equal(noon) {
		t.Errorf("opened: %+v", opened)
	}
	if closed.ID != opened.ID || *closed.Dwell != 40 || closed.Class == "" {
		t.Errorf("closed: %+v", closed)
	}
	if z := s.Now().Zones[0]; z.Last == nil || z.Last.Ago != 1 {
		t.Errorf("the zone's newest trip: %+v", z.Last)
	}
}

// A fault's id is of the one time that it stands: who says that he has seen it does not say so of the next.
func TestAcknowledge(t *testing.T) {
	s := newSite(t)
	f := gateway.Fault{ID: "overdue node/river-gate", Verdict: health.Verdict{Code: health.Overdue, Since: health.Time{Mono: s.mono - time.Minute, Wall: noon.Add(-time.Minute)}}}
	s.faults = []gateway.Fault{f}
	s.Observe(gateway.FaultIs{Fault: f})
	shown := s.Now().Faults[0]
	if s.told[0].Fault.ID != shown.ID || s.told[0].Fault.Ended || shown.Began.Ago != 60 || shown.Seen != nil {
		t.Errorf("told %+v, shown %+v", s.told[0].Fault, shown)
	}
	if err := s.Acknowledge(t.Context(), shown.ID); err != nil || !slices.Equal(s.seen, []string{f.ID}) {
		t.Errorf("Acknowledge: %v, seen %q", err, s.seen)
	}
	s.faults[0].Since.Mono += time.Second
	if err := s.Acknowledge(t.Context(), shown.ID); !errors.Is(err, board.ErrNoFault) || len(s.seen) != 1 {
		t.Errorf("the next time that it stands: %v, seen %q; want ErrNoFault", err, s.seen)
	}
}

// What was comes from the history: the newest trips first, and no more than asked for; spans without holes; a node's own hours.
func TestFromHistory(t *testing.T) {
	s := newSite(t)
	if _, err := s.Trips(t.Context(), noon, noon.Add(time.Hour), 3); err == nil {
		t.Errorf("trips of a history that is not open")
	}
	store := s.open(t)
	b := history.Batch{}
	for i := range 7 {
		b.Trips = append(b.Trips, history.Trip{ID: history.TripID{Node: 3, Gen: 1, Counter: uint32(i + 1)}, At: history.Moment{Wall: noon.Add(time.Duration(i) * time.Minute)}, Zone: "river-gate",
			Node: "river-gate", Dwell: time.Duration(i) * 100 * time.Millisecond, Opened: true, Closed: i%2 == 0, Margin: math.NaN()})
	}
	b.Spans = []history.Span{{Kind: history.Watch, Subject: "river-gate", From: history.Moment{Wall: noon}, Length: 30 * time.Minute, Quality: history.EndToEnd},
		{Kind: history.Watch, Subject: "river-gate", From: history.Moment{Wall: noon.Add(30 * time.Minute)}, Length: 10 * time.Minute, Cause: "ridge relay silent"}}
	b.Hours = []history.Hour{{Node: "river-gate", At: history.Moment{Wall: noon}, Count: 4, Lowest: 3.5}, {Node: "oak-relay", At: history.Moment{Wall: noon}, Count: 4}}
	if err := store.Write(b); err != nil {
		t.Fatal(err)
	}
	for limit := 1; limit < 9; limit++ {
		got, err := s.Trips(t.Context(), noon, noon.Add(time.Hour), limit)
		if err != nil || len(got) != min(limit, 7) {
			t.Fatalf("limit %d: %d trips, %v", limit, len(got), err)
		}
		for i, trip := range got {
			if want := (gateway.ID{Node: 3, Gen: 1, Counter: uint32(7 - i)}).String(); trip.ID != want {
				t.Errorf("limit %d: trip %d is %s, want %s", limit, i, trip.ID, want)
			}
			if closed := (7-i)%2 == 1; closed != (trip.Dwell != nil) {
				t.Errorf("trip %s has dwell %v", trip.ID, trip.Dwell)
			}
		}
	}
	w, err := s.Watched(t.Context(), "river-gate", noon, noon.Add(time.Hour))
	if err != nil || w.EndToEnd != 1800 || w.RadioOnly != 0 || w.Gap != 1800 || len(w.Spans) != 3 || w.Spans[1].Cause != "ridge relay silent" || w.Spans[0].Quality != board.EndToEnd {
		t.Errorf("watched %+v, %v", w, err)
	}
	for i := 1; i < len(w.Spans); i++ {
		if !w.Spans[i].From.Equal(w.Spans[i-1].To) {
			t.Errorf("a hole before span %d", i)
		}
	}
	hours, err := s.Curves(t.Context(), "river-gate", noon.Add(-time.Hour), noon.Add(time.Hour))
	if err != nil || len(hours) != 1 || *hours[0].Battery != 3.5 {
		t.Errorf("hours %+v, %v", hours, err)
	}
}

// While nobody has set the clock trips are shown by the clock as it is, from memory: the history cannot place them yet. Their number is
// bounded, and each is there once.
func TestTripsWithoutClock(t *testing.T) {
	s := newSite(t)
	s.set = false
	for i := range uint32(mostTrips + 10) {
		for _, closed := range []bool{false, true} {
			s.Observe(gateway.EventSeen{Entry: &gateway.Entry{Zone: "river-gate", Mono: s.mono - time.Second,
				Trip: &gateway.TripEntry{Opening: gateway.ID{Node: 3, Gen: 1, Counter: i}, Closed: closed, Dwell: time.Second, Margin: math.NaN()}}})
		}
		s.mono += time.Minute
	}
	now := s.Now().At
	got, err := s.Trips(t.Context(), now.Add(-24*time.Hour), now, 1000)
	if err != nil || len(got) != mostTrips {
		t.Fatalf("%d trips, %v; want %d", len(got), err, mostTrips)
	}
	if got[0].ID != "3.1.109" || got[0].Dwell == nil || now.Sub(got[0].At) != time.Minute+time.Second {
		t.Errorf("the newest: %+v, %v ago", got[0], now.Sub(got[0].At))
	}
	if got, _ := s.Trips(t.Context(), now.Add(-5*time.Minute), now, 1000); len(got) != 4 {
		t.Errorf("%d trips in the last five minutes, want 4", len(got))
	}
	s.set = true
	if _, err := s.Trips(t.Context(), now.Add(-24*time.Hour), now, 1000); err == nil {
		t.Errorf("with a clock that is set the history is not asked")
	}
}
