package gateway

import (
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/radio"
)

// A relay that has not overheard the receipt sends the same attempt again, and is answered: not at once, not for long, not
// often. Nothing is stored or published twice for that.
func TestSameAttemptAgain(t *testing.T) {
	for kind, make := range map[string]func(*testNode) []byte{
		"trip":     func(n *testNode) []byte { return n.open() },
		"check-in": func(n *testNode) []byte { return n.checkIn() },
	} {
		t.Run(kind, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t).withBeacons().start()
				n := w.node("river-gate")
				soon := w.g.againAfter("lora") - 20*time.Millisecond
				commits := w.queue.Stats().Commits
				answers := func(frame []byte) int {
					before := len(n.receipts())
					w.hear(frame)
					w.pass(10 * time.Millisecond)
					return len(n.receipts()) - before
				}
				step := func(after time.Duration, frame []byte, want int) {
					t.Helper()
					w.pass(after - 10*time.Millisecond)
					if got := answers(frame); got != want {
						t.Errorf("%v later: %d receipts, want %d", after, got, want)
					}
				}
				f := make(n)
				byBarn := w.relay(f, "barn-relay", -80, 5, 100*time.Millisecond)
				if got := answers(byBarn); got != 1 {
					t.Fatalf("%d receipts at first", got)
				}
				step(soon, byBarn, 0)
				step(30*time.Millisecond, w.relay(f, "barn-relay", -80, 5, 300*time.Millisecond), 1)
				step(soon, byBarn, 0) // since the last one
				step(30*time.Millisecond, w.relay(f, "mast-relay", -90, 1, time.Second), 1)
				step(2*time.Second, byBarn, 1)
				step(2*time.Second, byBarn, 1)
				step(2*time.Second, byBarn, 0) // the fifth time
				step(time.Minute, byBarn, 0)

				f = make(n)
				if got := answers(f); got != 1 {
					t.Fatalf("%d receipts for the next", got)
				}
				step(9900*time.Millisecond, f, 1)
				step(800*time.Millisecond, f, 0) // what somebody has recorded
				step(time.Hour, f, 0)

				if p := w.broker.of(n.idOf(1)); kind == "trip" && len(p) != 1 {
					t.Errorf("published %d times, want 1", len(p))
				}
				if s := w.queue.Stats(); kind == "trip" && s.Events[0] != 2 || kind == "check-in" && s.Commits-commits != 4 { // two more, after an hour, are what is known of the site's health
					t.Errorf("stored %d events, in %d commits", s.Events[0], s.Commits-commits)
				}
				if v := w.meter.verdicts(); v["accepted"] != 2 || v["repeat"] != 11 {
					t.Errorf("verdicts %v", v)
				}
			})
		})
	}
}

// A check-in that comes again says the same: one without time is asked for one more, whatever its first answer did.
func TestCheckInAgainUnproven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		n.timed = false
		f := n.checkIn()
		w.hear(f)
		w.pass(time.Second)
		w.hear(f)
		w.pass(time.Second)
		got := n.receipts()
		if len(got) != 2 || !got[0].Confirm || !got[1].Confirm || got[0].Number == got[1].Number {
			t.Errorf("receipts %+v", got)
		}
	})
}

// The receipt of a check-in promises nothing, so its repetition need not wait for a disk that stalls.
func TestCheckInAgainInFlight(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(3 * time.Second)
		release := make(chan struct{})
		w.setFault(func(string) error { <-release; return nil })
		f := n.checkIn()
		for range 3 {
			w.hear(f)
			w.pass(time.Second)
		}
		if got := n.receipts(); len(got) != 3 {
			t.Errorf("%d receipts, want 3", len(got))
		}
		close(release)
		w.pass(time.Second)
	})
}

// After a restart an attempt is answered once: it may be a recording.
func TestSameAttemptAfterRestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		trip, check := n.open(), n.checkIn()
		w.hear(trip, check)
		w.pass(time.Minute)
		w.stop()
		w.start()
		for range 5 {
			w.hear(trip, check)
			w.pass(time.Second)
		}
		w.hear(n.opened(1, 1, time.Minute))
		w.pass(time.Second)
		w.hear(n.opened(1, 1, time.Minute))
		w.pass(time.Second)
		if got := n.receipts(); len(got) != 2 || got[0].Receipt.Attempt != 0 || got[1].Receipt.Attempt != 1 {
			t.Errorf("%d receipts, want one for each attempt", len(got))
		}
	})
}

// While there is no airtime, who asks again and again is answered once when there is.
func TestAgainWithoutAirtime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n, other := w.node("river-gate"), w.node("ridge-gate")
		till := time.Now().Add(4500 * time.Millisecond)
		w.link.setPermit(func([]byte) error {
			if left := time.Until(till); left > 0 {
				return &radio.WaitError{For: left}
			}
			return nil
		})
		f := n.open()
		w.hear(f, other.open())
		for range 4 {
			w.pass(time.Second)
			w.hear(f)
		}
		w.pass(2 * time.Second)
		got := n.eventReceipts()
		if len(got) != 1 || len(other.eventReceipts()) != 1 {
			t.Fatalf("%d and %d receipts, want one each", len(got), len(other.eventReceipts()))
		}
		if at := w.clock.Mono() - w.g.in.epochs.base - 3*time.Second; got[0].Time < proto.EncodeGatewayTime(at) {
			t.Error("it is the oldest of them, of which the node believes the time no more")
		}
	})
}
