package gateway

import (
	"context"
	"errors"
	"math"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

// logbook is a receiver of entries: it keeps what it is given while it is open, and holds or refuses the rest.
type logbook struct {
	mu      sync.Mutex
	entries []*Entry
	seconds int
	stuck   bool
	kept    []func(error)
}

type logSession struct {
	b      *logbook
	closed chan struct{}
	once   sync.Once
}

func (b *logbook) dial(_ context.Context, second bool) (Session, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if second {
		b.seconds++
		return nil, errors.New("one session")
	}
	return &logSession{b: b, closed: make(chan struct{})}, nil
}

func (s *logSession) Take(e *Entry, done func(error)) {
	s.b.mu.Lock()
	defer s.b.mu.Unlock()
	s.b.entries = append(s.b.entries, e)
	if s.b.stuck {
		s.b.kept = append(s.b.kept, done)
		return
	}
	go done(nil)
}

func (s *logSession) Publish(topic string, _ byte, _ bool, _ []byte, done func(error)) {
	panic("a taker is given " + topic)
}
func (s *logSession) Closed() <-chan struct{} { return s.closed }
func (s *logSession) Err() error              { return ErrAway }
func (s *logSession) Close()                  { s.once.Do(func() { close(s.closed) }) }

func (b *logbook) all() []*Entry {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]*Entry(nil), b.entries...)
}

func (w *world) withLogbook(b *logbook, observe func(Observation)) {
	w.opts = func(o *Options) {
		o.Sinks = append(o.Sinks, SinkOptions{Name: "history", Window: 256, MaxLag: 100, FromStart: true, Dial: b.dial, MaxBackoff: time.Second,
			Reason: func(error) string { return "ended" }})
		o.Observe = observe
	}
}

// TestEntries: a trip's beginning and its end name the same opening, with their times; a fault is told as it is published.
func TestEntries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		b := &logbook{}
		w.withLogbook(b, nil)
		w.start()
		w.pass(2 * time.Second)
		n := w.node("river-gate")
		w.hear(n.checkIn())
		began := w.clock.clock().Mono()
		w.hear(n.open())
		opening := n.next - 1
		w.pass(2 * time.Second)
		w.hear(n.close(1, 2*time.Second))
		w.hear(n.fault(proto.FaultTamper, false))
		w.pass(time.Second)
		var trips []*Entry
		faults := 0
		for _, e := range b.all() {
			switch {
			case e.Trip != nil:
				trips = append(trips, e)
			case e.Fault.Code == "tamper":
				faults++
			}
		}
		if len(trips) != 2 || faults != 1 {
			t.Fatalf("%d entries of trips, %d of the fault; want 2, 1", len(trips), faults)
		}
		id := ID{n.id, n.gen, opening}
		for i, e := range trips {
			if e.Trip.Opening != id || e.Trip.Closed != (i == 1) || e.Zone != "river-gate" || e.Node != "river-gate" || e.Boot != w.clock.clock().Boot {
				t.Errorf("entry %d: %+v %+v", i, e, e.Trip)
			}
		}
		if d := trips[1].Trip.Dwell; d < 1900*time.Millisecond || d > 2100*time.Millisecond || trips[0].Trip.Dwell >= 0 {
			t.Errorf("dwells %v, %v", trips[0].Trip.Dwell, d)
		}
		if at := trips[0].Mono; (at-began).Abs() > time.Second || trips[0].Wall.IsZero() {
			t.Errorf("it opened at %v, %v; made at %v", at, trips[0].Wall, began)
		}
		if m := trips[0].Trip.Margin; math.IsNaN(m) || m < 0 || m > 60 {
			t.Errorf("margin %v", m)
		}
		w.stop()
	})
}

// TestTakerHangs: a receiver of entries that never answers has nobody wait, no matter how long.
func TestTakerHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		b := &logbook{stuck: true}
		w.withLogbook(b, nil)
		w.start()
		w.pass(2 * time.Second)
		n := w.node("river-gate")
		for range 300 { // more than its window and its lag
			w.hear(n.open())
			id := n.idOf(n.next - 1)
			if took := w.until(time.Second, "the trip comes to the broker", func() bool { return w.broker.acknowledged()[id] }); took > 100*time.Millisecond {
				t.Fatalf("trip %s took %v", id, took)
			}
			w.pass(time.Second)
		}
		if !slices.ContainsFunc(w.broker.all("/fault"), func(p *pub) bool { return p.data["code"] == NoticeMissed }) {
			t.Error("no fault tells that it misses events")
		}
		if n := len(b.all()); n > 300 {
			t.Errorf("it was given %d entries and acknowledged none", n)
		}
		w.stop()
	})
}

