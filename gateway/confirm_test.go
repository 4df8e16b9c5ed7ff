package gateway

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

// unproven has a node without time send a trip that happened age ago, and gives its receipt.
func (w *world) unproven(n *testNode, age time.Duration) receipt {
	w.t.Helper()
	n.timed = false
	w.hear(n.opened(n.next, 0, age))
	n.next++
	n.timed = true
	w.pass(100 * time.Millisecond)
	p := w.broker.of(n.idOf(n.next - 1))
	if len(p) != 1 || p[0].data["proof"] != "unproven" || p[0].delayed() || p[0].data["time_uncertain"] != true {
		w.t.Fatalf("published %d times; want once, unproven, not delayed", len(p))
	}
	got := n.eventReceipts()
	if len(got) == 0 || !got[len(got)-1].Confirm {
		w.t.Fatalf("receipts %v: the last should ask to confirm", got)
	}
	return got[len(got)-1]
}

// confirm is the check-in that answers such a receipt.
func (n *testNode) confirm(counter uint32, age time.Duration) []byte {
	return n.checkIn(func(b *proto.CheckIn) {
		b.Confirms, b.Confirm, b.ConfirmAge = true, uint8(n.next-counter), proto.EncodeDur8(age)
	})
}

func (w *world) heldBack() []*pub {
	return w.broker.all("/fault")
}

func TestUnproven(t *testing.T) {
	for name, c := range map[string]struct {
		confirm bool
		age     time.Duration // as confirmed, beyond the truth
		want    string        // in the fault; empty: none
	}{
		"confirmed":              {confirm: true},
		"confirmed, a slow node": {confirm: true, age: 10 * time.Second},
		"held back":              {confirm: true, age: time.Hour, want: "was kept from the gateway for about"},
		"not confirmed":          {want: "possibly held back"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t).start()
				n := w.node("river-gate")
				w.pass(2 * time.Second)
				w.unproven(n, 300*time.Millisecond)
				w.pass(2 * time.Second)
				if c.confirm {
					w.hear(n.confirm(n.next-1, 2400*time.Millisecond+c.age))
				}
				w.pass(time.Minute)
				got := w.heldBack()
				if c.want == "" {
					if len(got) != 0 {
						t.Errorf("faults %v, want none", got[0].data)
					}
					return
				}
				if len(got) != 1 || got[0].data["code"] != NoticeHeldBack || got[0].typ != typeFaultBegan ||
					!strings.Contains(got[0].data["detail"].(string), c.want) || got[0].data["zone"] != "river-gate" || got[0].data["node"] != "river-gate" {
					t.Fatalf("%d faults, want one %q", len(got), c.want)
				}
				if since := got[0].at.Sub(w.clock.start); !c.confirm && (since < 12*time.Second || since > 14*time.Second) {
					t.Errorf("raised %v after the start, want 10 s after the receipt", since)
				}
			})
		})
	}
}

// A confirmation that comes after the fault ends it, or bears it out.
func TestConfirmedAfterAll(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(2 * time.Second)
		w.unproven(n, 0)
		w.pass(30 * time.Second)
		w.hear(n.confirm(1, 30*time.Second))
		w.pass(time.Second)
		got := w.heldBack()
		if len(got) != 2 || got[0].typ != typeFaultBegan || got[1].typ != typeFaultEnded || got[0].id == got[1].id {
			t.Errorf("%d faults, want one that began and ended", len(got))
		}
	})
}

// The confirmation of another event, or of another node, is none.
func TestConfirmationOfAnother(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n, other := w.node("river-gate"), w.node("ridge-gate")
		n.next, other.next = 40, 40
		w.pass(2 * time.Second)
		w.unproven(n, 0)
		w.hear(n.confirm(39, 0), other.checkIn(func(b *proto.CheckIn) { b.Next, b.Confirms, b.Confirm = 41, true, 1 }))
		w.pass(20 * time.Second)
		if got := w.heldBack(); len(got) != 1 {
			t.Errorf("%d faults, want 1", len(got))
		}
	})
}

// A receipt that was lost: the retry's receipt asks again.
func TestConfirmIsAskedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(2 * time.Second)
		w.unproven(n, 0)
		w.pass(2 * time.Second)
		n.timed = false
		w.hear(n.opened(1, 1, 2*time.Second))
		n.timed = true
		got := n.eventReceipts()
		if len(got) != 2 || !got[1].Confirm {
			t.Fatalf("receipts %v, want two that ask to confirm", got)
		}
		w.hear(n.confirm(1, 2*time.Second))
		w.pass(time.Minute)
		if got := w.heldBack(); len(got) != 0 {
			t.Errorf("faults %v, want none", got)
		}
	})
}

