package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/queue"
)

// clerk is a receiver that is asked for each event, as a webhook is. A session with it ends with the first event that must go
// again.
type clerk struct {
	t      *testing.T
	mu     sync.Mutex
	judge  func(p *pub) error // nil: takes it
	took   time.Duration      // until it answers
	asked  []*pub             // all, in order
	taken  map[string]int
	out    map[bool]int // being answered now, by whether they are delayed, that is: the lane
	most   int          // in one lane
	dials  int
	silent bool // never answers at all
}

func newClerk(t *testing.T) *clerk {
	return &clerk{t: t, taken: map[string]int{}, out: map[bool]int{}, took: 5 * time.Millisecond}
}

func (c *clerk) set(f func(*clerk)) {
	c.mu.Lock()
	defer c.mu.Unlock()
	f(c)
}

func (c *clerk) dial(context.Context, bool) (Session, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.dials++
	s := &clerkSession{c: c, closed: make(chan struct{}), quit: make(chan struct{})}
	return s, nil
}

// events are what it was asked, in order.
func (c *clerk) events() []*pub {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.asked)
}

func (c *clerk) took1(id string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.taken[id] > 0
}

type clerkSession struct {
	c      *clerk
	mu     sync.Mutex
	err    error
	n      int
	closed chan struct{}
	quit   chan struct{}
}

func (s *clerkSession) Publish(topic string, qos byte, retain bool, payload []byte, done func(error)) {
	s.mu.Lock()
	err := s.err
	if err == nil {
		s.n++
	}
	s.mu.Unlock()
	if err != nil {
		go done(err)
		return
	}
	p := &pub{at: time.Now(), topic: topic, payload: payload}
	if json.Unmarshal(payload, &p.doc) != nil || p.doc["id"] == nil || qos != 1 || retain {
		s.c.t.Errorf("a receiver of events alone is sent %s on %s, QoS %d, retained %v", payload, topic, qos, retain)
	}
	p.id, _ = p.doc["id"].(string)
	p.typ, _ = p.doc["type"].(string)
	p.data, _ = p.doc["data"].(map[string]any)
	go func() {
		err := s.c.answer(p, s.quit)
		var passed *PassedError
		if err != nil && !errors.As(err, &passed) {
			s.end(err)
		}
		done(err)
		s.mu.Lock()
		defer s.mu.Unlock()
		s.n--
		s.settle()
	}()
}

func (c *clerk) answer(p *pub, quit chan struct{}) (err error) {
	c.mu.Lock()
	c.asked = append(c.asked, p)
	lane := p.delayed()
	c.out[lane]++
	c.most = max(c.most, c.out[lane])
	judge, took, silent := c.judge, c.took, c.silent
	c.mu.Unlock()
	defer c.set(func(c *clerk) {
		c.out[lane]--
		if err == nil {
			c.taken[p.id]++
		}
	})
	if silent {
		took = 10 * time.Second
	}
	select {
	case <-time.After(took):
	case <-quit:
		return errors.New("closed")
	}
	if silent {
		return errors.New("no answer")
	}
	if judge != nil {
		return judge(p)
	}
	return nil
}

func (s *clerkSession) end(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err == nil {
		s.err = err
		s.settle()
	}
}

func (s *clerkSession) settle() {
	if s.err == nil || s.n > 0 {
		return
	}
	select {
	case <-s.closed:
	default:
		close(s.closed)
	}
}

func (s *clerkSession) Closed() <-chan struct{} { return s.closed }
func (s *clerkSession) Err() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.err
}

func (s *clerkSession) Close() {
	s.end(errors.New("closed"))
	select {
	case <-s.closed:
	case <-time.After(time.Second):
		s.mu.Lock()
		select {
		case <-s.quit:
		default:
			close(s.quit)
		}
		s.mu.Unlock()
	}
}

// withClerk gives the house a second sink that is sent events alone.
func (w *world) withClerk(c *clerk, edit func(*SinkOptions)) {
	w.opts = func(o *Options) {
		so := SinkOptions{Name: "lights", Window: 2, EventsOnly: true, MaxLag: 1000, Required: true, Dial: c.dial, MaxBackoff: time.Minute,
			Reason: func(error) string { return "ended" }}
		if edit != nil {
			edit(&so)
		}
		o.Sinks = append(o.Sinks, so)
	}
}