// observed is what an observer was told.
type observed struct {
	mu   sync.Mutex
	list []Observation
}

func (o *observed) observe(x Observation) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.list = append(o.list, x)
}

func of[T Observation](o *observed) (list []T) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, x := range o.list {
		if v, ok := x.(T); ok {
			list = append(list, v)
		}
	}
	return list
}

// TestObservedCheckIn: a check-in proves only if it is fresh, and is complete only if all that its node still holds is on the disk.
func TestObservedCheckIn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.period = checkInIn
		var o observed
		w.withLogbook(&logbook{}, o.observe)
		w.start()
		n := w.node("river-gate")
		if z := of[Watching](&o); len(z) == 0 || len(z[0]) != 3 || z[0]["river-gate"].Node != "river-gate" {
			t.Fatalf("watching %v", z)
		}
		last := func() CheckInSeen {
			t.Helper()
			w.pass(50 * time.Millisecond)
			list := of[CheckInSeen](&o)
			if len(list) == 0 {
				t.Fatal("no check-in was observed")
			}
			return list[len(list)-1]
		}
		w.hear(n.checkIn())
		first := last()
		if !first.Complete || first.ID != n.id || first.Battery < 3.5 || len(first.Hops) != 1 {
			t.Errorf("%+v", first)
		}
		// It holds an event that the gateway has not got.
		n.next++
		w.hear(n.checkIn(func(b *proto.CheckIn) { b.Oldest = 1 }))
		if c := last(); c.Complete || c.Life != first.Life {
			t.Errorf("it holds what is not known: %+v", c)
		}
		w.hear(n.opened(n.next-1, 3, 0))
		w.pass(time.Second) // it is on the disk, and the receipt is lost
		w.hear(n.checkIn(func(b *proto.CheckIn) { b.Oldest = 1 }))
		if c := last(); !c.Complete {
			t.Errorf("what it holds is on the disk: %+v", c)
		}
		w.setFault(func(string) error { return errors.New("no disk") })
		w.hear(n.open())
		w.hear(n.checkIn(func(b *proto.CheckIn) { b.Oldest = 1 }))
		if c := last(); c.Complete {
			t.Errorf("what it holds could not be stored: %+v", c)
		}
		w.setFault(nil)
		w.hear(n.checkIn(func(b *proto.CheckIn) { b.Restarts++ }))
		if c := last(); c.Life == first.Life {
			t.Errorf("it has restarted: %+v", c)
		}
		k := len(of[CheckInSeen](&o))
		w.hear(n.checkIn(func(b *proto.CheckIn) { b.Sent = proto.SendTime{Seconds: proto.NoTime} }))
		late := n.checkIn()
		w.pass(5 * time.Minute)
		w.hear(late)
		w.pass(time.Second)
		if list := of[CheckInSeen](&o); len(list) != k {
			t.Errorf("what proves nothing was told as proof: %+v", list[k:])
		}
		if u := of[Unwatched](&o); len(u) == 0 || u[0].Zone == "" || u[0].Why == "" {
			t.Errorf("nobody was told why zones were not watched for five minutes: %v", u)
		}
		w.stop()
	})
}

// TestObservedEar: an annunciator's word counts only if it is of now, and says how long it has heard the ticks without a break.
func TestObservedEar(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		var o observed
		w.withLogbook(&logbook{}, o.observe)
		w.start()
		w.g.Listening(true)
		w.pass(2 * time.Second)
		a := shop{w, "shop"}
		a.says("", map[string]any{"state": "serving", "hears_for_s": 60, "ticked_s": 2})
		a.is("serving")
		a.says("", map[string]any{"state": "serving", "hears_for_s": -1, "ticked_s": 2})
		a.says("", map[string]any{"state": "serving", "hears_for_s": 1e300, "ticked_s": 2})
		a.says("", map[string]any{"state": "lost", "hears_for_s": 60, "ticked_s": 2})
		w.g.Annunciator("longlane/"+site+"/annunciator/shop", []byte(`{"state":"serving","hears_for_s":60,"ticked_s":2}`), true)
		w.pass(time.Second)
		list := of[EarSeen](&o)
		if len(list) != 1 {
			t.Fatalf("observed %v, want one", list)
		}
		if e := list[0]; e.Annunciator != "shop" || e.At-e.Since != time.Minute || w.clock.clock().Mono()-e.At < 2*time.Second {
			t.Errorf("%+v", e)
		}
		w.stop()
	})
}
