package gateway

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

// The alert does not wait for the disk, and the receipt does.
func TestReceiptOnlyAfterCommit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.checkIn()) // the first receipt sets receipt numbers aside
		w.pass(time.Second)
		release := make(chan struct{})
		w.setFault(func(string) error { <-release; return nil })
		w.hear(n.open())
		w.pass(3 * time.Second)
		if got := len(w.broker.of(n.idOf(1))); got == 0 {
			t.Errorf("while the disk stalls the trip is published %d times, want at once", got)
		}
		if got := n.eventReceipts(); len(got) != 0 {
			t.Errorf("while the disk stalls %d receipts were sent, want none", len(got))
		}
		close(release)
		w.pass(time.Second)
		got := n.eventReceipts()
		if len(got) != 1 || got[0].counter != 1 || got[0].Receipt.Attempt != 0 {
			t.Errorf("after the commit the receipts are %v, want one for event 1", got)
		}
	})
}

// A disk that stalls holds up no live alert, whatever else the gateway has to write meanwhile.
func TestStalledDiskHoldsUpNoAlert(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n, other := w.node("river-gate"), w.node("ridge-gate")
		w.pass(3 * time.Second)
		release := make(chan struct{})
		w.setFault(func(string) error { <-release; return nil })
		w.hear(other.checkIn()) // the first receipt of this start
		w.hear(n.open())
		w.pass(time.Second)
		if got := len(w.broker.of(n.idOf(1))); got != 1 {
			t.Errorf("within a second of a stalled disk the trip is published %d times, want 1", got)
		}
		close(release)
		w.pass(time.Second)
	})
}

// The same when a block of receipt numbers is used up while the disk stalls.
func TestNumbersRunningOutHoldUpNoAlert(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n, other := w.node("river-gate"), w.node("ridge-gate")
		for i := range numberBlock/2 - 10 { // the next block is asked for at half
			if w.link.hear(other.checkIn()); i%100 == 0 {
				w.pass(time.Second)
			}
		}
		w.wait()
		release := make(chan struct{})
		w.setFault(func(string) error { <-release; return nil })
		for range 20 {
			w.hear(other.checkIn())
		}
		w.pass(2 * time.Second)
		w.hear(n.open())
		w.pass(time.Second)
		if got := len(w.broker.of(n.idOf(1))); got != 1 {
			t.Errorf("within a second of a stalled disk the trip is published %d times, want 1", got)
		}
		close(release)
		w.pass(time.Second)
	})
}

// Whichever commit fails, the node's retry is stored and receipted, and the house hears the trip once.
func TestCommitFailsBetweenDeliveryAndReceipt(t *testing.T) {
	for k := range 6 {
		t.Run(fmt.Sprintf("commit %d fails", k), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t).start()
				n := w.node("river-gate")
				w.pass(3 * time.Second)
				commits := -1
				w.setFault(func(op string) error {
					if commits++; commits == k {
						return errors.New("no")
					}
					return nil
				})
				for c := uint32(1); c <= 3; c++ {
					w.hear(n.opened(c, 0, 0))
					w.pass(100 * time.Millisecond)
				}
				for a := uint16(1); a < 3; a++ { // what has no receipt is tried again
					w.pass(2 * time.Second)
					got := map[uint32]bool{}
					for _, r := range n.eventReceipts() {
						got[r.counter] = true
					}
					for c := uint32(1); c <= 3; c++ {
						if !got[c] {
							w.hear(n.opened(c, a, 2*time.Second))
						}
					}
				}
				w.pass(3 * time.Second)
				got := map[uint32]int{}
				for _, r := range n.eventReceipts() {
					got[r.counter]++
				}
				for c := uint32(1); c <= 3; c++ {
					if got[c] == 0 {
						t.Errorf("event %d has no receipt", c)
					}
					if p := w.broker.of(n.idOf(c)); len(p) != 1 {
						t.Errorf("event %d was published %d times, want 1", c, len(p))
					}
				}
				if depth, _ := w.g.sinks[0].cursor.Depth(); depth != 0 {
					t.Errorf("%d events still wait in the queue, want 0", depth)
				}
				if v := w.meter.verdicts(); v["repeat"] != 0 && k == 0 {
					t.Errorf("verdicts %v: a retry of what was not stored was taken for a repeat", v)
				}
				if s := w.queue.Stats(); s.Events[0] != 3 {
					t.Errorf("%d events were stored, want 3", s.Events[0])
				}
			})
		})
	}
}

