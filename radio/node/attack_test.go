package node

import (
	"math/rand/v2"
	"testing"
	"time"

	"longlane/proto"
)

// tripped is a bench whose node holds event 1, sent a moment ago.
func tripped(t *testing.T) *bench {
	t.Helper()
	b := newBench(t, Config{Inputs: []InputConfig{{}}, CheckIn: 12 * time.Hour})
	b.until(time.Second)
	b.edge(0, true)
	b.until(b.now + 200*time.Millisecond)
	if got := b.lastSent(); got.full != 1 || got.raw.Type != proto.TypeTripOpened {
		t.Fatalf("the node sent %v %d, want the opening 1", got.raw.Type, got.full)
	}
	return b
}

// untouched fails if anything that matters has changed in b since before.
type mattering struct {
	held      int
	clock     clock
	saved     Saved
	checkInAt time.Duration
	confirms  int
	long      [2]bool
	silent    int
}

func what(b *bench) mattering {
	n := b.n
	return mattering{len(n.held), n.clock, n.saved, n.checkIn.due, len(n.checkIn.confirms), n.long, n.radio.silent}
}

func untouched(t *testing.T, b *bench, before mattering, why string) {
	t.Helper()
	if after := what(b); after != before {
		t.Errorf("%s changed the node:\nbefore %+v\nafter  %+v", why, before, after)
	}
}

// TestForgedReceipts: whoever does not hold the node's key releases nothing.
func TestForgedReceipts(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	b := tripped(t)
	before := what(b)
	h, body := b.receiptFor(proto.TypeReceipt, 1, 0)
	body.Also, body.Confirm, body.Settings = 0xffff, true, proto.Settings{Version: 1, MinDwell: 255, Period: 255}
	good := b.sealed(h, body)

	group, err := proto.GroupKey(siteSecret, testSite, 1)
	if err != nil {
		t.Fatal(err)
	}
	other, err := proto.NodeKey(siteSecret, testSite, testNode+1, 1)
	if err != nil {
		t.Fatal(err)
	}
	for name, key := range map[string][]byte{"the group key": group, "another node's key": other, "another generation's key": nodeKey(t, 2)} {
		f, err := proto.Seal(nil, keysOf(t, key), h, &body)
		if err != nil {
			t.Fatal(err)
		}
		b.receive(f)
		untouched(t, b, before, "a receipt under "+name)
	}
	// Every single bit but hops left, and many random damages.
	for i := range len(good) * 8 {
		f := append([]byte(nil), good...)
		f[i/8] ^= 1 << (i % 8)
		if i/8 == 1 && i%8 < 4 {
			continue
		}
		b.receive(f)
		untouched(t, b, before, "a receipt with one bit changed")
	}
	for range 2000 {
		f := append([]byte(nil), good...)
		for range 1 + r.IntN(5) {
			f[2+r.IntN(len(f)-2)] ^= byte(1 + r.IntN(255))
		}
		b.receive(f[:1+r.IntN(len(f))])
		untouched(t, b, before, "a damaged receipt")
	}
	b.receive(good)
	if b.n.Held() != 0 || b.n.CheckIn != 255*proto.PeriodUnit {
		t.Errorf("the genuine receipt after all these: %d held, period %v", b.n.Held(), b.n.CheckIn)
	}
}

// TestReceiptForAnotherNode: sealed right, for somebody else.
func TestReceiptForAnotherNode(t *testing.T) {
	for _, change := range []func(*proto.Header){
		func(h *proto.Header) { h.Node++ },
		func(h *proto.Header) { h.Site++ },
		func(h *proto.Header) { h.Gen++ },
	} {
		b := tripped(t)
		before := what(b)
		h, r := b.receiptFor(proto.TypeReceipt, 1, 0)
		change(&h)
		b.receive(b.sealed(h, r))
		untouched(t, b, before, "a receipt for another")
		if b.n.Stats().NotMine != 1 {
			t.Errorf("receipt for %+v: counted as %+v", h, b.n.Stats())
		}
	}
}

// TestCheckInReceiptReleasesNothing: it promises nothing, and its counter is of another space.
func TestCheckInReceiptReleasesNothing(t *testing.T) {
	b := tripped(t)
	b.until(b.now + 20*time.Second)
	h, r := b.receiptFor(proto.TypeCheckInReceipt, 1, 0)
	b.receive(b.sealed(h, r))
	if b.n.Held() != 1 {
		t.Errorf("a receipt for check-in 1 left %d events held, want 1", b.n.Held())
	}
}

// TestReplayedReceipt: the same receipt again changes nothing, neither at once nor later, nor after a restart.
func TestReplayedReceipt(t *testing.T) {
	b := tripped(t)
	h, r := b.receiptFor(proto.TypeReceipt, 1, 0)
	r.Confirm, r.Settings = true, proto.Settings{Version: 3, MinDwell: 20}
	receipt := b.sealed(h, r)
	b.receive(receipt)
	before := what(b)
	for _, wait := range []time.Duration{0, 300 * time.Millisecond} {
		b.until(b.now + wait)
		before.checkInAt, before.silent, before.saved = b.n.checkIn.due, b.n.radio.silent, b.n.saved
		before.long = b.n.long
		b.receive(receipt)
		untouched(t, b, before, "a receipt replayed")
	}
	b.until(b.now + time.Hour)
	clock := b.n.clock
	b.receive(receipt)
	if b.n.clock != clock {
		t.Error("a receipt replayed after an hour set the time")
	}
	b.start()
	before = what(b)
	b.receive(receipt)
	untouched(t, b, before, "a receipt replayed after a restart")
}

