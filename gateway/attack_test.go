package gateway

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
)

// tally runs f and gives how the verdicts changed.
func (w *world) tally(f func()) map[string]int {
	before := w.meter.verdicts()
	f()
	w.pass(100 * time.Millisecond)
	diff := map[string]int{}
	for v, n := range w.meter.verdicts() {
		if n != before[v] {
			diff[v] = n - before[v]
		}
	}
	return diff
}

func (w *world) wantVerdict(what, verdict string, frames ...[]byte) {
	w.t.Helper()
	trips, sent := len(w.broker.events()), len(w.link.all())
	got := w.tally(func() { w.hear(frames...) })
	if len(got) != 1 || got[verdict] != len(frames) {
		w.t.Errorf("%s: verdicts %v, want %d of %s", what, got, len(frames), verdict)
	}
	if verdict == "accepted" {
		return
	}
	if n := len(w.broker.events()) - trips; n != 0 {
		w.t.Errorf("%s: %d events were published", what, n)
	}
	if n := len(w.link.all()) - sent; n != 0 && verdict != "repeat" {
		w.t.Errorf("%s: %d receipts were sent", what, n)
	}
}

// flip changes one random bit of the part of a frame that is authenticated, which excludes how many hops are left.
func flip(rng *rand.Rand, frame []byte) []byte {
	out := bytes.Clone(frame)
	for {
		bit := rng.IntN(8 * len(out))
		if bit/8 == 1 && bit%8 < 4 {
			continue
		}
		out[bit/8] ^= 1 << (bit % 8)
		return out
	}
}

func TestAttackReplay(t *testing.T) {
	seeded(t, 5, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(5 * time.Second)
		var caught [][]byte
		for range 50 {
			n.next += uint32(rng.IntN(40))
			f := n.open()
			if rng.IntN(2) == 0 {
				f = w.relay(f, "barn-relay", -80, 3, 0)
			}
			caught = append(caught, f)
			w.hear(f)
		}
		check := n.checkIn()
		w.hear(check)
		w.pass(time.Duration(rng.Int64N(int64(time.Hour))))
		inside := caught[len(caught)-1-rng.IntN(5)]
		w.wantVerdict("replay inside the window", "repeat", inside)
		sent := len(w.link.all())
		w.wantVerdict("replay of a check-in", "repeat", check)
		if got := len(w.link.all()) - sent; got != 0 {
			t.Errorf("a check-in that is replayed got %d receipts", got)
		}
		n.next += proto.WindowSize + uint32(rng.IntN(60000))
		w.hear(n.seal(proto.Header{Type: proto.TypeTripOpened, Long: true, HopsLeft: 7, Site: w.roster.Site, Node: n.id, Gen: n.gen, Counter: n.next},
			&proto.TripOpened{Sent: n.now()}))
		n.next++
		trips := len(w.broker.all("/trip"))
		got := w.tally(func() { w.hear(caught...) })
		if got["mac"]+got["old"] != len(caught) || len(w.broker.all("/trip")) != trips {
			t.Errorf("replay outside the window: verdicts %v, want %d of mac or old", got, len(caught))
		}
		if s := w.queue.Stats().Events[0]; s != 51 {
			t.Errorf("%d events stored, want 51", s)
		}
	})
}

// A short counter completes to one candidate alone: what was sealed with 65536 more or less is refused, and
// of the latter it is told that it is old.
func TestAttackCounterCandidates(t *testing.T) {
	seeded(t, 5, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		n.next = 70_000 + rng.Uint32N(100_000)
		h := n.header(proto.TypeTripOpened, n.next, 0)
		h.Long = true
		w.wantVerdict("long counter", "accepted", n.seal(h, &proto.TripOpened{Sent: n.now()}))
		c := n.next + 1 + rng.Uint32N(1000)
		for _, d := range []uint32{1 << 16, 2 << 16, 1 << 31} {
			f := n.opened(c+d, 0, 0)
			delete(w.made, ID{n.id, n.gen, c + d}) // nobody ever sends it
			w.wantVerdict(fmt.Sprintf("counter + %d", d), "mac", f)
		}
		f := n.opened(c-1<<16, 0, 0)
		delete(w.made, ID{n.id, n.gen, c - 1<<16})
		w.wantVerdict("counter - 65536", "old", f) // the node's own, as somebody may have recorded it
		w.wantVerdict("the right one", "accepted", n.opened(c, 0, 0))
		w.made[ID{n.id, n.gen, n.next}] = true
	})
}

