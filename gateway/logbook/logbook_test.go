package logbook

import (
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway"
	"longlane/queue/history"
)

var start = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

// world is a recorder in virtual time on a real file, whose writes a test may hold or fail.
type world struct {
	t      *testing.T
	r      *Recorder
	dir    string
	cancel context.CancelFunc
	done   chan struct{}

	mu       sync.Mutex
	fail     error         // of the next writes
	hold     chan struct{} // writes wait for it; nil: they do not
	openFail error
	set      bool // the clock
	boot     byte
	began    time.Time // of the boot, on the bubble's clock
	opens    int
}

func newWorld(t *testing.T) *world {
	w := &world{t: t, dir: t.TempDir(), set: true, boot: 1, began: time.Now()}
	return w
}

func (w *world) clock() gateway.Clock {
	mono := func() time.Duration { return 100*time.Second + time.Since(w.began) }
	return gateway.Clock{Mono: mono, Wall: func() time.Time { return start.Add(time.Since(w.began)) }, Boot: [16]byte{w.boot}, Set: func() bool { return w.set }}
}

// failing is a store whose writes the world decides on.
type failing struct {
	*history.Store
	w *world
}

func (f failing) Write(b history.Batch) error {
	f.w.mu.Lock()
	hold, fail := f.w.hold, f.w.fail
	f.w.mu.Unlock()
	if hold != nil {
		<-hold
	}
	if fail != nil {
		return fail
	}
	return f.Store.Write(b)
}

func (w *world) start() {
	w.r = New(Options{Name: "history", Dir: w.dir, Clock: w.clock(), CheckIn: 15 * time.Minute, MaxLag: 1000, Log: slog.New(slog.DiscardHandler)})
	open := w.r.open
	w.r.open = func() (store, *history.Recovery, error) {
		w.mu.Lock()
		fail := w.openFail
		w.opens++
		w.mu.Unlock()
		if fail != nil {
			return nil, nil, fail
		}
		s, rec, err := open()
		if err != nil {
			return nil, nil, err
		}
		return failing{s.(*history.Store), w}, rec, nil
	}
	ctx, cancel := context.WithCancel(context.Background())
	w.cancel, w.done = cancel, make(chan struct{})
	go func() {
		defer close(w.done)
		w.r.Run(ctx)
	}()
	synctest.Wait()
}

func (w *world) stop() {
	w.cancel()
	<-w.done
}

func (w *world) setFail(err error) {
	w.mu.Lock()
	w.fail = err
	w.mu.Unlock()
}

func pass(d time.Duration) {
	<-time.After(d) // by the bubble's own clock, which takes no time
	synctest.Wait()
}

func (w *world) dial() *session {
	w.t.Helper()
	s, err := w.r.dial(context.Background(), false)
	if err != nil {
		w.t.Fatal(err)
	}
	return s.(*session)
}

// taken is what was told of an entry.
type taken struct {
	mu  sync.Mutex
	n   int
	err error
}

func (k *taken) done(err error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.n++
	k.err = err
}

func (k *taken) is(t *testing.T, n int, err error) {
	t.Helper()
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.n != n || !errors.Is(k.err, err) {
		t.Errorf("told %d times, with %v; want %d, %v", k.n, k.err, n, err)
	}
}

func (w *world) trip(counter, opening uint32, dwell time.Duration) *gateway.Entry {
	c := w.clock()
	e := &gateway.Entry{ID: gateway.ID{Node: 3, Gen: 1, Counter: counter}.String(), Node: "river-gate", Zone: "river-gate", Boot: c.Boot, Mono: c.Mono(),
		Trip: &gateway.TripEntry{Opening: gateway.ID{Node: 3, Gen: 1, Counter: opening}, Closed: counter != opening, Dwell: -1, Margin: 9}}
	if c.Set() {
		e.Wall = c.Wall()
	}
	if e.Trip.Closed {
		e.Trip.Dwell = dwell
	}
	return e
}

func (w *world) trips() (list []history.Trip) {
	w.t.Helper()
	s, err := history.OpenRead(filepath.Join(w.dir, history.File))
	if err != nil {
		w.t.Fatal(err)
	}
	defer s.Close()
	if err := s.Trips(time.Unix(0, 0), farAhead, func(t *history.Trip) error { list = append(list, *t); return nil }); err != nil {
		w.t.Fatal(err)
	}
	return list
}

// TestTripIsWhole: the opening and the closing of a trip are one, whichever comes first and however often, with the time of the opening.
func TestTripIsWhole(t *testing.T) {
	for name, order := range map[string][]int{"in order": {0, 1}, "closing first": {1, 0}, "again": {0, 1, 0, 1, 1}, "closing alone": {1}} {
		synctest.Test(t, func(t *testing.T) {
			w := newWorld(t)
			w.start()
			open := w.trip(7, 7, 0)
			pass(2500 * time.Millisecond)
			entries := []*gateway.Entry{open, w.trip(8, 7, 2500*time.Millisecond)}
			s := w.dial()
			for _, i := range order {
				var k taken
				s.Take(entries[i], k.done)
				synctest.Wait()
				k.is(t, 0, nil) // not before it is on the disk
				pass(linger)
				k.is(t, 1, nil)
			}
			w.stop()
			list := w.trips()
			if len(list) != 1 {
				t.Fatalf("%s: %d trips, want 1: %+v", name, len(list), list)
			}
			if g := list[0]; g.Opened != (name != "closing alone") || !g.Closed || g.Dwell != 2500*time.Millisecond || !g.At.Wall.Equal(start) {
				t.Errorf("%s: %+v", name, g)
			}
		})
	}
}

