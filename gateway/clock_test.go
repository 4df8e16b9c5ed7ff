package gateway

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

func f64(v any) float64 { f, _ := v.(float64); return f }

func timeOf(t *testing.T, p *pub) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339Nano, p.doc["time"].(string))
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func near(a, b time.Time, within time.Duration) bool { return a.Sub(b).Abs() <= within }

var realTime = time.Date(2026, 9, 9, 9, 0, 0, 0, time.UTC)

// The house boots in 1970. What is delivered meanwhile has no time but the right age on the gateway's own clock. Once
// the clock is set, what has been delivered is corrected, and what has not is delivered right.
func TestBootedIn1970(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.clock = newTestClock(time.Unix(60, 0), time.Minute, 7, false)
		w.start()
		n := w.node("river-gate")
		w.pass(10 * time.Second)
		began := time.Now()
		n.next = 2
		w.hear(n.opened(1, 0, 400*time.Millisecond), n.fault(proto.FaultTamper, false))
		w.pass(time.Second)
		got := w.broker.events()
		if len(got) != 2 {
			t.Fatalf("%d events, want 2", len(got))
		}
		p := got[0]
		if _, there := p.doc["time"]; there {
			t.Errorf("a time is given while the clock is unset: %v", p.doc["time"])
		}
		if age := f64(p.data["age_s"]); age < 0.39 || age > 0.6 || p.delayed() {
			t.Errorf("age %v s, delayed %v; want 0.4 s, false", p.data["age_s"], p.delayed())
		}
		mono := w.clock.mono + began.Sub(w.clock.start) - 400*time.Millisecond
		if got := f64(p.data["monotonic_s"]); got < mono.Seconds()-0.01 || got > mono.Seconds()+0.01 || !strings.HasPrefix(p.data["boot"].(string), "b007") {
			t.Errorf("boot %v, monotonic %v; want b007..., %v", p.data["boot"], got, mono.Seconds())
		}
		if p.data["clock"] != "unset" || p.data["received_at"] != nil {
			t.Errorf("clock %v, received %v", p.data["clock"], p.data["received_at"])
		}
		if s := w.broker.last("river-gate/state"); s["since"] != nil {
			t.Errorf("state tells of a time: %v", s)
		}
		w.broker.down(true)
		w.hear(n.opened(3, 0, 0))
		missed := time.Now()
		w.pass(time.Hour)
		w.clock.put(realTime, true)
		set := time.Now()
		w.pass(3 * time.Second)
		w.broker.down(false)
		w.pass(5 * time.Second)
		others := func() []*pub { // that the clock is not set is told as well
			return slices.DeleteFunc(w.broker.events(), func(p *pub) bool { return p.data["code"] == "clock-not-set" })
		}
		got = others()[2:]
		if len(got) != 3 {
			t.Fatalf("%d more events, want the third trip and two corrections", len(got))
		}
		byID := map[string]*pub{}
		for _, p := range got {
			byID[p.id] = p
		}
		third, trip, fault := byID[n.idOf(3)], byID[n.idOf(1)+".time"], byID[n.idOf(2)+".time"]
		if third == nil || trip == nil || fault == nil {
			t.Fatalf("got %v, want the third trip and corrections of 1 and 2", byID)
		}
		if want := realTime.Add(missed.Sub(set)); !near(timeOf(t, third), want, 50*time.Millisecond) || !third.delayed() || third.data["put_right"] != true {
			t.Errorf("third trip: time %v, delayed %v, put right %v; want %v, true, true", timeOf(t, third), third.delayed(), third.data["put_right"], want)
		}
		if want := realTime.Add(began.Add(-400 * time.Millisecond).Sub(set)); !near(timeOf(t, trip), want, 50*time.Millisecond) {
			t.Errorf("corrected time %v, want %v", timeOf(t, trip), want)
		}
		if trip.typ != typeCorrection || trip.data["corrects_id"] != n.idOf(1) || !trip.delayed() {
			t.Errorf("correction is of type %s, corrects %v, delayed %v", trip.typ, trip.data["corrects_id"], trip.delayed())
		}
		if fault.typ != typeFaultTime || fault.data["corrects_id"] != n.idOf(2) {
			t.Errorf("a fault's correction is of type %s, corrects %v: it must not pass for a second fault", fault.typ, fault.data["corrects_id"])
		}
		if aside, _ := w.queue.Aside(); len(aside) != 0 {
			t.Errorf("%d times still stand aside", len(aside))
		}
		w.pass(time.Minute)
		if n := len(others()); n != 5 {
			t.Errorf("%d events in all, want 5", n)
		}
	})
}

