package gateway

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

// Killed at random moments, with the receiver coming and going: nothing with a receipt is lost, ids stay, what was old
// stays old. The comparison of receipts with what arrived is the audit at the end of each run.
func TestKilledAtRandom(t *testing.T) {
	seeded(t, 8, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t)
		w.broker.latency = time.Duration(rng.IntN(300)) * time.Millisecond
		w.start()
		nodes := []*testNode{w.node("river-gate"), w.node("ridge-gate"), w.node("cattle-grid")}
		waiting := map[*testNode]map[uint32]uint16{} // events without receipt, and their next attempt
		for _, n := range nodes {
			waiting[n] = map[uint32]uint16{}
		}
		numbers := map[[2]uint32]bool{}
		listen := func() { // nodes hear their receipts, unless the air swallows them
			for _, n := range nodes {
				for _, r := range n.receipts() {
					numbers[[2]uint32{uint32(r.Raw.Epoch), r.Number}] = true
					if r.Raw.Type == proto.TypeReceipt && rng.IntN(4) != 0 {
						delete(waiting[n], r.counter)
					}
				}
			}
		}
		sent, total := 0, 0
		for range 12 { // lives
			w.broker.down(rng.IntN(3) == 0)
			for range 1 + rng.IntN(25) {
				n := nodes[rng.IntN(3)]
				if rng.IntN(2) == 0 || len(waiting[n]) == 0 {
					waiting[n][n.next] = 0
					n.next++
					total++
				}
				for c, a := range waiting[n] {
					waiting[n][c] = a + 1
					f := n.opened(c, a, 2*time.Second)
					if rng.IntN(4) != 0 { // else lost on the way
						w.link.hear(f)
					}
				}
				w.pass(time.Duration(rng.Int64N(int64(2 * time.Second))))
				if rng.IntN(6) == 0 {
					fail := errors.New("no")
					w.setFault(func(string) error { return fail })
					w.hear(n.checkIn())
					w.setFault(nil)
				}
			}
			if rng.IntN(2) == 0 {
				w.pass(time.Duration(rng.Int64N(int64(4 * time.Second))))
			}
			listen()
			sent += len(w.link.all())
			w.kill()
			if rng.IntN(3) == 0 { // the machine itself
				b := byte(rng.IntN(250))
				w.clock = newTestClock(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC).Add(time.Since(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))), 20*time.Second, b, true)
			}
			w.start()
		}
		w.broker.down(false)
		for range 60 {
			for _, n := range nodes {
				for c, a := range waiting[n] {
					waiting[n][c] = a + 1
					w.link.hear(n.opened(c, a, 2*time.Second))
					w.wait()
				}
			}
			w.pass(3 * time.Second)
			listen()
		}
		for _, n := range nodes {
			for c := range waiting[n] {
				t.Errorf("event %s never got a receipt", n.idOf(c))
			}
		}
		w.until(time.Minute, "all is delivered", func() bool {
			n, _ := w.g.sinks[0].cursor.Depth()
			return n == 0
		})
		if got := len(w.broker.acknowledged()); got < total {
			t.Errorf("%d events were delivered, want %d", got, total)
		}
	})
}

// A kill right after a delivery: the event goes again, under the same id, and its frame is a repeat.
func TestKilledBeforeAcknowledgementIsSaved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(3 * time.Second)
		f := n.open()
		w.hear(f)
		w.pass(100 * time.Millisecond)
		w.kill()
		w.start()
		w.pass(time.Second)
		got := w.broker.all("/trip")
		if len(got) != 2 || got[0].id != got[1].id {
			t.Errorf("%d publications, want the same event twice", len(got))
		}
		stored := w.queue.Stats().Events
		w.hear(f)
		w.pass(time.Second)
		if v := w.meter.verdicts(); v["repeat"] != 1 || w.queue.Stats().Events != stored {
			t.Errorf("after the kill the frame counts as %v, want a repeat that is not stored", v)
		}
		if r := n.eventReceipts(); len(r) != 1 {
			t.Errorf("after the kill %d receipts, want 1: the node may have missed the first", len(r))
		}
	})
}

// Marks survive a kill: what is outside the window is refused, whatever its time.
func TestMarksSurvive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		old := n.opened(1, 0, 0)
		w.hear(n.opened(5000, 0, 0))
		w.pass(3 * time.Second)
		w.kill()
		w.start()
		w.hear(old, n.seal(proto.Header{Type: proto.TypeTripOpened, Long: true, HopsLeft: 7, Site: w.roster.Site, Node: n.id, Gen: n.gen,
			Counter: 5000 - proto.WindowSize}, &proto.TripOpened{Sent: n.now()}))
		w.pass(time.Second)
		// The first has the short counter: the mark completes it to another, and then it is tried as one from before that.
		if v := w.meter.verdicts(); v["old"] != 2 {
			t.Errorf("verdicts %v, want two old ones", v)
		}
	})
}