// TestBacklog: a backlog goes without lingering: as much as there is in each transaction.
func TestBacklog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.start()
		s := w.dial()
		began := time.Now()
		const n = 20 * most
		for i := range uint32(n / most) {
			kept := make([]taken, most)
			for k := range kept {
				s.Take(w.trip(i*most+uint32(k), i*most+uint32(k), 0), kept[k].done)
			}
			synctest.Wait()
			for time.Since(began) < time.Hour && kept[most-1].told() == 0 {
				pass(10 * time.Millisecond)
			}
		}
		if took := time.Since(began); took > 5*linger {
			t.Errorf("%d trips took %v", n, took)
		}
		w.stop()
		if list := w.trips(); len(list) != n {
			t.Errorf("%d trips, want %d", len(list), n)
		}
	})
}

func (k *taken) told() int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.n
}

// TestDiskHangs: while a write does not return nothing is acknowledged and nobody waits, and the end comes all the same.
func TestDiskHangs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.start()
		w.hold = make(chan struct{})
		s := w.dial()
		var first, second taken
		s.Take(w.trip(1, 1, 0), first.done)
		pass(time.Minute)
		s.Take(w.trip(2, 2, 0), second.done) // returns
		w.r.Observe(gateway.CheckInSeen{Node: "river-gate", ID: 3, At: 100 * time.Second})
		pass(time.Hour)
		first.is(t, 0, nil)
		second.is(t, 0, nil)
		began := time.Now()
		w.stop()
		if took := time.Since(began); took > patience+time.Second {
			t.Errorf("the end took %v", took)
		}
		close(w.hold)
		synctest.Wait()
	})
}

// TestDiskFull: what cannot be written ends the session without blame; nothing more is taken until there is room, and then it comes again.
func TestDiskFull(t *testing.T) {
	for name, fail := range map[string]error{"full": history.ErrFull, "broken": history.ErrBroken, "another": errors.New("input/output error")} {
		synctest.Test(t, func(t *testing.T) {
			w := newWorld(t)
			w.start()
			w.setFail(fail)
			s := w.dial()
			var k taken
			s.Take(w.trip(1, 1, 0), k.done)
			pass(time.Second / 2)
			k.is(t, 1, fail)
			select {
			case <-s.Closed():
			default:
				t.Fatalf("%s: the session lives on", name)
			}
			if !errors.Is(s.Err(), gateway.ErrAway) {
				t.Errorf("%s: the session ended with %v, which blames the event", name, s.Err())
			}
			pass(10 * time.Minute)
			if _, err := w.r.dial(context.Background(), false); !errors.Is(err, fail) {
				t.Errorf("%s: a session although nothing can be written: %v", name, err)
			}
			if w.opens > 15 {
				t.Errorf("%s: the file was opened %d times in ten minutes", name, w.opens)
			}
			w.setFail(nil)
			pass(lastRetry + 2*time.Second)
			s = w.dial()
			var again taken
			s.Take(w.trip(1, 1, 0), again.done)
			pass(time.Second)
			again.is(t, 1, nil)
			w.stop()
			if list := w.trips(); len(list) != 1 {
				t.Errorf("%s: %d trips, want 1", name, len(list))
			}
		})
	}
}

// TestCannotOpen: whoever asks for a session is told why there is none, and one comes once the file can be opened.
func TestCannotOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.openFail = history.ErrLocked
		w.start()
		if _, err := w.r.dial(context.Background(), false); !errors.Is(err, history.ErrLocked) {
			t.Errorf("a session: %v", err)
		}
		if err := w.r.Trouble(); !errors.Is(err, history.ErrLocked) {
			t.Errorf("no trouble: %v", err)
		}
		w.mu.Lock()
		w.openFail = nil
		w.mu.Unlock()
		pass(lastRetry + time.Second)
		w.dial()
		w.stop()
	})
}

// TestImpossibleRecord: what no history can hold is given up, and what came with it is not.
func TestImpossibleRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.start()
		s := w.dial()
		bad := w.trip(2, 2, 0)
		bad.Zone = "a\x00b"
		var one, two, three taken
		s.Take(w.trip(1, 1, 0), one.done)
		s.Take(bad, two.done)
		s.Take(w.trip(3, 3, 0), three.done)
		pass(time.Second)
		one.is(t, 1, nil)
		three.is(t, 1, nil)
		var passed *gateway.PassedError
		if !errors.As(two.err, &passed) || passed.Answer == "" {
			t.Errorf("told %v", two.err)
		}
		w.stop()
		if list := w.trips(); len(list) != 2 {
			t.Errorf("%d trips, want 2", len(list))
		}
	})
}