// However many doubtful events there are, memory stays bounded, and those that are old give way to the new.
func TestManyUnproven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		n.timed = false
		for range 3 * maxConfirms {
			w.link.hear(n.open())
			w.wait()
		}
		if got := len(w.g.in.confirms); got > maxConfirms {
			t.Errorf("%d confirmations are awaited, want at most %d", got, maxConfirms)
		}
		w.link.hear(n.open()) // one more; it also orders the look at ingest's map above before what ingest does next
		w.wait()
		w.pass(time.Minute)
		before := len(w.heldBack())
		w.unproven(n, 0)
		w.pass(time.Minute)
		if got := len(w.heldBack()) - before; got != 1 {
			t.Errorf("a new unproven event that nobody confirms raised %d faults, want 1: those in doubt take all the room", got)
		}
	})
}

// An honest trip that is hours old is confirmed by "2.8 hours or more"; one that claims to be new is not.
func TestConfirmedAgeEnds(t *testing.T) {
	for held, want := range map[bool]int{true: 0, false: 1} {
		synctest.Test(t, func(t *testing.T) {
			w := newWorld(t).start()
			n := w.node("river-gate")
			w.pass(2 * time.Second)
			n.timed = false
			if held {
				w.hear(n.held(n.next, 0, 6*time.Hour))
			} else {
				w.hear(n.opened(n.next, 0, time.Second))
			}
			n.next++
			n.timed = true
			w.hear(n.confirm(n.next-1, 6*time.Hour))
			w.pass(time.Minute)
			if got := w.heldBack(); len(got) != want {
				t.Errorf("an age told honestly: %v; faults %d, want %d", held, len(got), want)
			}
		})
	}
}

// Whoever holds a trip back can hold its confirmation back as long: the age that it tells is reckoned from when it was
// sealed, and one that does not prove when that was confirms nothing.
func TestConfirmationHeldBack(t *testing.T) {
	for _, timed := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			w := newWorld(t).start()
			n := w.node("river-gate")
			w.pass(2 * time.Second)
			n.timed = false
			trip := n.opened(n.next, 0, time.Second)
			n.next++
			w.pass(time.Hour)
			w.hear(trip) // let go after an hour
			n.timed = timed
			confirm := n.confirm(1, time.Hour) // the node tells the truth
			w.pass(time.Hour)
			w.hear(confirm) // after another
			w.pass(time.Minute)
			faults := w.heldBack()
			for _, f := range faults {
				if f.typ == typeFaultEnded {
					t.Errorf("with time %v: a confirmation held back ended the fault", timed)
				}
			}
			if len(faults) == 0 {
				t.Errorf("with time %v: no fault", timed)
			}
		})
	}
}

// A gateway that may not transmit, or whose modem is down, can ask nobody, and accuses nobody.
func TestNoReceiptNoDoubt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(2 * time.Second)
		w.link.fail(true)
		n.timed = false
		w.hear(n.open())
		w.pass(time.Minute)
		if got := w.heldBack(); len(got) != 0 {
			t.Errorf("fault %v though no receipt could be sent", got[0].data)
		}
		w.link.fail(false)
		w.hear(n.opened(1, 1, time.Minute)) // the node tries again
		w.pass(time.Minute)
		if got := w.heldBack(); len(got) != 1 {
			t.Errorf("%d faults once a receipt has asked in vain, want 1", len(got))
		}
	})
}

// A node lets go of what a receipt says is durable as well, and never vouches for it then. So what waits to be vouched
// for is not named there, or a receipt lost on the air would be a fault that nothing ends.
func TestUnconfirmedIsNotNamedAsDurable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(2 * time.Second)
		w.hear(n.opened(1, 0, 0))
		n.next = 2
		w.unproven(n, 0) // its receipt is lost
		w.pass(time.Second)
		w.unproven(n, 0)
		last := func() receipt { got := n.eventReceipts(); return got[len(got)-1] }
		if r := last(); r.counter != 3 || r.Also != 1<<1 {
			t.Fatalf("the receipt for %d says also %b, want for 3 also 1 (%b)", r.counter, r.Also, 1<<1)
		}
		w.hear(n.confirm(3, time.Second), n.opened(2, 1, 2*time.Second))
		if r := last(); r.counter != 2 || !r.Confirm {
			t.Fatalf("the receipt for %d asks to confirm: %v, want for 2 true", r.counter, r.Confirm)
		}
		w.hear(n.confirm(2, 2*time.Second), n.open())
		if r := last(); r.Also != 1<<0|1<<1|1<<2 {
			t.Errorf("when all are confirmed the receipt says also %b, want %b", r.Also, 1<<0|1<<1|1<<2)
		}
		w.pass(time.Minute)
		if got := w.heldBack(); len(got) != 0 {
			t.Errorf("faults %v, want none", got[0].data)
		}
	})
}
