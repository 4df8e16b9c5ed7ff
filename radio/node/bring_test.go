package node

import (
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

// carriedFor is a relay two trips from the gateway that has sent on an attempt of 11's, which came by these relays, and has heard it go on.
func carriedFor(t *testing.T, seed uint64, attempt uint16, via ...uint8) (*station, []byte) {
	t.Helper()
	s := newRelayAt(t, seed, 2)
	for i, id := range via {
		s.beacon(id, uint16(3+len(via)-i)*tripMS)
	}
	s.take()
	frame := s.via(s.trip(11, 1, attempt), via...)
	s.hear(frame)
	s.wait(200 * time.Millisecond)
	s.hear(s.via(frame, testNode, 4))
	if got := s.list(); len(got) != 1 {
		t.Fatalf("sent %q, want it on its way once", got)
	}
	return s, frame
}

// receipts are those that were sent, of all that was.
func (s *station) receipts() (list []sending) {
	return slices.DeleteFunc(s.take(), func(f sending) bool { return !f.raw.Type.Receipt() })
}

// A receipt goes back by who sent the frame on, with one hop less left: the one nearest to the origin first, in the slot of as many as there
// were records.
func TestReceiptSlots(t *testing.T) {
	for _, c := range []struct {
		via  []uint8
		slot int
	}{{nil, 0}, {[]uint8{3}, 1}, {[]uint8{6, 3}, 2}, {[]uint8{21, 22, 23, 6, 3}, 5}} {
		for seed := range uint64(5) {
			s, frame := carriedFor(t, seed, 0, c.via...)
			heard := s.now
			s.hear(s.receipt(s.origin(frame), 6))
			s.wait(200 * time.Millisecond)
			got := s.receipts()
			if len(got) != 1 || got[0].raw.HopsLeft != 5 {
				t.Fatalf("by %v: sent %d receipts, want one with 5 hops left", c.via, len(got))
			}
			if slot := int((got[0].at - heard) / s.n.Hop.Slot); slot != c.slot {
				t.Errorf("by %v: slot %d, want %d", c.via, slot, c.slot)
			}
		}
	}
}

// The last hop goes once, since nothing shows that a sleeping node has heard it. On the way it goes four times at the most, until it is heard
// further along; what has no hops left ends here.
func TestReceiptSentAgain(t *testing.T) {
	for _, c := range []struct {
		name  string
		via   []uint8
		left  uint8 // when it comes
		again []uint8
		want  int
	}{
		{"to the origin", nil, 6, nil, 1},
		{"on its way", []uint8{3}, 6, nil, 4},
		{"as the gateway sends it once more", []uint8{3}, 6, []uint8{6}, 4},
		{"as another one as far sends it", []uint8{3}, 6, []uint8{5}, 1},
		{"heard further along", []uint8{3}, 6, []uint8{4}, 1},
		{"the last hop but one", []uint8{3}, 1, nil, 4},
		{"no hop left", []uint8{3}, 0, nil, 0},
	} {
		s, frame := carriedFor(t, 1, 0, c.via...)
		receipt := s.receipt(s.origin(frame), c.left)
		s.hear(receipt)
		s.wait(150 * time.Millisecond)
		for _, left := range c.again {
			receipt[1] = receipt[1]&0xf0 | left
			s.hear(receipt)
		}
		s.wait(20 * time.Second)
		if got := len(s.receipts()); got != c.want {
			t.Errorf("%s: sent %d times, want %d", c.name, got, c.want)
		}
	}
	// Further along before its slot: not at all.
	s, frame := carriedFor(t, 1, 0, 6, 3)
	receipt := s.receipt(s.origin(frame), 6)
	s.hear(receipt)
	receipt[1]--
	s.hear(receipt)
	s.wait(20 * time.Second)
	if got := len(s.receipts()); got != 0 {
		t.Errorf("heard further along before its slot: sent %d times", got)
	}
}

// Who has not sent a frame on passes no receipt for it on, neither does who has never heard it.
func TestReceiptOfOthers(t *testing.T) {
	s := newRelayAt(t, 1, 2)
	s.beacon(5, 2*tripMS)
	s.take()
	frame := s.via(s.trip(11, 1, 0), 5)
	s.hear(frame) // not nearer: left
	s.hear(s.receipt(s.origin(frame), 6))
	s.hear(s.receipt(s.origin(s.trip(12, 1, 0)), 6))
	s.wait(5 * time.Second)
	if got := s.list(); len(got) != 0 {
		t.Errorf("sent %q", got)
	}
	if got := s.n.Stats().NotMine; got != 1 {
		t.Errorf("counted %d receipts for frames never heard, want 1", got)
	}
}

// A receipt names an event, whichever attempt of it came first; check-ins have their own numbers, keys their generation.
func TestReceiptNames(t *testing.T) {
	for name, c := range map[string]struct {
		change func(f *heardFrame)
		want   int
	}{
		"the same":              {func(f *heardFrame) {}, 1},
		"another attempt":       {func(f *heardFrame) { f.raw.Attempt++ }, 1},
		"another counter":       {func(f *heardFrame) { f.counter++ }, 0},
		"65,536 counters later": {func(f *heardFrame) { f.counter += 65536 }, 1}, // only the low bits travel
		"another node":          {func(f *heardFrame) { f.raw.Node++ }, 0},
		"a check-in":            {func(f *heardFrame) { f.raw.Type = proto.TypeCheckIn }, 0},
	} {
		s, frame := carriedFor(t, 1, 0)
		f := s.origin(frame)
		c.change(&f)
		s.hear(s.receipt(f, 6))
		s.wait(time.Second)
		if got := len(s.receipts()); got != c.want {
			t.Errorf("%s: passed on %d times, want %d", name, got, c.want)
		}
	}
}

// A receipt is kept for who was heard directly: it is given whenever asked for, or when the frame comes again, but not without end.
func TestReceiptIsKept(t *testing.T) {
	for name, ask := range map[string]func(s *station, frame []byte){
		"asked by a solicit":     func(s *station, frame []byte) { s.asks(11, frame) },
		"the frame comes again":  func(s *station, frame []byte) { s.hear(frame) },
		"asked by somebody else": func(s *station, frame []byte) { s.asks(99, frame) }, // no solicit proves who asks
	} {
		s, frame := carriedFor(t, 1, 0)
		s.hear(s.receipt(s.origin(frame), 6))
		s.wait(5 * time.Minute)
		s.take()
		for i := range 20 {
			ask(s, frame)
			s.wait(500 * time.Millisecond)
			got := s.list()
			want := 1
			if i+1 >= 2*receiptTries { // it was given once before
				want = 0
			}
			if len(got) != want || want == 1 && !strings.HasPrefix(got[0], "receipt") {
				t.Errorf("%s, %d times: %q, want %d", name, i+1, got, want)
			}
		}
		s.wait(5 * time.Minute)
		s.hear(s.trip(12, 1, 0)) // so that it looks
		s.wait(time.Minute)
		s.take()
		s.asks(11, frame)
		s.wait(time.Second)
		if got := s.list(); len(got) != 0 {
			t.Errorf("%s: after %v %q", name, s.n.Hop.Keep, got)
		}
	}
	// Others are nearer to an origin that was not heard directly.
	s, frame := carriedFor(t, 1, 0, 3)
	s.hear(s.receipt(s.origin(frame), 6))
	s.wait(20 * time.Second)
	s.take()
	s.asks(11, frame)
	s.wait(time.Second)
	if got := s.list(); len(got) != 0 {
		t.Errorf("to an origin behind 3: %q", got)
	}
	// Without a receipt the origin learns that it was heard.
	s, frame = carriedFor(t, 1, 0)
	s.asks(11, frame)
	s.wait(time.Second)
	if got, want := s.list(), []string{"acknowledgement of trip 11.1.0"}; !slices.Equal(got, want) {
		t.Errorf("without a receipt: %q, want %q", got, want)
	}
}

// The next attempt says that the origin has missed the receipt: it is given once more instead of being sent on, and again to each copy of that
// attempt. The attempt after it is sent on, since the receipt may be forged.
func TestReceiptIsOfferedOnce(t *testing.T) {
	s, frame := carriedFor(t, 1, 0)
	s.hear(s.receipt(s.origin(frame), 6))
	s.wait(5 * time.Second)
	s.take()
	second := s.trip(11, 1, 1)
	for range 2 {
		s.hear(second)
		s.wait(time.Second)
		if got, want := s.list(), []string{"receipt 2 for 11.1, 5 hops left"}; !slices.Equal(got, want) {
			t.Errorf("the second attempt: %q, want %q", got, want)
		}
	}
	for attempt := range uint16(5) {
		third := s.trip(11, 1, 2+attempt)
		s.hear(third)
		s.wait(200 * time.Millisecond)
		if got := s.copies(third); got != 1 {
			t.Errorf("attempt %d: %q, want it on its way", 2+attempt, s.list())
		}
		s.wait(10 * time.Second)
		s.take()
	}
}

// Somebody without a key makes up a receipt for whatever he hears. Of all the attempts he keeps no more than one from being sent on, whenever
// he does so.
func TestForgedReceiptsCostOneAttempt(t *testing.T) {
	for _, early := range []bool{true, false} {
		s := newRelayAt(t, 1, 2)
		lost := 0
		for attempt := range uint16(8) {
			frame := s.trip(11, 1, attempt)
			s.take()
			s.hear(frame)
			if !early {
				s.wait(150 * time.Millisecond)
			}
			for range 10 {
				forged := s.receipt(s.origin(frame), 6)
				forged[len(forged)-1] ^= 1
				s.hear(forged)
			}
			s.wait(10 * time.Second)
			if s.copies(frame) == 0 {
				lost++
			}
		}
		if lost != 1 {
			t.Errorf("forged before the frame's slot %v: %d attempts of 8 were not sent on, want 1", early, lost)
		}
	}
}

// Nor does he fill the channel with receipts: so many are passed on for one frame.
func TestMadeUpReceiptsAreBounded(t *testing.T) {
	s, frame := carriedFor(t, 1, 0)
	for range 100 {
		s.hear(s.receipt(s.origin(frame), 6))
		s.wait(300 * time.Millisecond)
	}
	if got := len(s.receipts()); got != mostReceipts {
		t.Errorf("100 receipts for a frame: %d passed on, want %d", got, mostReceipts)
	}
}

// A receipt that comes when the origin has made another attempt, or somebody has made one up, still goes where the one it answers came
// from, and ends all of them.
func TestReceiptForEarlierAttempt(t *testing.T) {
	s, _ := carriedFor(t, 1, 0, 3)
	later := s.trip(11, 1, 0)
	later[len(later)-1] ^= 1
	s.beacon(5, 2*tripMS)
	s.hear(s.via(later, 5)) // left to others
	s.take()
	s.hear(s.receipt(s.origin(s.trip(11, 1, 0)), 6))
	s.wait(150 * time.Millisecond)
	if got := s.list(); len(got) != 1 || !strings.HasPrefix(got[0], "receipt") {
		t.Errorf("%q, want the receipt", got)
	}

	s = newRelayAt(t, 1, 2)
	first, second := s.trip(11, 1, 0), s.trip(11, 1, 1)
	s.hear(first)
	s.wait(150 * time.Millisecond)
	s.hear(second)
	s.wait(150 * time.Millisecond)
	s.hear(s.receipt(s.origin(first), 6))
	s.wait(20 * time.Second)
	if a, b := s.copies(first), s.copies(second); a != 1 || b != 1 {
		t.Errorf("receipted, sent %d and %d times, want once each", a, b)
	}
}

// A receipt that finds the channel in use goes when it is free, if that is soon.
func TestReceiptFindsNoFreeChannel(t *testing.T) {
	for wait, want := range map[time.Duration]int{3 * time.Second: 4, DefaultCheckIn: 0} {
		s, frame := carriedFor(t, 1, 0, 3)
		s.done = TxDone{Failed: true, Busy: true}
		s.hear(s.receipt(s.origin(frame), 6))
		s.wait(wait)
		s.done = TxDone{}
		s.wait(20 * time.Second)
		if got := len(s.receipts()); got != want {
			t.Errorf("after %v: sent %d times, want %d", wait, got, want)
		}
	}
}