// waiting is how many events wait for the second sink.
func (w *world) waiting() int {
	n, _ := w.g.sink("lights").cursor.Depth()
	return n
}

func away(*pub) error { return fmt.Errorf("connection refused: %w", ErrAway) }

// faultsOf are the beginnings and ends of a fault, as the house heard them.
func (w *world) faultsOf(code string) (list []string) {
	for _, p := range w.broker.all("/fault") {
		if p.data["code"] == code {
			list = append(list, strings.TrimPrefix(p.typ, "longlane.fault."))
		}
	}
	return list
}

// A receiver that is asked for each event gets events alone, one of a lane at a time, in the order of their node.
func TestEventsOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, c := newWorld(t), newClerk(t)
		c.took = 70 * time.Millisecond
		w.withClerk(c, nil)
		w.start()
		w.pass(30 * time.Second) // states and ticks go to the broker
		n := w.node("river-gate")
		for range 50 {
			w.hear(n.open())
			w.pass(10 * time.Millisecond)
		}
		w.until(time.Minute, "all are taken", func() bool { return w.waiting() == 0 })
		for i, p := range c.events() {
			if p.id != n.idOf(uint32(i+1)) {
				t.Fatalf("event %d is %s, want %s", i, p.id, n.idOf(uint32(i+1)))
			}
		}
		if len(c.events()) != 50 || c.most != 1 || c.dials != 1 {
			t.Errorf("%d requests, %d at a time, %d sessions; want 50, 1, 1", len(c.events()), c.most, c.dials)
		}
	})
}

// A receiver that never answers, or refuses, or is away, delays nobody else, and gets everything once it is well.
func TestClerkHoldsUpNobody(t *testing.T) {
	for name, spoil := range map[string]func(*clerk){
		"never answers": func(c *clerk) { c.silent = true },
		"is away":       func(c *clerk) { c.judge = away },
		"fails":         func(c *clerk) { c.judge = func(*pub) error { return errors.New("answered 500") } },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w, c := newWorld(t), newClerk(t)
				c.set(spoil)
				w.withClerk(c, nil)
				w.start()
				w.pass(2 * time.Second)
				n := w.node("river-gate")
				for range 50 {
					w.hear(n.open())
					id := n.idOf(n.next - 1)
					if took := w.until(time.Second, "the trip comes to the broker", func() bool { return w.broker.acknowledged()[id] }); took > 100*time.Millisecond {
						t.Fatalf("trip %s took %v", id, took)
					}
					w.pass(700 * time.Millisecond)
				}
				if n := w.waiting(); n < 50 {
					t.Errorf("%d events wait for it, want 50", n)
				}
				if w.g.Sessions()["lights"] == nil {
					t.Error("a receiver that takes nothing counts as well")
				}
				if got := w.faultsOf(NoticeSetAside); len(got) != 0 {
					t.Errorf("set aside: %v, though it takes nothing at all", got)
				}
				c.set(func(c *clerk) { c.judge, c.silent = nil, false })
				w.until(3*time.Minute, "it has all", func() bool { return w.waiting() == 0 })
				for i := range n.next - 1 {
					if !c.took1(n.idOf(i + 1)) {
						t.Errorf("%s was never taken", n.idOf(i+1))
					}
				}
				if err := w.g.Sessions()["lights"]; err != nil {
					t.Errorf("it is well again, and counts as away: %v", err)
				}
			})
		})
	}
}

// After an outage a new trip goes before the backlog, at once and not when the pause would have been over; what goes again
// tells its age of then.
func TestClerkLiveFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, c := newWorld(t), newClerk(t)
		c.judge = away
		w.withClerk(c, nil)
		w.start()
		n := w.node("river-gate")
		for range 20 {
			w.hear(n.open())
			w.pass(100 * time.Millisecond)
		}
		w.pass(20 * time.Minute)
		before := len(c.events())
		c.set(func(c *clerk) { c.judge, c.took = nil, 300*time.Millisecond })
		w.hear(n.open())
		id := n.idOf(n.next - 1)
		if took := w.until(time.Minute, "the new trip is taken", func() bool { return c.took1(id) }); took > 2*time.Second {
			t.Errorf("the new trip took %v", took)
		}
		w.until(time.Minute, "all are taken", func() bool { return w.waiting() == 0 })
		rest := c.events()[before:]
		if rest[0].id != id || rest[0].delayed() {
			t.Errorf("first comes %s, delayed %v; want the new trip %s", rest[0].id, rest[0].delayed(), id)
		}
		for i, p := range rest[1:] {
			if p.id != n.idOf(uint32(i+1)) || !p.delayed() || p.data["age_s"].(float64) < 1200 {
				t.Errorf("backlog event %d is %s, delayed %v, age %v", i, p.id, p.delayed(), p.data["age_s"])
			}
		}
		if tries := before; tries > 120 {
			t.Errorf("%d requests in 20 minutes of outage: the pauses do not grow", tries)
		}
	})
}