// A frame that somebody kept and let go later never passes for one of now.
func TestAttackHeldBack(t *testing.T) {
	seeded(t, 5, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.pass(time.Minute)
		kept := n.open()
		w.pass(17*time.Second + time.Duration(rng.Int64N(int64(20*time.Hour))))
		w.wantVerdict("released", "accepted", kept)
		p := w.broker.of(n.idOf(1))[0]
		if p.data["proof"] != "late" || !p.delayed() {
			t.Errorf("released late it counts as %v, delayed %v; want late, true", p.data["proof"], p.delayed())
		}
		kept = n.open()
		check := n.checkIn()
		w.kill()
		w.clock = newTestClock(realTime, 3*time.Second, 9, true)
		w.start()
		w.pass(time.Second)
		w.wantVerdict("released in the next epoch", "accepted", kept)
		if p := w.broker.of(n.idOf(2))[0]; p.data["proof"] != "unproven" {
			t.Errorf("in the next epoch it counts as %v, want unproven", p.data["proof"])
		}
		if r := n.eventReceipts(); len(r) != 1 || !r[0].Confirm {
			t.Errorf("its receipt does not ask to confirm")
		}
		w.pass(15 * time.Second)
		if f := w.broker.all("/fault"); len(f) != 1 || f[0].data["code"] != NoticeHeldBack {
			t.Errorf("%d faults, want one that says possibly held back", len(f))
		}
		_ = check
	})
}

// A frame from the future is unproven: no node's clock runs ahead.
func TestAttackFromTheFuture(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		s := n.now()
		s.Seconds += 100
		w.wantVerdict("from the future", "accepted", n.seal(n.header(proto.TypeTripOpened, 1, 0), &proto.TripOpened{Sent: s}))
		if p := w.broker.of(n.idOf(1))[0]; p.data["proof"] != "unproven" {
			t.Errorf("counts as %v, want unproven", p.data["proof"])
		}
	})
}

// A forged or broken hop record costs itself and the certainty of the time, never the event.
func TestAttackForgedHop(t *testing.T) {
	seeded(t, 10, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		f := w.relay(w.relay(n.open(), "barn-relay", -80, 5, 500*time.Millisecond), "mast-relay", -91, -2.5, 0)
		size := proto.TypeTripOpened.Size()
		switch rng.IntN(3) {
		case 0: // any bit of the records
			bit := 8*size + rng.IntN(8*2*proto.HopSize)
			f[bit/8] ^= 1 << (bit % 8)
		case 1: // a record under another's key: a time held that makes the trip look old
			f[size] = w.node("mast-relay").id
			f[size+4] = 200
		case 2: // records that changed places
			a, b := bytes.Clone(f[size:size+proto.HopSize]), bytes.Clone(f[size+proto.HopSize:])
			copy(f[size:], b)
			copy(f[size+proto.HopSize:], a)
		}
		w.wantVerdict("forged hop record", "accepted", f)
		p := w.broker.of(n.idOf(1))[0]
		hops := p.data["hops"].([]any)
		if len(hops) != 3 || p.data["time_uncertain"] != true {
			t.Fatalf("%d hops, time uncertain %v; want 3, true", len(hops), p.data["time_uncertain"])
		}
		bad := 0
		for _, h := range hops {
			if h.(map[string]any)["verified"] != true {
				bad++
			}
		}
		if bad == 0 {
			t.Errorf("all hops count as verified: %v", hops)
		}
		if age := f64(p.data["age_s"]); age > 1 {
			t.Errorf("age %v s: a record that does not verify was believed", age)
		}
	})
}

// A revoked relay's records count no longer; nor do those of a generation long gone.
func TestAttackRevokedRelay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		f := w.relay(n.open(), "barn-relay", -80, 5, time.Second)
		_, err := w.roster.Revoke("barn-relay")
		w.must(err)
		w.must(w.roster.Save())
		w.pass(2 * time.Second)
		w.wantVerdict("by a revoked relay", "accepted", f)
		p := w.broker.of(n.idOf(1))[0]
		if h := p.data["hops"].([]any)[0].(map[string]any); h["verified"] != false || p.data["time_uncertain"] != true {
			t.Errorf("hop verified %v, time uncertain %v; want false, true", h["verified"], p.data["time_uncertain"])
		}
	})
}