// The clock is set while an event is on its way to the disk: it is corrected too.
func TestClockSetDuringCommit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.clock = newTestClock(time.Unix(60, 0), time.Minute, 7, false)
		w.start()
		n := w.node("river-gate")
		w.pass(3 * time.Second)
		release := make(chan struct{})
		w.setFault(func(string) error { <-release; return nil })
		for range 5 {
			w.hear(n.open())
		}
		w.clock.put(realTime, true)
		w.pass(5 * time.Second)
		close(release)
		w.pass(5 * time.Second)
		w.broker.cut()
		w.pass(5 * time.Second)
		for c := uint32(1); c <= 5; c++ {
			if p := w.broker.of(n.idOf(c) + ".time"); len(p) != 1 {
				t.Errorf("event %d has %d corrections, want 1", c, len(p))
			}
		}
		if s := w.queue.Stats().Events[1]; s != 5 {
			t.Errorf("%d corrections were stored, want 5", s)
		}
		if aside, _ := w.queue.Aside(); len(aside) != 0 {
			t.Errorf("%d times still stand aside", len(aside))
		}
	})
}

// A clock that is lost and found again: what came in between is put right like the rest.
func TestClockLostAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(5 * time.Second)
		w.clock.put(w.clock.Wall(), false)
		w.pass(5 * time.Second)
		w.hear(n.open())
		w.pass(time.Minute)
		w.clock.put(realTime, true)
		w.pass(5 * time.Second)
		if p := w.broker.of(n.idOf(1) + ".time"); len(p) != 1 {
			t.Errorf("%d corrections, want 1", len(p))
		}
	})
}

// Corrections that the disk does not take are tried again, and none goes out twice.
func TestCorrectionsOnABadDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.clock = newTestClock(time.Unix(60, 0), time.Minute, 7, false)
		w.start()
		n := w.node("river-gate")
		const trips = 1200 // more than are put right at a time
		w.fill(trips, n)
		w.pass(time.Minute)
		commits, no := 0, errors.New("no")
		w.setFault(func(string) error {
			if commits++; commits < 6 {
				return no
			}
			return nil
		})
		w.clock.put(realTime, true)
		w.pass(2 * time.Minute)
		for c := uint32(1); c <= trips; c++ {
			if p := w.broker.of(n.idOf(c) + ".time"); len(p) != 1 {
				t.Fatalf("event %s has %d corrections, want 1", n.idOf(c), len(p))
			}
		}
		if aside, _ := w.queue.Aside(); len(aside) != 0 {
			t.Errorf("%d times still stand aside", len(aside))
		}
	})
}

// The gateway is restarted between reception and the setting of the clock, in the same boot: still corrected.
func TestRestartBeforeTheClockIsSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.clock = newTestClock(time.Unix(60, 0), time.Minute, 7, false)
		w.start()
		n := w.node("river-gate")
		w.hear(n.open())
		received := time.Now()
		w.pass(5 * time.Second)
		w.stop()
		w.pass(time.Minute)
		w.clock.put(realTime, true)
		set := time.Now()
		w.start()
		w.pass(5 * time.Second)
		p := w.broker.of(n.idOf(1) + ".time")
		if len(p) != 1 {
			t.Fatalf("%d corrections, want 1", len(p))
		}
		if want := realTime.Add(received.Sub(set) - 200*time.Millisecond); !near(timeOf(t, p[0]), want, 50*time.Millisecond) {
			t.Errorf("corrected time %v, want %v", timeOf(t, p[0]), want)
		}
	})
}