// What a receiver will not have is passed over: without a word if it was not meant for it, with one fault if it was refused,
// which ends when such an event is taken, also after a restart.
func TestClerkGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w, c := newWorld(t), newClerk(t)
		c.judge = func(*pub) error { return &PassedError{} }
		w.withClerk(c, nil)
		w.start()
		n := w.node("river-gate")
		w.hear(n.open(), n.open())
		w.until(time.Minute, "both are passed over", func() bool { return w.waiting() == 0 })
		if got := w.broker.all("/fault"); len(got) != 0 {
			t.Errorf("faults %v for what was not meant for it", got)
		}
		refuse := func(p *pub) error {
			if p.typ == typeOpened {
				return &PassedError{Answer: "answered 400 Bad Request"}
			}
			return nil // the fault that tells of it, above all
		}
		c.set(func(c *clerk) { c.judge = away })
		w.hear(n.close(1, time.Second)) // of a type that nothing is said against
		w.pass(5 * time.Second)
		if w.g.Sessions()["lights"] == nil {
			t.Error("a receiver that is away counts as well")
		}
		c.set(func(c *clerk) { c.judge = func(*pub) error { return &PassedError{Answer: "answered 404 Not Found"} } })
		w.until(2*time.Minute, "it is refused", func() bool { return w.waiting() == 0 })
		if err := w.g.Sessions()["lights"]; err != nil {
			t.Errorf("a receiver that refuses counts as away: %v", err)
		}
		w.pass(time.Second)
		c.set(func(c *clerk) { c.judge = nil })
		w.hear(n.close(1, time.Second))
		w.pass(time.Second)
		if got := fmt.Sprint(w.faultsOf(NoticeGivenUp)); got != "[began ended]" {
			t.Errorf("faults %s, want one that began and ended", got)
		}
		c.set(func(c *clerk) { c.judge = refuse })
		for range 5 {
			w.hear(n.open())
			w.pass(time.Second)
		}
		w.hear(n.close(1, time.Second)) // is taken
		w.until(time.Minute, "nothing waits", func() bool { return w.waiting() == 0 })
		if got := fmt.Sprint(w.faultsOf(NoticeGivenUp)); got != "[began ended began]" {
			t.Errorf("faults %s, want one more that began", got)
		}
		if p := w.broker.all("/fault")[2]; !strings.Contains(fmt.Sprint(p.data["detail"]), "lights does not take "+n.idOf(5)+", and it was given up: answered 400 Bad Request") {
			t.Errorf("it says %v", p.data["detail"])
		}
		w.stop()
		w.start()
		w.pass(5 * time.Second)
		w.hear(n.open())
		w.pass(5 * time.Second)
		if got := fmt.Sprint(w.faultsOf(NoticeGivenUp)); got != "[began ended began]" {
			t.Errorf("faults %s, want one that stands across a restart", got)
		}
		c.set(func(c *clerk) { c.judge = nil })
		w.hear(n.open())
		w.pass(5 * time.Second)
		if got := fmt.Sprint(w.faultsOf(NoticeGivenUp)); got != "[began ended began ended]" {
			t.Errorf("faults %s, want one that began and ended", got)
		}
		for id, k := range c.taken {
			if k > 1 {
				t.Errorf("%s was taken %d times", id, k)
			}
		}
	})
}