// A durable event that comes again is receipted again and not stored twice.
func TestDurableRepeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.opened(1, 0, 0))
		for a := uint16(1); a <= 3; a++ {
			w.pass(2 * time.Second)
			w.hear(n.opened(1, a, time.Duration(a)*2*time.Second))
		}
		w.pass(time.Second)
		got := n.eventReceipts()
		if len(got) != 4 {
			t.Fatalf("%d receipts, want 4", len(got))
		}
		for i, r := range got {
			if r.Receipt.Attempt != uint8(i) {
				t.Errorf("receipt %d answers attempt %d", i, r.Receipt.Attempt)
			}
		}
		if p := w.broker.of(n.idOf(1)); len(p) != 1 {
			t.Errorf("published %d times, want 1", len(p))
		}
		if s := w.queue.Stats(); s.Events[0] != 1 {
			t.Errorf("stored %d times, want 1", s.Events[0])
		}
		if v := w.meter.verdicts(); v["repeat"] != 3 || v["accepted"] != 1 {
			t.Errorf("verdicts %v, want 1 accepted and 3 repeats", v)
		}
	})
}

// Copies of one attempt by several ways count once, before and after the commit.
func TestCopiesByTwoPaths(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		f := n.open()
		w.hear(f, w.relay(f, "barn-relay", -80, 5, 100*time.Millisecond), w.relay(f, "mast-relay", -90, 1, 200*time.Millisecond))
		w.wifi.hear(f)
		w.pass(time.Second)
		if got := n.eventReceipts(); len(got) != 1 {
			t.Errorf("%d receipts, want 1", len(got))
		}
		if p := w.broker.of(n.idOf(1)); len(p) != 1 {
			t.Errorf("published %d times, want 1", len(p))
		}
	})
}

// What is in flight is neither receipted nor sounded again.
func TestInFlightRepeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(3 * time.Second)
		release := make(chan struct{})
		w.setFault(func(string) error { <-release; return nil })
		w.hear(n.opened(1, 0, 0))
		w.pass(2 * time.Second)
		w.hear(n.opened(1, 1, 2*time.Second), n.opened(1, 1, 2*time.Second))
		w.pass(time.Second)
		if got := n.receipts(); len(got) != 0 {
			t.Errorf("%d receipts, want none", len(got))
		}
		if v := w.meter.verdicts(); v["in-flight"] != 2 {
			t.Errorf("verdicts %v, want 2 in flight", v)
		}
		close(release)
		w.pass(time.Second)
		if p := w.broker.of(n.idOf(1)); len(p) != 1 {
			t.Errorf("published %d times, want 1", len(p))
		}
		if s := w.queue.Stats(); s.Events[0] != 1 {
			t.Errorf("stored %d times, want 1", s.Events[0])
		}
	})
}

// A full disk withholds receipts, and the node keeps what it has; the alert still sounds.
func TestFullDiskWithholdsReceipts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		full := errors.New("no space left on device")
		w.setFault(func(op string) error { return full })
		for c := range uint32(5) {
			w.hear(n.opened(c+1, 0, 0))
		}
		w.pass(time.Second)
		if got := n.eventReceipts(); len(got) != 0 {
			t.Errorf("%d receipts, want none", len(got))
		}
		if p := w.broker.all("/trip"); len(p) != 5 {
			t.Errorf("%d trips sounded, want 5", len(p))
		}
		w.setFault(nil)
		for c := range uint32(5) {
			w.hear(n.opened(c+1, 1, 2*time.Second))
		}
		w.pass(time.Second)
		if got := n.eventReceipts(); len(got) != 5 {
			t.Errorf("%d receipts once there is room, want 5", len(got))
		}
		if p := w.broker.all("/trip"); len(p) != 5 {
			t.Errorf("%d trips sounded, want 5", len(p))
		}
	})
}

