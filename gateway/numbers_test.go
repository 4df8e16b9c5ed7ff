package gateway

import (
	"errors"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
)

// An epoch that begins twice, since all that is left is a second copy from before it, seals no two receipts with one nonce.
func TestEpochTwice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		path := w.withCopy()
		w.start()
		w.pass(2 * time.Minute)
		w.stop()
		left, err := os.ReadFile(path)
		w.must(err)
		used, first := map[[2]uint32]int{}, uint16(0)
		for life := range 4 {
			w.must(errors.Join(os.WriteFile(path, left, 0o600), os.Remove(w.path)))
			clear(w.receipted)
			w.clock = newTestClock(realTime, 5*time.Second, byte(20+life), true)
			w.start()
			n := w.node("river-gate")
			w.hear(n.checkIn(), n.open())
			w.pass(time.Second)
			if first == 0 {
				first = w.g.in.epochs.number
			}
			if w.g.in.epochs.number != first {
				t.Fatalf("life %d has epoch %d, the first had %d: the test shows nothing", life, w.g.in.epochs.number, first)
			}
			receipts := 0
			for _, s := range w.link.all() {
				raw, err := proto.Parse(s.frame)
				w.must(err)
				if !raw.Type.Receipt() {
					continue
				}
				receipts++
				key := [2]uint32{uint32(raw.Epoch), raw.Number}
				if before, ok := used[key]; ok {
					t.Errorf("life %d: epoch %d, number %d was used by life %d", life, raw.Epoch, raw.Number, before)
				}
				used[key] = life
			}
			if receipts < 2 {
				t.Errorf("life %d gave %d receipts, want two", life, receipts)
			}
			w.stop()
		}
	})
}