// That the last records were stripped cannot be seen: the event is what it was, and only the way it came is told short.
func TestAttackStrippedHop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		f := w.relay(w.relay(n.open(), "barn-relay", -80, 5, 0), "mast-relay", -91, -2.5, 0)
		w.wantVerdict("last record stripped", "accepted", f[:len(f)-proto.HopSize])
		p := w.broker.of(n.idOf(1))[0]
		if hops := p.data["hops"].([]any); len(hops) != 2 || p.data["time_uncertain"] != false || p.data["zone"] != "river-gate" {
			t.Errorf("hops %v, uncertain %v", hops, p.data["time_uncertain"])
		}
		g := w.relay(w.relay(n.open(), "barn-relay", -80, 5, 0), "mast-relay", -91, -2.5, 0)
		size := proto.TypeTripOpened.Size()
		w.wantVerdict("first record stripped", "accepted", append(bytes.Clone(g[:size]), g[size+proto.HopSize:]...))
		if p := w.broker.of(n.idOf(2))[0]; p.data["time_uncertain"] != true {
			t.Errorf("a record taken out of the middle went unseen")
		}
	})
}

func TestAttackOtherSiteAndDamage(t *testing.T) {
	seeded(t, 5, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		h := n.header(proto.TypeTripOpened, 1, 0)
		h.Site ^= 1 << rng.IntN(16)
		f, err := proto.Seal(nil, n.keys(), h, &proto.TripOpened{Sent: n.now()})
		w.must(err)
		w.wantVerdict("other site", "site", f)
		f[2], f[3] = byte(w.roster.Site>>8), byte(w.roster.Site)
		w.wantVerdict("other site, renamed", "mac", f)
		good := n.open()
		for range 200 {
			trips := len(w.broker.all("/trip"))
			if got := w.tally(func() { w.hear(flip(rng, good)) }); got["accepted"]+got["repeat"] != 0 || len(w.broker.all("/trip")) != trips {
				t.Fatalf("a damaged frame counts as %v", got)
			}
		}
		for i := range len(good) {
			w.wantVerdict(fmt.Sprintf("cut to %d bytes", i), "length", good[:i])
		}
		w.wantVerdict("whole", "accepted", good)
	})
}

func TestAttackUnknownAndRevoked(t *testing.T) {
	seeded(t, 3, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.open())
		w.pass(time.Second)
		ghost := &testNode{w: w, id: uint8(len(nodeNames) + 1 + rng.IntN(200)), gen: 1, next: 1, timed: true}
		w.wantVerdict("a node never enrolled", "unknown-node", ghost.open())
		delete(w.made, ID{ghost.id, 1, 1})
		_, err := w.roster.Revoke("river-gate")
		w.must(err)
		w.must(w.roster.Save())
		w.pass(2 * time.Second)
		f, again := n.open(), n.opened(1, 1, 0)
		w.wantVerdict("a revoked node", "revoked", f, n.checkIn(), again)
		w.stop()
		w.start()
		w.wantVerdict("a revoked node, after a restart", "revoked", f)
		delete(w.made, ID{n.id, n.gen, 2})
	})
}

// What a node sent before it was revoked has a receipt, and is delivered.
func TestRevokedNodesEventsAreDelivered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.broker.down(true)
		w.hear(n.open())
		w.pass(time.Minute)
		_, err := w.roster.Swap("river-gate")
		w.must(err)
		w.must(w.roster.Save())
		w.pass(2 * time.Second)
		w.broker.down(false)
		w.pass(5 * time.Second)
		if p := w.broker.of(n.idOf(1)); len(p) != 1 || p[0].data["zone"] != "river-gate" {
			t.Errorf("published %d times, want once", len(p))
		}
	})
}

// The generation before is heard until the first frame of the new one, and for seven days at the most.
func TestAttackOldGeneration(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		rekey := func(name string, ago time.Duration) (old, now *testNode) {
			old = w.node(name)
			_, err := w.roster.Rekey(name, w.clock.Wall().Add(-ago))
			w.must(err)
			w.must(w.roster.Save())
			w.pass(2 * time.Second)
			return old, w.node(name)
		}
		old, now := rekey("river-gate", 0)
		w.wantVerdict("old generation before the new was heard", "accepted", old.open(), old.checkIn())
		forged := flip(rand.New(rand.NewPCG(1, 1)), now.opened(1, 0, 0))
		w.tally(func() { w.hear(forged) })
		w.wantVerdict("still, after a forged frame of the new", "accepted", old.open())
		w.wantVerdict("new generation", "accepted", now.open())
		w.wantVerdict("old generation after the new was heard", "generation", old.opened(77, 0, 0), old.checkIn())
		w.stop()
		w.start()
		w.wantVerdict("the same after a restart", "generation", old.opened(77, 0, 0), old.checkIn())
		w.wantVerdict("a generation to come", "generation", (&testNode{w: w, id: now.id, gen: 3, next: 1}).opened(1, 0, 0))

		old, now = rekey("ridge-gate", roster.OldGenerationFor-time.Minute)
		w.wantVerdict("old generation in time", "accepted", old.open())
		w.pass(2 * time.Minute)
		w.wantVerdict("old generation after seven days", "generation", old.opened(88, 0, 0))
		w.wantVerdict("the new generation's check-in", "accepted", now.checkIn())
		delete(w.made, ID{now.id, 3, 1})

		old, _ = rekey("cattle-grid", 0)
		_, now = rekey("cattle-grid", 0)
		w.wantVerdict("two generations back", "generation", old.opened(1, 0, 0))
		delete(w.made, ID{old.id, 1, 1})
		w.wantVerdict("two generations on", "accepted", now.open())
	})
}

