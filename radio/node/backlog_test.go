package node

import (
	"testing"
	"time"

	"longlane/proto"
)

// full is a bench whose node holds what was made in an outage, 2 events in three minutes, and has just heard that it is over.
func full(t *testing.T, visits int) *bench {
	b := newBench(t, Config{Inputs: []InputConfig{{}, {Number: 1}}, CheckIn: 12 * time.Hour})
	b.serve(10 * time.Second)
	for range visits {
		b.edge(0, true)
		b.until(b.now + 90*time.Second)
		b.edge(0, false)
		b.until(b.now + 90*time.Second)
	}
	for n := len(b.sent); len(b.sent) == n || b.txEnd != never; {
		b.until(b.boot + min(b.wake, b.txEnd))
	}
	b.answer(b.lastSent())
	if held := b.n.Held(); held < 2*visits-2 {
		t.Fatalf("%d events held of %d", held, 2*visits)
	}
	return b
}

// TestNewBeforeOld: an opening whose first attempt is lost does not wait for its second until all that an outage has left is gone.
func TestNewBeforeOld(t *testing.T) {
	b := full(t, 40)
	b.edge(1, true)
	made, before := b.now, len(b.sent)
	for second := false; !second; {
		n := len(b.sent)
		for len(b.sent) == n || b.txEnd != never {
			b.until(b.boot + min(b.wake, b.txEnd))
		}
		f := b.lastSent()
		second = f.full == 81 && f.raw.Attempt == 1
		if f.full < 81 {
			b.until(b.now + 100*time.Millisecond)
			b.answer(f)
		}
	}
	if took := b.now - made; took > 6*time.Second || b.n.Held() < 50 || len(b.sent)-before < 3 {
		t.Errorf("its second attempt came %v after it, and %d frames; %d are held still", took, len(b.sent)-before, b.n.Held())
	}
}

// TestOldGivesWay: what an outage has left goes on, and leaves the channel to others in between: the more of them are heard, the more.
func TestOldGivesWay(t *testing.T) {
	var took [2]time.Duration
	for i, others := range []int{0, 2} { // frames of others' that are heard after each
		b := full(t, 40)
		began := b.now
		other := proto.Header{Type: proto.TypeReceipt, HopsLeft: 7, Site: testSite, Node: 99, Gen: 1, Counter: 1}
		for b.n.Held() > 0 {
			n := len(b.sent)
			for len(b.sent) == n || b.txEnd != never {
				b.until(b.boot + min(b.wake, b.txEnd))
			}
			for range others {
				b.until(b.now + 80*time.Millisecond)
				b.receive(b.sealed(other, proto.Receipt{}))
			}
			b.until(b.now + 100*time.Millisecond)
			b.answer(b.lastSent())
		}
		took[i] = (b.now - began) / 80
	}
	t.Logf("an event takes %v alone, %v among others", took[0], took[1])
	if took[0] < 300*time.Millisecond || took[0] > 2*time.Second || took[1] < took[0]*3/2 || took[1] > 10*time.Second {
		t.Errorf("an event takes %v alone, %v among others", took[0], took[1])
	}
}

// TestBusyForAll: a node that has found the channel in use asks again after a pause, however many events it has to send.
func TestBusyForAll(t *testing.T) {
	b := full(t, 40)
	pause := b.n.Modem.Airtime(proto.TypeReceipt.Size()) / 4
	last := time.Duration(-1)
	for end := b.now + 5*time.Second; b.now < end; {
		if b.txEnd == never {
			b.until(b.boot + b.wake)
			continue
		}
		if last >= 0 && b.now-last < pause {
			t.Fatalf("it asks for the channel %v after it was in use, want %v or more", b.now-last, pause)
		}
		last, b.txEnd = b.now, never
		clear(b.nonces) // what has not gone may be sealed anew
		b.step(TxDone{Failed: true, Busy: true})
	}
}