// From an earlier boot without a clock nothing is known: no time, no age, hence delayed. With one, all is.
func TestEarlierBoot(t *testing.T) {
	for _, hadClock := range []bool{false, true} {
		t.Run(fmt.Sprintf("clock set %v", hadClock), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t)
				w.clock = newTestClock(realTime, time.Minute, 7, hadClock)
				w.broker.down(true)
				w.start()
				n := w.node("river-gate")
				w.hear(n.open())
				w.pass(time.Second)
				w.kill()
				w.clock = newTestClock(realTime.Add(time.Hour), 20*time.Second, 8, true)
				w.broker.down(false)
				w.start()
				w.pass(5 * time.Second)
				p := w.broker.of(n.idOf(1))
				if len(p) != 1 {
					t.Fatalf("published %d times, want 1", len(p))
				}
				d := p[0].data
				if !p[0].delayed() || d["boot"] != nil || d["monotonic_s"] != nil {
					t.Errorf("delayed %v, boot %v, monotonic %v; want true, none, none", p[0].delayed(), d["boot"], d["monotonic_s"])
				}
				if !hadClock && (p[0].doc["time"] != nil || d["age_s"] != nil || d["clock"] != "earlier boot") {
					t.Errorf("time %v, age %v, clock %v; want none, none, earlier boot", p[0].doc["time"], d["age_s"], d["clock"])
				}
				if hadClock && (!near(timeOf(t, p[0]), realTime.Add(-200*time.Millisecond), 50*time.Millisecond) || f64(d["age_s"]) < 3599 || f64(d["age_s"]) > 3602) {
					t.Errorf("time %v, age %v; want %v, 1 h", p[0].doc["time"], d["age_s"], realTime)
				}
				if aside, _ := w.queue.Aside(); len(aside) != 0 {
					t.Errorf("%d times still stand aside", len(aside))
				}
			})
		})
	}
}

// Trip time is reception, minus age, minus the time that relays held the frame, minus what it was late.
func TestTripTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Minute)
		f := n.opened(1, 0, 2560*time.Millisecond)
		at := w.clock.Wall().Add(-proto.EncodeDur8(2560 * time.Millisecond).Duration())
		w.pass(3 * time.Second) // held by the relays
		f = w.relay(w.relay(f, "barn-relay", -80, 5, time.Second), "mast-relay", -90, 1, 2*time.Second)
		w.hear(f)
		held := n.held(2, 9, 90*time.Minute)
		heldAt := w.clock.Wall().Add(-90 * time.Minute)
		w.hear(held)
		late := n.opened(3, 0, 0)
		lateAt := w.clock.Wall()
		w.pass(40 * time.Second)
		w.hear(late)
		w.pass(time.Second)
		for c, want := range map[uint32]time.Time{1: at, 2: heldAt, 3: lateAt} {
			p := w.broker.of(n.idOf(c))
			if len(p) != 1 {
				t.Fatalf("event %d was published %d times", c, len(p))
			}
			// held times travel in codes good to 3 %, send times in whole seconds
			if got := timeOf(t, p[0]); !near(got, want, time.Second+100*time.Millisecond) {
				t.Errorf("event %d: time %v, want %v", c, got, want)
			}
			if delayed := c != 1; p[0].delayed() != delayed {
				t.Errorf("event %d: delayed %v, want %v", c, p[0].delayed(), delayed)
			}
		}
		if p := w.broker.of(n.idOf(3))[0]; p.data["proof"] != "late" {
			t.Errorf("a frame 40 s under way counts as %v, want late", p.data["proof"])
		}
		if p := w.broker.of(n.idOf(1))[0]; !near(timeOf(t, p), at, 100*time.Millisecond) {
			t.Errorf("time %v, want %v to a tenth of a second", timeOf(t, p), at)
		}
	})
}