// What comes from the gateway is nothing to a gateway; what comes under the group key is a hint, and neither malformed nor
// forged.
func TestAttackReceiptsAndGroupFrames(t *testing.T) {
	seeded(t, 3, func(t *testing.T, rng *rand.Rand) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		w.hear(n.open(), n.checkIn())
		w.pass(time.Second)
		for _, s := range w.link.all() {
			w.wantVerdict("its own receipt", "direction", s.frame, append(bytes.Clone(s.frame[:6]), flip(rng, s.frame[6:])...))
		}
		group, err := w.roster.Group()
		w.must(err)
		counter := rng.Uint32N(1 << 31)
		for typ, b := range map[proto.Type]proto.Body{proto.TypeBeacon: &proto.Beacon{Epoch: 9, Time: 77}, proto.TypeHopAck: &proto.HopAck{},
			proto.TypeSolicit: &proto.Solicit{}} {
			counter++
			h := proto.Header{Type: typ, Site: w.roster.Site, Node: n.id, Gen: w.roster.GroupGen, Counter: counter}
			seal := func(h proto.Header) []byte {
				f, err := proto.Seal(nil, group, h, b)
				w.must(err)
				return f
			}
			f := seal(h)
			w.wantVerdict(typ.String(), "hint", f)
			w.wantVerdict(typ.String()+" again", "repeat", f)
			w.wantVerdict(typ.String()+", a bit wrong", "mac", append(bytes.Clone(f[:10]), flip(rng, f[10:])...))
			for verdict, node := range map[string]uint8{"direction": proto.GatewayBase + w.g.o.Number, "unknown-node": 200} {
				h := h
				h.Node = node
				w.wantVerdict(typ.String()+" of another", verdict, seal(h))
			}
			h.Gen++
			w.wantVerdict(typ.String()+" under another group key", "generation", seal(h))
		}
	})
}

// A stolen node speaks for itself alone.
func TestAttackStolenNode(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		stolen, victim := w.node("river-gate"), w.node("ridge-gate")
		h := victim.header(proto.TypeTripOpened, 1, 0)
		f, err := proto.Seal(nil, stolen.keys(), h, &proto.TripOpened{Sent: victim.now()})
		w.must(err)
		w.wantVerdict("another's name under one's own key", "mac", f)
		w.wantVerdict("and the victim's counter is untouched", "accepted", victim.open())
	})
}

// Whoever replays what he has recorded gets no receipts out of the gateway. Only a restart, after which it does not know
// what it has answered, gives him one for each attempt that he holds, and no more than one a second for each node.
func TestAttackReceiptsAsAirtime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		var caught [][]byte
		for c := range uint32(40) {
			for a := range uint16(3) {
				f := n.opened(c+1, a, 0)
				caught = append(caught, f)
				w.hear(f)
				w.pass(1100 * time.Millisecond)
			}
		}
		w.pass(time.Minute)
		replay := func(frames [][]byte, secs int) int {
			before := len(w.link.all())
			for i := range secs * 20 {
				w.link.hear(frames[i%len(frames)])
				w.pass(50 * time.Millisecond)
			}
			return len(w.link.all()) - before
		}
		for name, frames := range map[string][][]byte{"one frame": caught[:1], "two in turn": {caught[0], caught[50]}, "many in turn": caught} {
			if got := replay(frames, 60); got != 0 {
				t.Errorf("%s, 20 times a second for a minute: %d receipts, want none", name, got)
			}
		}
		w.stop()
		w.start()
		got := replay(caught, 20)
		if most := 20 + repeatBurst + 1; got == 0 || got > most {
			t.Errorf("after a restart, 20 times a second for 20 s: %d receipts, want some and at most %d", got, most)
		}
		if got += replay(caught, 600); got > len(caught) {
			t.Errorf("%d receipts for %d attempts", got, len(caught))
		}
		if got := replay(caught, 60); got != 0 {
			t.Errorf("in the end %d receipts, want none", got)
		}
		w.hear(n.opened(40, 3, 0))
		w.pass(time.Second)
		if r := n.eventReceipts(); r[len(r)-1].Attempt != 3 {
			t.Error("the node's own next try got no receipt")
		}
	})
}