// TestHeldInsists: of attempts of what is hours old each fourth is sent on by all, of others each but the first.
func TestHeldInsists(t *testing.T) {
	for attempt := range uint16(9) {
		if got, want := insists(proto.Raw{Header: proto.Header{Type: proto.TypeTripHeld, Attempt: attempt}}), attempt == 3 || attempt == 7; got != want {
			t.Errorf("attempt %d of a held trip insists: %v, want %v", attempt, got, want)
		}
		if got, want := insists(proto.Raw{Header: proto.Header{Type: proto.TypeTripOpened, Attempt: attempt}}), attempt > 0; got != want {
			t.Errorf("attempt %d of an opening insists: %v, want %v", attempt, got, want)
		}
	}
}

// TestLateConfirmation: where receipts take longer than a node waits before it confirms again, the answer to the one does not call for yet
// another, which would overtake the next, without end.
func TestLateConfirmation(t *testing.T) {
	const way = 6 * time.Second
	b := tripped(t)
	h, r := b.receiptFor(proto.TypeReceipt, 1, 0)
	r.Confirm = true
	b.receive(b.sealed(h, r))
	h.Number, b.number = h.Number+1, h.Number+1
	b.receive(b.sealed(h, r)) // it comes by two ways, each sealed by itself
	begin, answered := len(b.sent), 0
	for end := b.now + time.Minute; b.now < end; {
		next := min(b.boot+b.wake, b.txEnd, end)
		seen := map[uint32]bool{}
		for i, f := range b.sent[begin:] {
			if !seen[f.full] && i >= answered && f.raw.Type == proto.TypeCheckIn {
				next = min(next, f.at+way)
			}
			seen[f.full] = true
		}
		b.until(next)
		for ; begin+answered < len(b.sent) && b.sent[begin+answered].at+way <= b.now; answered++ {
			if f := b.sent[begin+answered]; f.raw.Type == proto.TypeCheckIn {
				b.answer(f)
			}
		}
	}
	counters := map[uint32]bool{}
	for _, f := range b.sent[begin:] {
		if f.raw.Type == proto.TypeCheckIn {
			counters[f.full] = true
		}
	}
	if len(counters) < 1 || len(counters) > 3 || len(b.n.checkIn.confirms) > 0 {
		t.Errorf("%d check-ins to confirm one event, %d are to be confirmed still", len(counters), len(b.n.checkIn.confirms))
	}
}

// TestReceiptOfSecondCopy: when a relay takes a second copy of a frame, the receipt is waited for from then on, not from the first.
func TestReceiptOfSecondCopy(t *testing.T) {
	b := newBench(t, Config{Inputs: []InputConfig{{}}, CheckIn: 12 * time.Hour})
	b.serve(10 * time.Second)
	opens, closes := b.n.trip.window(b.n.Modem.Airtime(proto.TypeReceipt.Size()), b.n.ReceiptWait)
	if opens > 100*time.Millisecond || closes < 150*time.Millisecond || closes > time.Second {
		t.Fatalf("receipts that came 100 ms after each frame are waited for from %v to %v", opens, closes)
	}
	var listens time.Duration
	b.edge(0, true)
	for copies := 0; copies < 2; {
		n := len(b.sent)
		for len(b.sent) == n || b.txEnd != never {
			b.until(b.boot + min(b.wake, b.txEnd))
		}
		copies++
	}
	end := b.now
	b.until(end + 80*time.Millisecond)
	echo, err := proto.AppendHop(b.lastSent().raw.Append(nil), b.keys, proto.Hop{Relay: 99, Gen: 1})
	if err != nil {
		t.Fatal(err)
	}
	out, _ := b.n.Step(b.local(), Received{echo, -97, 6.5})
	for _, o := range out {
		if l, ok := o.(Listen); ok {
			listens = b.boot + l.Until
		}
	}
	if listens < end+closes {
		t.Errorf("a relay took the copy that ended at %v; the node listens until %v, want %v", end, listens, end+closes)
	}
}
