package gateway

import (
	"bytes"
	"math/rand/v2"
	"runtime"
	"testing"
	"testing/synctest"
	"time"

	"longlane/proto"
	"longlane/radio"
)

// 100,000 packets of garbage: each is counted once, memory stays where it was, and good frames beside them get through.
func TestFlood(t *testing.T) {
	seeded(t, 1, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t).start()
		n, known := w.node("river-gate"), w.node("ridge-gate")
		w.hear(known.open())
		seen := known.opened(1, 0, 200*time.Millisecond)
		foreign, err := proto.Seal(nil, n.keys(), proto.Header{Type: proto.TypeTripOpened, Site: w.roster.Site + 1, Node: 1, Gen: 1}, &proto.TripOpened{})
		w.must(err)
		valid := n.opened(9999, 0, 0)
		delete(w.made, ID{n.id, n.gen, 9999})
		junk := func() []byte {
			switch rng.IntN(6) {
			case 0:
				return foreign
			case 1: // another node's name, hence another window, under a wrong key
				f := bytes.Clone(valid)
				f[4], f[5] = byte(rng.Uint32()), byte(rng.Uint32())
				f[6] ^= 1
				return f
			case 2:
				return flip(rng, valid)
			case 3:
				f := make([]byte, 1+rng.IntN(radio.MaxFrame))
				for i := range f {
					f[i] = byte(rng.Uint32())
				}
				if rng.IntN(2) == 0 {
					f[0] = proto.Version<<5 | f[0]&31
				}
				return f
			case 4:
				return seen
			}
			return valid[:rng.IntN(len(valid))]
		}
		heap := func() uint64 {
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			return m.HeapAlloc
		}
		before := heap()
		base := 0
		for _, c := range w.meter.verdicts() {
			base += c
		}
		const packets = 100_000
		good := 0
		for i := range packets {
			if i%1000 == 500 {
				w.link.hear(n.open())
				good++
			} else {
				w.link.hear(junk())
			}
			if i%500 == 499 { // a bearer is not endlessly fast: as much as the gateway says it holds
				w.pass(20 * time.Millisecond)
			}
		}
		w.pass(2 * time.Second)
		total := w.meter.count(w.meter.drops, "packet") - base
		for _, c := range w.meter.verdicts() {
			total += c
		}
		if total != packets {
			t.Errorf("%d packets are counted, want %d; %v", total, packets, w.meter.verdicts())
		}
		if grown := int64(heap()) - int64(before); grown > 8<<20 {
			t.Errorf("the heap grew by %d KiB", grown>>10)
		}
		if got := len(w.g.in.windows); got > 3 {
			t.Errorf("%d replay windows are kept, want those of the 2 nodes that were heard", got)
		}
		for c := range good {
			if p := w.broker.of(n.idOf(uint32(c + 1))); len(p) != 1 {
				t.Errorf("good frame %d was published %d times, want 1", c+1, len(p))
			}
		}
		for v, c := range w.meter.verdicts() {
			t.Logf("%s: %d", v, c)
		}
	})
}

// More packets than can be looked at are dropped and counted; the bearer is not held up.
func TestPacketsOverflow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(3 * time.Second)
		release := make(chan struct{})
		w.setFault(func(string) error { <-release; return nil })
		const sent = maxFlights + maxPackets + 500
		w.fill(maxFlights, n)
		w.fill(maxPackets+500, n)
		if d := w.meter.count(w.meter.drops, "packet"); d != 500 {
			t.Errorf("%d packets dropped, want 500", d)
		}
		close(release)
		w.pass(5 * time.Second)
		if a := w.meter.verdicts()["accepted"]; a != sent-500 {
			t.Errorf("%d accepted, want %d", a, sent-500)
		}
	})
}