// Meanwhile another node is answered as ever.
func TestReceiptLimitIsPerNode(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n, other := w.node("river-gate"), w.node("ridge-gate")
		for c := range uint32(40) {
			w.hear(n.opened(c+1, 0, 0))
		}
		w.hear(other.open())
		w.pass(time.Minute)
		for c := range uint32(40) {
			w.hear(n.opened(c+1, 1, 0))
		}
		before := len(other.eventReceipts())
		w.hear(other.opened(1, 1, 2*time.Second))
		w.hear(n.opened(41, 0, 0))
		w.pass(time.Second)
		if got := len(other.eventReceipts()) - before; got != 1 {
			t.Errorf("the other node's retry got %d receipts, want 1", got)
		}
		if r := n.eventReceipts(); r[len(r)-1].counter != 41 {
			t.Errorf("the node's new event has no receipt")
		}
	})
}

// A relay that was given a new key: its old one verifies hop records until the first frame under the new. What was
// verified at reception stays so, whoever is shut out before it is delivered.
func TestRelayKeys(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n, old := w.node("river-gate"), w.node("barn-relay")
		change := func(f func(string) error) {
			t.Helper()
			w.must(f("barn-relay"))
			w.must(w.roster.Save())
			w.pass(2 * time.Second)
		}
		verified := func(id string) any { return w.broker.of(id)[0].data["hops"].([]any)[0].(map[string]any)["verified"] }
		withOldKey := func(frame []byte) []byte {
			f, err := proto.AppendHop(frame, old.keys(), proto.Hop{Relay: old.id, Gen: old.gen, RSSI: proto.EncodeRSSI(-80), SNR: proto.EncodeSNR(4)})
			w.must(err)
			return f
		}
		change(func(name string) error { _, err := w.roster.Rekey(name, w.clock.Wall()); return err })
		w.hear(withOldKey(n.open()))
		w.pass(time.Second)
		if verified(n.idOf(1)) != true {
			t.Error("before a frame under the new key, a hop record under the old does not verify")
		}
		w.hear(w.node("barn-relay").checkIn(), withOldKey(n.open()))
		w.pass(time.Second)
		if verified(n.idOf(2)) != false {
			t.Error("after a frame under the new key, a hop record under the old verifies")
		}
		w.broker.down(true)
		w.pass(time.Second)
		w.hear(w.relay(n.open(), "barn-relay", -80, 4, 0))
		w.pass(time.Second)
		change(func(name string) error { _, err := w.roster.Revoke(name); return err })
		w.broker.down(false)
		w.pass(5 * time.Second)
		if verified(n.idOf(3)) != true {
			t.Error("a record that verified at reception does not any more, since its relay was shut out before delivery")
		}
		w.hear(n.seal(n.header(proto.TypeFault, n.next, 0), &proto.Fault{Kind: proto.FaultTamper, Sent: n.now()}))
		n.next++
	})
}

// A stolen relay cannot make the trip of a node without time old, and so silent, by saying that it held it for hours:
// nothing bears that out, and such a trip sounds at once.
func TestAttackOverstatedUnproven(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).start()
		n := w.node("river-gate")
		n.timed = false
		w.hear(w.relay(n.open(), "barn-relay", -80, 5, 2*time.Hour))
		w.pass(time.Second)
		p := w.broker.of(n.idOf(1))
		if len(p) != 1 || p[0].delayed() {
			t.Errorf("published %d times, delayed %v; want once, to sound", len(p), len(p) == 1 && p[0].delayed())
		}
		w.hear(w.relay(n.held(2, 300, time.Hour), "barn-relay", -80, 5, 0)) // the node's own word counts
		w.pass(time.Second)
		if p := w.broker.of(n.idOf(2)); len(p) != 1 || !p[0].delayed() {
			t.Errorf("a trip that the node says is an hour old: published %d times, want once, delayed", len(p))
		}
	})
}