// Gateway time runs on through a restart, and begins anew, under a new epoch, with a new boot.
func TestEpoch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Minute)
		first := w.g.in.epochs.number
		f := n.open()
		w.stop()
		w.pass(10 * time.Second)
		w.start()
		if w.g.in.epochs.number != first {
			t.Errorf("epoch %d after a restart in the same boot, want %d", w.g.in.epochs.number, first)
		}
		w.hear(f, n.open())
		w.pass(time.Second)
		for c, late := range map[uint32]float64{1: 10, 2: 0} {
			p := w.broker.of(n.idOf(c))[0]
			if p.data["proof"] != "fresh" {
				t.Errorf("event %d, sealed %v s before, counts as %v", c, late, p.data["proof"])
			}
		}
		g := n.open() // with the time of this epoch
		w.kill()
		w.clock = newTestClock(realTime, 5*time.Second, 9, true)
		w.start()
		if got := w.g.in.epochs.number; got != first+1 {
			t.Errorf("epoch %d after a new boot, want %d", got, first+1)
		}
		w.hear(g)
		w.pass(time.Second)
		if p := w.broker.of(n.idOf(3))[0]; p.data["proof"] != "unproven" || p.data["time_uncertain"] != true {
			t.Errorf("a frame of the epoch before counts as %v, uncertain %v", p.data["proof"], p.data["time_uncertain"])
		}
	})
}

// The queue is lost altogether: the epoch is another, so nothing that a node kept passes for fresh.
func TestQueueLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Minute)
		epochs := map[uint16]bool{w.g.in.epochs.number: true}
		for range 8 {
			w.stop()
			w.path += "x"
			w.start()
			epochs[w.g.in.epochs.number] = true
		}
		if len(epochs) < 7 {
			t.Errorf("of 9 lost queues only %d had different epochs", len(epochs))
		}
		w.hear(n.open())
	})
}

// An event of an earlier boot whose time lies after this boot's start was received under a clock that was wrong, or is
// looked at under one: its age is not known, so it does not sound.
func TestEarlierBootUnderAClockAhead(t *testing.T) {
	for name, ahead := range map[string]time.Duration{"ahead by a day": 24 * time.Hour, "by less than the machine was off": 2 * time.Minute, "right": 0} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t)
				w.clock = newTestClock(realTime.Add(ahead), 100*time.Second, 1, true)
				w.start()
				n := w.node("river-gate")
				w.broker.down(true)
				w.pass(2 * time.Second)
				w.hear(n.open())
				w.pass(time.Second)
				w.kill()
				w.clock = newTestClock(realTime.Add(3*time.Minute), 150*time.Second, 2, true) // it was off for 30 s
				w.broker.down(false)
				w.start()
				w.pass(5 * time.Second)
				p := w.broker.of(n.idOf(1))
				if len(p) == 0 {
					t.Fatal("the event never came")
				}
				if !p[0].delayed() {
					t.Errorf("it would sound: age %v", p[0].data["age_s"])
				}
				if age := p[0].data["age_s"]; (age != nil) != (ahead == 0) {
					t.Errorf("age %v, known only if the clock was right", age)
				}
			})
		})
	}
}

// A relay that says it held a frame for longer than the frame can have been under way makes no new trip old.
func TestRelayOverstates(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Minute)
		w.hear(w.relay(n.open(), "barn-relay", -80, 5, 13*time.Second))
		w.pass(time.Second)
		p := w.broker.of(n.idOf(1))[0]
		if p.delayed() || f64(p.data["age_s"]) > 2 {
			t.Errorf("delayed %v, age %v s; want a new trip", p.delayed(), p.data["age_s"])
		}
		w.pass(time.Second)
		late := n.open()
		w.pass(13 * time.Second)
		w.hear(w.relay(late, "barn-relay", -80, 5, 13*time.Second)) // truly held
		w.pass(time.Second)
		if p := w.broker.of(n.idOf(2))[0]; !p.delayed() || f64(p.data["age_s"]) < 12 {
			t.Errorf("delayed %v, age %v s; want what the relay held", p.delayed(), p.data["age_s"])
		}
	})
}