// Receipt numbers are never used twice in an epoch, however the gateway ends; nor are the ids of its own faults.
func TestNumbersNeverRepeat(t *testing.T) {
	seeded(t, 3, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		seen := map[[2]uint32]bool{}
		for range 6 {
			for range rng.IntN(5) * 500 {
				if w.link.hear(n.checkIn()); rng.IntN(20) == 0 {
					w.pass(500 * time.Millisecond)
				}
			}
			w.wait()
			for _, r := range n.receipts() {
				k := [2]uint32{uint32(r.Raw.Epoch), r.Number}
				if seen[k] {
					t.Fatalf("receipt number %d of epoch %d was used twice", r.Number, r.Raw.Epoch)
				}
				seen[k] = true
			}
			switch rng.IntN(3) {
			case 0:
				w.kill()
			case 1:
				w.stop()
			default: // as soon as the next block has been set aside
				for {
					reserved := w.g.in.epochs.reserved
					w.hear(n.checkIn())
					w.pass(time.Second)
					if w.g.in.epochs.reserved != reserved || rng.IntN(20) == 0 {
						break
					}
				}
				for _, r := range n.receipts() {
					seen[[2]uint32{uint32(r.Raw.Epoch), r.Number}] = true
				}
				w.kill()
			}
			w.start()
		}
		if len(seen) == 0 {
			w.hear(n.checkIn())
		}
	})
}

// A disk that takes no more numbers withholds receipts rather than using one twice.
func TestNumbersRunOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		no := errors.New("no")
		w.setFault(func(string) error { return no })
		for range 3 * numberBlock {
			if w.link.hear(n.checkIn()); n.checks%100 == 0 {
				w.pass(100 * time.Millisecond)
			}
		}
		w.wait()
		seen := map[uint32]bool{}
		for _, r := range n.receipts() {
			if seen[r.Number] {
				t.Fatalf("number %d was used twice", r.Number)
			}
			seen[r.Number] = true
		}
		if len(seen) == 0 || len(seen) > numberBlock {
			t.Errorf("%d numbers were used with a disk that sets none aside, want 1 to %d", len(seen), numberBlock)
		}
		w.setFault(nil)
		w.pass(3 * time.Second)
		before := len(n.receipts())
		w.hear(n.checkIn())
		if len(n.receipts()) != before+1 {
			t.Errorf("no receipt once the disk works again")
		}
	})
}

// Replay marks or settings that the disk has damaged stop nobody: the marks are forgotten, the epoch moves on, so that
// what was recorded before passes for nothing better than unproven, and the house hears of it.
func TestDamagedState(t *testing.T) {
	for name, what := range map[string]func(w *world, n *testNode) []byte{
		"a mark": func(w *world, n *testNode) []byte {
			mark, err := w.g.in.windows[windowKey{eventSpace, n.id, n.gen}].MarshalBinary()
			w.must(err)
			return mark
		},
		"the epoch": func(w *world, n *testNode) []byte {
			v, err := w.queue.Get(epochName)
			w.must(err)
			return v
		},
		"the receipt numbers": func(w *world, n *testNode) []byte {
			v, err := w.queue.Get(receiptsName)
			w.must(err)
			return v
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t).start()
				n, other := w.node("river-gate"), w.node("ridge-gate")
				w.pass(2 * time.Second)
				caught := n.open()
				w.hear(caught, n.open(), other.open())
				w.pass(time.Second)
				kept := n.open()
				first, value := w.g.in.epochs.number, what(w, n)
				w.stop()
				damage(t, w.path, value)
				w.start()
				w.pass(time.Second)
				if got := w.g.in.epochs.number; got != first+1 {
					t.Errorf("epoch %d, want %d", got, first+1)
				}
				faults := w.broker.all("/fault")
				if len(faults) != 1 || faults[0].data["code"] != NoticeMarksLost || strings.Contains(faults[0].data["detail"].(string), "river-gate") != (name == "a mark") {
					t.Fatalf("faults %v, want one that tells of it", faults)
				}
				w.hear(kept)
				w.pass(time.Second)
				if p := w.broker.of(n.idOf(3)); len(p) != 1 || p[0].data["proof"] != "unproven" {
					t.Errorf("a frame with the time of before was published %d times, want once, unproven", len(p))
				}
				before := len(w.broker.of(n.idOf(1)))
				w.hear(caught)
				w.pass(time.Second)
				if got := len(w.broker.of(n.idOf(1))) - before; got != 0 && name != "a mark" {
					t.Errorf("a recorded frame was published %d times again", got)
				}
			})
		})
	}
}

// damage turns a bit of each copy of value in the file.
func damage(t *testing.T, path string, value []byte) {
	t.Helper()
	file, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for at := 0; ; {
		i := bytes.Index(file[at:], value)
		if i < 0 {
			break
		}
		at += i + len(value)
		file[at-1] ^= 0x10
		found++
	}
	if found == 0 {
		t.Fatalf("%x is not in %s", value, path)
	}
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
}