// What the house is told of refusals is an event itself: a receiver that takes that, or will not have it, makes no fault come and go.
func TestClerkGivenUpIsToldOnce(t *testing.T) {
	for name, own := range map[string]bool{"takes what is told of it": true, "refuses what is told of it": false} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w, c := newWorld(t), newClerk(t)
				refused := typeFaultBegan
				c.judge = func(p *pub) error {
					if p.data["code"] == NoticeGivenUp && own || p.data["code"] != NoticeGivenUp && p.typ != refused {
						return nil
					}
					return &PassedError{Answer: "answered 400"}
				}
				w.withClerk(c, nil)
				w.start()
				n := w.node("river-gate")
				for range 3 {
					w.hear(n.fault(proto.FaultTamper, false))
					w.pass(5 * time.Second)
				}
				if got := fmt.Sprint(w.faultsOf(NoticeGivenUp)); got != "[began]" {
					t.Errorf("faults %s, want one that began", got)
				}
				c.set(func(*clerk) { refused = "nothing" })
				w.hear(n.fault(proto.FaultTamper, false))
				w.pass(5 * time.Second)
				if got := fmt.Sprint(w.faultsOf(NoticeGivenUp)); got != "[began ended]" {
					t.Errorf("faults %s, want one that began and ended", got)
				}
			})
		})
	}
}

// An event that breaks the receiver each time holds up no later trip, and is set aside once it is clear that others are taken;
// a receiver that is only busy blames none.
func TestClerkPoison(t *testing.T) {
	for name, c := range map[string]struct {
		err   error
		aside bool
	}{"breaks": {errors.New("answered 500"), true}, "busy": {fmt.Errorf("answered 429: %w", ErrAway), false}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w, k := newWorld(t), newClerk(t)
				w.withClerk(k, nil)
				w.start()
				n := w.node("river-gate")
				bad := n.idOf(1)
				k.judge = func(p *pub) error {
					if p.id == bad {
						return c.err
					}
					return nil
				}
				w.hear(n.open())
				w.pass(3 * time.Second)
				for range 12 {
					w.hear(n.open())
					id := n.idOf(n.next - 1)
					if took := w.until(time.Minute, "a later trip is taken", func() bool { return k.took1(id) }); took > 5*time.Second {
						t.Errorf("trip %s took %v behind one that breaks the receiver", id, took)
					}
					w.pass(2 * time.Minute)
				}
				want := map[bool]string{true: "[began]", false: "[]"}[c.aside]
				if got := fmt.Sprint(w.faultsOf(NoticeSetAside)); got != want {
					t.Errorf("faults %s, want %s", got, want)
				}
				k.set(func(k *clerk) { k.judge = nil })
				w.until(20*time.Minute, "the bad one is taken after all", func() bool { return k.took1(bad) })
			})
		})
	}
}

// Killed at any moment, with a receiver that takes, fails and vanishes by chance, a required one misses nothing, and knows
// repeats by their id.
func TestClerkKilled(t *testing.T) {
	seeded(t, 5, func(t *testing.T, rng *rand.Rand) {
		w, c := newWorld(t), newClerk(t)
		moods := rand.New(rand.NewPCG(rng.Uint64(), 2))
		c.judge = func(p *pub) error {
			c.mu.Lock()
			defer c.mu.Unlock()
			switch r := moods.Float64(); {
			case r < 0.1:
				c.taken[p.id]++ // it took it, and the answer was lost
				return errors.New("connection reset")
			case r < 0.2:
				return fmt.Errorf("answered 503: %w", ErrAway)
			}
			return nil
		}
		w.withClerk(c, func(o *SinkOptions) { o.FromStart = true })
		w.start()
		n := w.node("river-gate")
		for range 8 {
			for range rng.IntN(10) {
				w.hear(n.open())
				w.pass(time.Duration(rng.Int64N(int64(time.Second))))
			}
			w.pass(time.Duration(rng.Int64N(int64(5 * time.Second))))
			if rng.IntN(2) == 0 {
				w.kill()
				w.start()
			}
		}
		c.set(func(c *clerk) { c.judge = nil })
		w.until(time.Hour, "nothing waits", func() bool { return w.waiting() == 0 })
		w.pass(10 * time.Second) // for the cursors to be written
		w.collect()
		for id := range w.receipted {
			if c.taken[id.String()] == 0 {
				t.Errorf("%s has a receipt and was never taken", id)
			}
		}
		if w.waiting() != 0 || len(w.receipted) == 0 && n.next > 1 {
			t.Errorf("%d wait, %d receipted", w.waiting(), len(w.receipted))
		}
		w.must(w.queue.Flush()) // what it has acknowledged goes with the next commit
		if s := w.queue.Stats(); s.Waiting[queue.Alarm] != 0 {
			t.Errorf("%d trips are kept", s.Waiting[queue.Alarm])
		}
	})
}
