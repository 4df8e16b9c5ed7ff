package node

import (
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

// Who sends on what is heard, and in which slot, by how many trips nearer to the gateway than its sender the relay is. -1: nobody.
func TestSlots(t *testing.T) {
	const leaf = 1000 // its sender tells no distance
	for _, c := range []struct {
		own                  float64 // trips to the gateway; 1: it is the parent
		nearer               float64 // by how many trips
		first, second, third int
	}{
		{own: 2, nearer: 3, first: 0, second: 0, third: 0},
		{own: 2, nearer: 1.76, first: 0, second: 0, third: 0},
		{own: 2, nearer: 1.74, first: 1, second: 1, third: 1},
		{own: 2, nearer: 0.76, first: 1, second: 1, third: 1},
		{own: 2, nearer: 0.74, first: 2, second: 2, third: 2},
		{own: 2, nearer: 0.51, first: 2, second: 2, third: 2},
		{own: 2, nearer: 0.49, first: -1, second: 3, third: 3},
		{own: 2, nearer: 0.02, first: -1, second: 3, third: 3},
		{own: 2, nearer: 0, first: -1, second: -1, third: 5},
		{own: 2, nearer: -1, first: -1, second: -1, third: 5},
		{own: 1, nearer: 1.76, first: 1, second: 1, third: 1}, // the gateway's answer goes first
		{own: 1, nearer: 1, first: 2, second: 2, third: 2},
		{own: 1, nearer: 0.6, first: 3, second: 3, third: 3},
		{own: 1, nearer: 0.4, first: -1, second: 4, third: 4},
		{own: 1, nearer: leaf, first: 2, second: 2, third: 2}, // 1 + half of 1, rounded
		{own: 2, nearer: leaf, first: 1, second: 1, third: 1},
		{own: 4, nearer: leaf, first: 2, second: 2, third: 2},
		{own: 8, nearer: leaf, first: 4, second: 4, third: 4},
		{own: 20, nearer: leaf, first: 4, second: 4, third: 4},
	} {
		for attempt, want := range []int{c.first, c.second, c.third} {
			for seed := range uint64(3) {
				s := newRelayAt(t, seed, c.own)
				if c.nearer != leaf {
					s.beacon(3, uint16((c.own+c.nearer)*tripMS+0.5))
				}
				s.wait(time.Second)
				s.take()
				heard := s.now
				s.hear(s.via(s.trip(11, 1, uint16(attempt)), 3))
				s.wait(200 * time.Millisecond)
				sent := s.take()
				slot := -1
				if len(sent) > 0 {
					slot = int((sent[0].at - heard) / s.n.Hop.Slot)
					if part := (sent[0].at - heard) % s.n.Hop.Slot; part > s.n.Hop.Slot*3/4 {
						t.Errorf("it goes %v into its slot of %v", part, s.n.Hop.Slot)
					}
				}
				if slot != want {
					t.Errorf("%v trips away, %v nearer, attempt %d: slot %d, want %d", c.own, c.nearer, attempt, slot, want)
				}
			}
		}
	}
}

// A check-in in a row goes as a third attempt does: its long counter is all that tells.
func TestSlotsOfCheckIns(t *testing.T) {
	for long, want := range map[bool]int{false: 0, true: 1} {
		s := newRelayAt(t, 1, 2)
		s.beacon(3, 2*tripMS)
		s.take()
		s.hear(s.via(s.checkInOf(11, 1, long), 3))
		s.wait(time.Second)
		if got := s.list(); len(got) != want {
			t.Errorf("long counter %v, by somebody as near: %q, want %d", long, got, want)
		}
	}
}

// Trips held are in no hurry: each fourth attempt goes as a third one of others does, the others as first ones.
func TestSlotsOfHeldTrips(t *testing.T) {
	for attempt := range uint16(9) {
		s := newRelayAt(t, 1, 2)
		s.beacon(3, 2*tripMS)
		s.take()
		h := proto.Header{Type: proto.TypeTripHeld, HopsLeft: proto.MaxHops, Site: testSite, Node: 11, Gen: 1, Counter: 1, Attempt: attempt}
		s.hear(s.via(s.seal(keysOfNode(t, 11), h, &proto.TripHeld{Sent: proto.SendTime{Seconds: proto.NoTime}}), 3))
		s.wait(time.Second)
		want := 0
		if attempt == 3 || attempt == 7 {
			want = 1
		}
		if got := s.list(); len(got) != want {
			t.Errorf("attempt %d, by somebody as near: %q, want %d", attempt, got, want)
		}
	}
}

// A relay without a way takes up only later attempts, and sends them once.
func TestNoWay(t *testing.T) {
	s := newStation(t, 1, Config{Relay: true})
	s.settle()
	for attempt, want := range []int{0, 1, 1} {
		s.take()
		s.hear(s.trip(11, 1, uint16(attempt)))
		s.wait(10 * time.Second)
		got := slices.DeleteFunc(s.list(), func(l string) bool { return !strings.HasPrefix(l, "trip 11") })
		if len(got) != want {
			t.Errorf("attempt %d: %q, want %d", attempt, got, want)
		}
	}
}

// signs are what a relay may hear while a frame waits for its slot, or when it has been sent on, and whether it then leaves it.
var signs = []struct {
	name         string
	do           func(s *station, frame []byte)
	leaves, ends bool // before it was sent; after
}{
	{"nothing", func(s *station, frame []byte) {}, false, false},
	{"a nearer relay sends it on", func(s *station, frame []byte) { s.hear(s.via(frame, 4)) }, true, true},
	{"one as near sends it on", func(s *station, frame []byte) { s.hear(s.via(frame, 5)) }, true, true},
	{"one behind sends it on", func(s *station, frame []byte) { s.hear(s.via(frame, 6)) }, false, false},
	{"one that is not known sends it on", func(s *station, frame []byte) { s.hear(s.via(frame, 99)) }, false, false},
	{"a nearer relay acknowledges it", func(s *station, frame []byte) { s.ack(4, frame, tripMS) }, true, true},
	{"the gateway acknowledges it", func(s *station, frame []byte) { s.ack(proto.GatewayBase, frame, 0) }, true, true},
	{"one behind acknowledges it", func(s *station, frame []byte) { s.ack(6, frame, 3*tripMS) }, false, false},
	{"its sender acknowledges it", func(s *station, frame []byte) { s.ack(3, frame, 3*tripMS) }, false, false},
	{"another frame is acknowledged", func(s *station, frame []byte) { s.ack(4, s.trip(12, 9, 0), tripMS) }, false, false},
	{"a receipt", func(s *station, frame []byte) { s.hear(s.receipt(s.origin(frame), 5)) }, true, true},
	{"a receipt for another event", func(s *station, frame []byte) { s.hear(s.receipt(s.origin(s.trip(11, 77, 0)), 5)) }, false, false},
	{"a receipt for another node", func(s *station, frame []byte) { s.hear(s.receipt(s.origin(s.trip(12, 1, 0)), 5)) }, false, false},
	{"who is not trusted sends it on", func(s *station, frame []byte) { s.distrust(4); s.hear(s.via(frame, 4)) }, false, false},
	{"who is not trusted acknowledges it", func(s *station, frame []byte) { s.distrust(4); s.ack(4, frame, tripMS) }, false, false},
}

// distrust has id take frames and bring no receipts.
func (s *station) distrust(id uint8) {
	for range s.n.Route.Suspect {
		s.n.relay.table.NoReceipt(s.now, id, false)
	}
}

// signed is a relay two trips away that has heard an attempt of 11's from 3, who stands a trip behind it, as 6 does; 4 is nearer and
// 5 as near.
func signed(t *testing.T, attempt uint16) (*station, []byte) {
	s := newRelayAt(t, 7, 2)
	s.beacon(3, 3*tripMS)
	s.beacon(6, 3*tripMS)
	s.beacon(5, 2*tripMS)
	s.beacon(4, tripMS)
	s.take()
	frame := s.via(s.trip(11, 1, attempt), 3)
	s.hear(frame)
	return s, frame
}

func (s *station) copies(frame []byte) (n int) {
	s.t.Helper()
	for _, f := range s.sent {
		if !f.raw.Type.Receipt() && s.origin(f.frame).name() == s.origin(frame).name() {
			n++
		}
	}
	return n
}

// A relay leaves a first attempt to whoever is heard to have it and is not farther than itself, and to nobody else; a later one it sends once
// whatever is heard.
func TestYields(t *testing.T) {
	for _, c := range signs {
		for attempt := range uint16(3) {
			s, frame := signed(t, attempt)
			c.do(s, frame)
			s.wait(150 * time.Millisecond)
			want := 1
			if c.leaves && attempt == 0 {
				want = 0
			}
			if got := s.copies(frame); got != want {
				t.Errorf("%s, attempt %d: sent %d times in its slot, want %d", c.name, attempt, got, want)
			}
			s.wait(20 * time.Second)
			if !c.leaves || c.name == "a receipt" && attempt > 0 { // which anybody may have made up
				want = 6
			}
			if got := s.copies(frame); got != want {
				t.Errorf("%s, attempt %d: sent %d times in all, want %d", c.name, attempt, got, want)
			}
		}
	}
}

// What was sent on is sent again until there is a sign that it got further, six times at the most.
func TestSentAgain(t *testing.T) {
	for _, c := range signs {
		for attempt := range uint16(3) {
			s, frame := signed(t, attempt)
			s.wait(150 * time.Millisecond)
			c.do(s, frame)
			s.wait(20 * time.Second)
			want := 6
			if c.ends {
				want = 1
			}
			if got := s.copies(frame); got != want {
				t.Errorf("%s, attempt %d: sent %d times, want %d", c.name, attempt, got, want)
			}
		}
	}
	// The surest sign: a copy with this relay's record and one more behind it.
	s, frame := signed(t, 0)
	s.wait(150 * time.Millisecond)
	s.hear(s.via(frame, testNode, 4))
	s.wait(20 * time.Second)
	if got := s.copies(frame); got != 1 {
		t.Errorf("heard to be sent on behind this relay: sent %d times, want 1", got)
	}
	s, frame = signed(t, 0)
	s.wait(150 * time.Millisecond)
	s.distrust(4)
	s.hear(s.via(frame, testNode, 4))
	s.wait(20 * time.Second)
	if got := s.copies(frame); got != 6 {
		t.Errorf("sent on behind this relay by who is not trusted: sent %d times, want 6", got)
	}
}

// Each copy has this relay's record behind those it came with, one hop less left, and the time for which it was held by then.
func TestTimeHeld(t *testing.T) {
	s, frame := signed(t, 0)
	heard := s.now
	s.wait(20 * time.Second)
	sent := s.take()
	if len(sent) != 6 {
		t.Fatalf("sent %d times, want 6", len(sent))
	}
	for i, f := range sent {
		hop := f.raw.Hop(1)
		if f.raw.HopCount() != 2 || f.raw.Hop(0).Relay != 3 || hop.Relay != testNode || f.raw.HopsLeft != proto.MaxHops-2 {
			t.Errorf("copy %d: %s", i, s.describe(f))
		}
		if want := proto.EncodeDur8(f.at - heard); hop.Held != want {
			t.Errorf("copy %d: held for %v, want %v", i, hop.Held.Duration(), want.Duration())
		}
		if !f.raw.VerifyHop(1, keysOfNode(t, testNode)) {
			t.Errorf("copy %d: its record does not verify", i)
		}
		if keyOf(f.raw, f.frame) != keyOf(s.origin(frame).raw, frame[:len(frame)-proto.HopSize]) {
			t.Errorf("copy %d: what the origin made was changed", i)
		}
	}
}

// A node whose id stands in the records has had the frame, whatever it remembers.
func TestOwnIDDrops(t *testing.T) {
	for _, via := range [][]uint8{{testNode}, {3, testNode}, {testNode, 3}, {5, testNode, 3}} {
		s := newRelayAt(t, 1, 2)
		s.beacon(3, 4*tripMS)
		s.take()
		s.hear(s.via(s.trip(11, 1, 2), via...))
		s.wait(5 * time.Second)
		if got := s.list(); len(got) > 0 {
			t.Errorf("by %v: %q", via, got)
		}
	}
}

// No frame is taken up twice, by whatever ways its copies came and whatever has been done to what a relay may change; an altered one is
// another.
func TestTakenUpOnce(t *testing.T) {
	s := newRelayAt(t, 1, 2)
	s.beacon(3, 3*tripMS)
	s.beacon(6, 3*tripMS)
	s.take()
	frame := s.trip(11, 1, 0)
	s.hear(s.via(frame, 3))
	s.wait(20 * time.Second)
	if got := s.list(); len(got) != 6 {
		t.Fatalf("sent %q, want it six times", got)
	}
	for left := range uint8(16) {
		f := slices.Clone(frame)
		f[1] = f[1]&0xf0 | left
		s.hear(f)
		if left > 0 && left < 9 {
			s.hear(s.via(f, 6))
			g := s.via(f, 6)
			g[len(g)-1] ^= 1
			s.hear(g)
		}
		s.wait(2 * time.Second)
	}
	if got := s.list(); len(got) != 0 {
		t.Errorf("copies of what was done: %q", got)
	}
	frame[len(frame)-1] ^= 1
	s.hear(frame)
	s.wait(time.Second)
	if got := s.list(); len(got) == 0 {
		t.Error("an altered frame, which may be the genuine one, was taken for the same")
	}
}

// What has no hops left, or as many records as fit, ends here; so does what is for another site.
func TestEndsHere(t *testing.T) {
	s := newRelayAt(t, 1, 2)
	s.beacon(28, 9*tripMS)
	s.take()
	spent := s.trip(11, 1, 2)
	spent[1] &= 0xf0
	s.hear(spent)
	full := s.trip(11, 2, 2)
	full[1] |= 0x0f
	s.hear(s.via(full, 21, 22, 23, 24, 25, 26, 28))
	other := s.trip(11, 3, 2)
	other[2] ^= 1
	s.hear(other)
	s.wait(5 * time.Second)
	if got := s.list(); len(got) != 0 {
		t.Errorf("sent %q", got)
	}
	six := s.trip(11, 4, 2)
	six[1] |= 0x0f
	s.hear(s.via(six, 21, 22, 23, 24, 25, 28))
	s.wait(time.Second)
	if got := s.list(); len(got) == 0 {
		t.Error("one with room for a record was not sent on")
	}
}

// Who hears a frame again and again that he has left takes it up: from the second time on if he is nearer at all, from the third whoever
// it is, and then he lets nobody keep him from it.
func TestHelps(t *testing.T) {
	for _, c := range []struct {
		name   string
		told   float64 // by the sender, who leaves it to others
		copies int
		want   int
	}{
		{"hardly nearer, once more", 2.3, 1, 0},
		{"hardly nearer, twice", 2.3, 2, 6},
		{"behind its sender, twice", 1.5, 2, 0},
		{"behind its sender, three times", 1.5, 3, 1},
	} {
		s := newRelayAt(t, 1, 2)
		s.beacon(3, uint16(c.told*tripMS))
		s.take()
		frame := s.via(s.trip(11, 1, 0), 3)
		s.hear(frame)
		for range c.copies {
			s.wait(300 * time.Millisecond)
			if got := s.copies(frame); got != 0 {
				t.Errorf("%s: sent too early", c.name)
			}
			s.hear(frame)
		}
		s.wait(20 * time.Second)
		if got := s.copies(frame); got != c.want {
			t.Errorf("%s: sent %d times, want %d", c.name, got, c.want)
		}
	}

	// 4 was heard to have it, and goes on sending it: nobody has it behind 4. A liar acknowledges each copy.
	s, frame := signed(t, 0)
	s.beacon(9, 0)
	for range 4 {
		s.hear(s.via(frame, 4))
		s.ack(9, frame, 0)
		s.wait(300 * time.Millisecond)
	}
	if got := s.copies(frame); got != 1 {
		t.Errorf("sent %d times for one that gets no further, want 1", got)
	}
}

// A frame that finds the channel in use has not been tried, and may still be left to another.
func TestBusyIsNoTry(t *testing.T) {
	s, frame := signed(t, 0)
	s.done = TxDone{Failed: true, Busy: true}
	s.wait(3 * time.Second)
	s.done = TxDone{}
	heard := s.now - 3*time.Second
	s.wait(20 * time.Second)
	if got := s.copies(frame); got != 6 {
		t.Errorf("after 3 s of a channel in use sent %d times, want 6", got)
	}
	first := s.take()[0]
	if want := proto.EncodeDur8(first.at - heard); first.raw.Hop(1).Held != want {
		t.Errorf("held for %v, want %v", first.raw.Hop(1).Held.Duration(), want.Duration())
	}

	for attempt, want := range []int{0, 1} {
		s, frame = signed(t, uint16(attempt))
		s.done = TxDone{Failed: true, Busy: true}
		s.wait(time.Second)
		for range 3 {
			s.hear(s.via(frame, 4))
		}
		s.done = TxDone{}
		s.wait(200 * time.Millisecond)
		if got := s.copies(frame); got != want {
			t.Errorf("found no free channel until 4 had it: attempt %d sent %d times, want %d", attempt, got, want)
		}
	}

	s, frame = signed(t, 2)
	s.done = TxDone{Failed: true, Busy: true}
	s.wait(90 * time.Second)
	s.done = TxDone{}
	s.wait(time.Minute)
	if got := s.copies(frame); got != 0 {
		t.Error("after 90 s of a channel in use it was still sent")
	}
}

// A sending that failed for another reason was one.
func TestFailedIsATry(t *testing.T) {
	s, frame := signed(t, 0)
	s.done = TxDone{Failed: true}
	s.wait(20 * time.Second)
	s.done = TxDone{}
	s.wait(20 * time.Second)
	if got := s.copies(frame); got != 0 || s.n.Stats().Carried != 6 {
		t.Errorf("sent %d times after %d failures", got, s.n.Stats().Carried)
	}
}

// A driver that never reports the end of a sending does not silence a relay.
func TestRelayLosesItsDriver(t *testing.T) {
	s, frame := signed(t, 0)
	s.wait(60 * time.Millisecond)
	if s.ends == never {
		t.Fatal("nothing is on the air")
	}
	s.ends = never
	s.wait(40 * time.Second)
	if got := s.copies(frame); got < 2 {
		t.Errorf("sent %d times in 40 s after a report was lost", got)
	}
}

// Who gives a frame and sends it again is told that it is here; nobody else is, and not without end, since anybody may play it back.
func TestAcknowledges(t *testing.T) {
	s, frame := signed(t, 0)
	s.wait(150 * time.Millisecond)
	if got := s.list(); len(got) != 1 {
		t.Fatalf("sent %q, want it on its way once", got)
	}
	s.hear(s.via(frame, testNode, 4)) // settled
	s.hear(frame)
	s.wait(500 * time.Millisecond)
	want := []string{"acknowledgement of trip 11.1.0"}
	if got := s.list(); !slices.Equal(got, want) {
		t.Errorf("to who gave it: %q, want %q", got, want)
	}
	bare := s.trip(11, 1, 0)
	s.hear(bare)
	s.hear(s.via(bare, 6))
	s.wait(500 * time.Millisecond)
	if got := s.list(); len(got) != 0 {
		t.Errorf("to others: %q", got)
	}
	for range 100 {
		s.hear(frame)
		s.wait(100 * time.Millisecond)
	}
	if got := len(s.list()); got != mostTells-1 {
		t.Errorf("played back 100 times: %d acknowledgements more, want %d", got, mostTells-1)
	}
	body, err := func() (proto.Body, error) {
		s, frame := signed(t, 0)
		s.wait(150 * time.Millisecond)
		s.hear(frame)
		s.wait(200 * time.Millisecond)
		raw := s.last(proto.TypeHopAck).raw
		return raw.Open(s.group, raw.Counter)
	}()
	if err != nil {
		t.Fatal(err)
	}
	if a := body.(*proto.HopAck); a.Distance != 2*tripMS {
		t.Errorf("the acknowledgement tells %+v, want a distance of %d", a, 2*tripMS)
	}
}

// Whoever sends invented frames of an origin, with the same numbers as a genuine one, does not end what is done for that one.
func TestForgedAttemptEndsNothing(t *testing.T) {
	for _, tries := range []int{0, 1} {
		s, frame := signed(t, 0)
		if tries == 1 {
			s.wait(150 * time.Millisecond)
		}
		for attempt := range uint16(3) {
			forged := s.trip(11, 1, attempt)
			forged[len(forged)-1] ^= 1
			s.hear(s.via(forged, 3))
		}
		s.wait(60 * time.Second)
		if got := slices.DeleteFunc(s.take(), func(f sending) bool { return string(f.raw.Tag()) != string(s.origin(frame).raw.Tag()) }); len(got) != 6 {
			t.Errorf("forged when it had been sent %d times: sent %d times, want 6", tries, len(got))
		}
	}
}

// An origin sends no more than so many frames at once and then one in each time, and all together no more than sixteen times that.
func TestLimits(t *testing.T) {
	c := HopConfig{TripBurst: 3, TripEvery: 10 * time.Second, CheckInBurst: 2, CheckInEvery: time.Minute, CarryTries: 1, Loads: 1000}
	start := func() *station {
		s := newStation(t, 1, Config{Relay: true, Hop: c})
		s.beacon(4, tripMS)
		s.settle()
		return s
	}
	trips := func(s *station, origin uint8, n int) int {
		before := s.n.Stats().Limited
		for range n {
			s.number++
			s.hear(s.trip(origin, s.number, 0))
		}
		return n - int(s.n.Stats().Limited-before)
	}
	checkIns := func(s *station, n int) int {
		before := s.n.Stats().Limited
		for range n {
			s.number++
			s.hear(s.checkInOf(11, s.number, false))
		}
		return n - int(s.n.Stats().Limited-before)
	}
	for _, x := range []struct {
		name      string
		got, want int
	}{
		{"at once", trips(start(), 11, 10), 3},
		{"10 s later", func() int { s := start(); trips(s, 11, 10); s.wait(10 * time.Second); return trips(s, 11, 10) }(), 1},
		{"a minute later", func() int { s := start(); trips(s, 11, 10); s.wait(time.Minute); return trips(s, 11, 10) }(), 3},
		{"of another origin", func() int { s := start(); trips(s, 11, 10); return trips(s, 12, 10) }(), 3},
		{"check-ins beside trips", func() int { s := start(); trips(s, 11, 10); return checkIns(s, 10) }(), 2},
		{"trips beside check-ins", func() int { s := start(); checkIns(s, 10); return trips(s, 11, 10) }(), 3},
		{"of a hundred origins", func() (n int) {
			s := start()
			for id := range uint8(100) {
				n += trips(s, 100+id, 10)
			}
			return n
		}(), 3 * allOrigins},
	} {
		if x.got != x.want {
			t.Errorf("%s: %d taken up, want %d", x.name, x.got, x.want)
		}
	}
	s := start() // copies of one frame are one
	frame := s.trip(11, 1, 0)
	for range 100 {
		s.hear(frame)
	}
	if got := s.n.Stats().Limited; got != 0 {
		t.Errorf("copies of a frame were counted as others: %d", got)
	}
}

// Whatever is heard, a relay remembers no more than so many frames, and rather those that it still has to send.
func TestLoadsAreBounded(t *testing.T) {
	s := newStation(t, 1, Config{Relay: true, Hop: HopConfig{Loads: 8, TripBurst: 10000, CarryTries: 20}})
	s.beacon(4, tripMS)
	s.beacon(5, 0) // nearer: what it sends is left to others
	s.settle()
	frame := s.trip(11, 1, 0)
	s.hear(frame)
	s.wait(200 * time.Millisecond)
	for i := range uint32(1000) {
		s.hear(s.via(s.trip(12, 1+i, 0), 5))
		if n := len(s.n.relay.loads); n > 8 {
			t.Fatalf("%d frames are remembered", n)
		}
	}
	before := s.copies(frame)
	s.wait(5 * time.Second)
	if got := s.copies(frame); got <= before {
		t.Error("what was still to be sent was forgotten for what was not")
	}
	s.wait(s.n.Hop.Keep)
	s.hear(s.trip(12, 5000, 0))
	if n := len(s.n.relay.loads); n != 1 {
		t.Errorf("%v later %d frames are remembered, want the new one", s.n.Hop.Keep, n)
	}
}

// Of what others have given a relay the trips go before the check-ins, and both before its own retries.
func TestOthersGoFirst(t *testing.T) {
	s := newRelayAt(t, 1, 2)
	s.step(Probe{}) // a check-in of its own is on the air while it hears
	s.hear(s.checkInOf(11, 1, false))
	s.hear(s.trip(12, 1, 0))
	s.wait(300 * time.Millisecond)
	got := s.list()
	if len(got) < 3 || !strings.HasPrefix(got[0], "check-in 7") || !strings.HasPrefix(got[1], "trip 12") || !strings.HasPrefix(got[2], "check-in 11") {
		t.Errorf("sent %q, want the trip and then the check-in", got)
	}
}