// TestKeptReceipt: a receipt that somebody kept from the node is true of its event for ever, and of nothing else.
func TestKeptReceipt(t *testing.T) {
	t.Run("for ten seconds", func(t *testing.T) {
		b := tripped(t)
		b.broken.radio = true // the attempts that follow never reach anybody
		h, r := b.receiptFor(proto.TypeReceipt, 1, 0)
		r.Confirm, r.Settings = true, proto.Settings{Version: 3, MinDwell: 20}
		b.until(b.now + 11*time.Second)
		before := what(b)
		b.receive(b.sealed(h, r))
		// Its event is confirmed all the same, by a check-in: that says what is so, and the gateway waits for it.
		before.held, before.saved.Lost, before.confirms, before.checkInAt, before.silent = 0, 0, 1, b.n.checkIn.due, before.silent+1
		if got := b.lastSent(); got.raw.Type != proto.TypeCheckIn || got.at != b.now {
			t.Errorf("the node sent %v at %v", got.raw.Type, got.at)
		}
		untouched(t, b, before, "a receipt kept for 11 s")
		b.receive(b.sealed(h, r))
		untouched(t, b, before, "a receipt kept for 11 s, again")
	})
	t.Run("for 256 attempts", func(t *testing.T) {
		b := tripped(t)
		h, r := b.receiptFor(proto.TypeReceipt, 1, 4)
		b.n.held[0].attempt = 256 + 4
		for end := b.now + time.Minute; b.now < end && b.lastSent().raw.Attempt != 260; {
			b.until(b.now + 100*time.Millisecond)
		}
		if got := b.lastSent(); got.raw.Attempt != 260 {
			t.Fatalf("attempt %d was sent, want 260", got.raw.Attempt)
		}
		before := what(b)
		b.receive(b.sealed(h, r))
		before.held = 0
		untouched(t, b, before, "a receipt for the attempt 256 before")
	})
	t.Run("until a restart", func(t *testing.T) {
		b := tripped(t)
		h, r := b.receiptFor(proto.TypeReceipt, 1, 0)
		b.start()
		b.until(b.now + 200*time.Millisecond)
		before := what(b)
		b.receive(b.sealed(h, r))
		untouched(t, b, before, "a receipt for a frame of the last run")
	})
	t.Run("while a newer one came", func(t *testing.T) {
		b := tripped(t)
		old, r := b.receiptFor(proto.TypeReceipt, 1, 0)
		b.answer(b.lastSent())
		clock := b.n.clock
		r.Time -= 16 * 600
		b.receive(b.sealed(old, r))
		if b.n.clock != clock {
			t.Error("an older receipt for the same attempt turned the time back")
		}
	})
}

// TestHintsChangeNothing: whoever has a stolen node's group key can make these.
func TestHintsChangeNothing(t *testing.T) {
	b := tripped(t)
	key, err := proto.GroupKey(siteSecret, testSite, 1)
	if err != nil {
		t.Fatal(err)
	}
	before := what(b)
	tag := [4]byte(b.lastSent().raw.Tag())
	for typ, body := range map[proto.Type]proto.Body{
		proto.TypeBeacon:  &proto.Beacon{Epoch: 9, Time: 12345, Distance: 0},
		proto.TypeHopAck:  &proto.HopAck{Tag: tag},
		proto.TypeSolicit: &proto.Solicit{Receipt: true, Tag: tag},
	} {
		f, err := proto.Seal(nil, keysOf(t, key), proto.Header{Type: typ, Site: testSite, Node: proto.GatewayBase, Gen: 1, Counter: 77}, body)
		if err != nil {
			t.Fatal(err)
		}
		b.receive(f)
		untouched(t, b, before, "a "+typ.String())
	}
	if got := b.n.Stats().Hints; got != 3 {
		t.Errorf("%d hints were counted, want 3", got)
	}
	b.receive(b.lastSent().raw.Append(nil)) // its own frame, thrown back
	untouched(t, b, before, "the node's own frame")
}

// TestTimeRunsOut: 24 h after the last receipt a node has no time.
func TestTimeRunsOut(t *testing.T) {
	b := tripped(t)
	b.answer(b.lastSent())
	at := b.now
	b.until(at + proto.TimeHolds - time.Second)
	b.step(nil)
	if !b.n.sendTime().Known() {
		t.Error("the node has no time before 24 h are over")
	}
	b.until(at + proto.TimeHolds)
	b.step(nil)
	if b.n.sendTime().Known() {
		t.Error("the node has a time after 24 h")
	}
}

// TestEpochMayFall: after the gateway lost its marks its epoch may be any other.
func TestEpochMayFall(t *testing.T) {
	b := tripped(t)
	h, r := b.receiptFor(proto.TypeReceipt, 1, 0)
	h.Epoch = 200
	b.receive(b.sealed(h, r))
	b.edge(0, false)
	b.until(b.now + time.Second)
	h, r = b.receiptFor(proto.TypeReceipt, 2, 0)
	h.Epoch, h.Number = 3, 1
	b.receive(b.sealed(h, r))
	if got := b.n.sendTime(); got.Epoch != 3 {
		t.Errorf("send time %+v, want one of epoch 3", got)
	}
}