// The receipt tells which of the 16 events before are on the disk too, and only those.
func TestReceiptNamesOthersThatAreDurable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		for _, c := range []uint32{1, 2, 5} {
			w.hear(n.opened(c, 0, 0))
		}
		bad := errors.New("no")
		w.setFault(func(string) error { return bad })
		w.hear(n.opened(6, 0, 0))
		w.setFault(nil)
		w.hear(n.opened(7, 0, 0))
		w.pass(time.Second)
		got := n.eventReceipts()
		if r := got[len(got)-1]; r.counter != 7 || r.Also != 1<<1|1<<4|1<<5 {
			t.Errorf("receipt for %d says also %b, want for 7 also 5, 2 and 1 (%b)", r.counter, r.Also, 1<<1|1<<4|1<<5)
		}
		w.hear(n.opened(6, 1, 2*time.Second))
	})
}

// A receipt carries the gateway's time and number, and a check-in's receipt promises nothing.
func TestReceiptContents(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(42 * time.Second)
		w.hear(n.open(), n.checkIn())
		w.wifi.hear(n.open())
		w.pass(time.Second)
		got := n.receipts()
		if len(got) != 2 {
			t.Fatalf("%d receipts by LoRa, want 2", len(got))
		}
		for _, r := range got {
			since := r.Receipt.Time.Since()
			if want := r.at.Sub(w.clock.start) + w.clock.mono - w.g.in.epochs.base; (since - want).Abs() > 100*time.Millisecond {
				t.Errorf("receipt gives time %v, want %v", since, want)
			}
			if r.Gateway != 3 || r.Raw.Epoch != w.g.in.epochs.number {
				t.Errorf("receipt of gateway %d, epoch %d", r.Gateway, r.Raw.Epoch)
			}
			if r.Confirm {
				t.Errorf("a fresh frame was asked to be confirmed")
			}
		}
		if r := got[1]; r.Raw.Type == proto.TypeCheckInReceipt && (r.Also != 0 || r.Receipt.Attempt != 0) {
			t.Errorf("a check-in's receipt speaks of events: %+v", r.Receipt)
		}
		if wifi := w.wifi.all(); len(wifi) != 1 || wifi[0].to != "10.0.0.7:5000" {
			t.Errorf("by Wi-Fi %d receipts went out, want 1 to where the frame came from", len(wifi))
		}
	})
}

// A fault of the gateway's own that the disk did not take is stored once it does: no node tells of it again.
func TestNoticeIsStoredAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		w.broker.down(true)
		w.pass(2 * time.Second)
		w.setFault(func(string) error { return errors.New("no space left") })
		w.link.unplug(true)
		w.pass(20 * time.Second)
		w.setFault(nil)
		w.pass(5 * time.Second)
		w.stop()
		w.broker.down(false)
		w.start()
		w.pass(5 * time.Second)
		if got := w.broker.all("/fault"); len(got) == 0 || got[0].data["code"] != NoticeBearerDown {
			t.Errorf("%d faults after the restart, want that the bearer was down", len(got))
		}
	})
}

// A notice that cannot be stored is tried again every second, and logged once.
func TestNoticeNotStoredIsLoggedOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		var log strings.Builder
		w.log = &log
		w.start()
		w.setFault(func(string) error { return errors.New("no space left") })
		w.link.unplug(true)
		w.pass(time.Minute)
		if n := strings.Count(log.String(), "was not stored"); n != 1 {
			t.Errorf("in a minute it is logged %d times that a notice was not stored, want once", n)
		}
	})
}