// The gateway's own faults are put right as well.
func TestFaultPutRight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.clock = newTestClock(time.Unix(50, 0), 50*time.Second, 1, false)
		w.start()
		w.pass(2 * time.Second)
		w.link.unplug(true)
		w.pass(time.Minute)
		w.clock.put(realTime, true)
		w.pass(5 * time.Second)
		got := w.broker.all("/fault")
		if len(got) != 2 || got[1].typ != typeFaultTime || got[1].data["corrects_id"] != got[0].id || got[1].id == got[0].id {
			t.Fatalf("%d events, want the fault and its correction", len(got))
		}
		if got[0].doc["time"] != nil || got[1].data["code"] != NoticeBearerDown {
			t.Errorf("time %v while the clock was unset; the correction is of %v", got[0].doc["time"], got[1].data["code"])
		}
		if at, want := timeOf(t, got[1]), realTime.Add(-49*time.Second); !near(at, want, 2*time.Second) {
			t.Errorf("corrected time %v, want %v", at, want)
		}
	})
}

// A machine that never has a clock does not collect events of earlier boots to be put right.
func TestNeverAClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		var n *testNode
		for boot := range byte(4) {
			w.clock = newTestClock(time.Unix(50, 0), 50*time.Second, boot, false)
			w.start()
			if n == nil {
				n = w.node("river-gate")
			}
			for range 5 {
				w.hear(n.open())
			}
			w.pass(5 * time.Second)
			if items, err := w.queue.Aside(); err != nil || len(items) != 5 {
				t.Errorf("boot %d: %d events wait to be put right (%v), want this boot's 5", boot, len(items), err)
			}
			w.stop()
		}
	})
}

// What went out over a session that ended before it was acknowledged may have arrived: it is corrected.
func TestPerhapsDeliveredIsCorrected(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.clock = newTestClock(time.Unix(60, 0), time.Minute, 7, false)
		w.start()
		n := w.node("river-gate")
		w.pass(time.Second)
		w.broker.set(func(b *fakeBroker) { b.judge = func(*fakeSession, *pub) verdict { return hold } })
		w.hear(n.open())
		w.pass(time.Second)
		w.broker.down(true)
		w.pass(time.Minute)
		w.clock.put(realTime, true)
		w.pass(3 * time.Second)
		w.broker.set(func(b *fakeBroker) { b.judge = nil })
		w.broker.down(false)
		w.pass(5 * time.Second)
		if p := w.broker.of(n.idOf(1)); len(p) != 2 || p[0].doc["time"] != nil || p[1].doc["time"] == nil {
			t.Fatalf("published %d times, want twice: without time, and with", len(p))
		}
		if p := w.broker.of(n.idOf(1) + ".time"); len(p) != 1 {
			t.Errorf("%d corrections, want one: whoever had it the first time drops the second by its id", len(p))
		}
	})
}

// A correction has an id of its own, and may come seconds after the trip: it must not pass for a second one.
func TestCorrectionNeverSounds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		w.clock = newTestClock(time.Unix(60, 0), time.Minute, 7, false)
		w.start()
		n := w.node("river-gate")
		w.hear(n.open())
		w.pass(time.Second)
		w.clock.put(realTime, true)
		w.pass(2 * time.Second)
		p := w.broker.of(n.idOf(1) + ".time")
		if len(p) != 1 || !p[0].delayed() {
			t.Errorf("%d corrections, delayed %v; want one that says it is not to sound", len(p), len(p) == 1 && p[0].delayed())
		}
	})
}
