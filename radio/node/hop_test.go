package node

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/proto"
)

// opened is a node with one contact, which has just tripped: the first copy of opening 1 is on the air. It has checked in before, by
// a relay.
func opened(t *testing.T, cfg Config) *station {
	t.Helper()
	cfg.Inputs = []InputConfig{{}}
	s := newStation(t, 5, cfg)
	s.until(20 * time.Second)
	f := s.last(proto.TypeCheckIn)
	s.hear(s.via(f.frame, 3))
	s.hear(s.receipt(s.origin(f.frame), proto.MaxHops-1))
	s.until(10 * time.Minute)
	if cfg.Relay {
		for id := range uint8(3) {
			s.beacon(3+id, uint16(id)*tripMS)
		}
	}
	s.sent, s.listens = nil, nil
	s.step(Edge{0, true})
	s.wait(DefaultMinDwell)
	if got := s.list(); !slices.Equal(got, []string{"trip 7.1.0"}) {
		t.Fatalf("it sends %q, want its opening", got)
	}
	s.wait(100 * time.Millisecond)
	return s
}

// own gives the frame sent last, as it was made.
func (s *station) own() []byte { return s.n.own.Frame }

// tries counts the copies of an attempt of opening 1 that were sent.
func (s *station) tries(attempt uint16) (n int) {
	for _, f := range s.sent {
		if f.raw.Type == proto.TypeTripOpened && f.raw.Node == testNode && f.raw.Attempt == attempt {
			n++
		}
	}
	return n
}

// ownSigns are what a node may hear of its own frame; whether it then sends it no more.
var ownSigns = []struct {
	name string
	do   func(s *station)
	ends bool
}{
	{"nothing", func(s *station) {}, false},
	{"a relay sends it on", func(s *station) { s.hear(s.via(s.own(), 3)) }, true},
	{"the second relay sends it on", func(s *station) { s.hear(s.via(s.own(), 3, 4)) }, true},
	{"a relay acknowledges it", func(s *station) { s.ack(3, s.own(), tripMS) }, true},
	{"the gateway acknowledges it", func(s *station) { s.ack(proto.GatewayBase, s.own(), 0) }, true},
	{"its receipt", func(s *station) { s.hear(s.receipt(s.origin(s.own()), proto.MaxHops)) }, true},
	{"it comes back without a record", func(s *station) { s.hear(s.own()) }, false},
	{"another of its frames is sent on", func(s *station) { s.hear(s.via(s.trip(testNode, 9, 0), 3)) }, false},
	{"another's frame is acknowledged", func(s *station) { s.ack(3, s.trip(12, 9, 0), tripMS) }, false},
	{"a forged acknowledgement", func(s *station) {
		f := s.hint(3, &proto.HopAck{Tag: [4]byte(s.origin(s.own()).raw.Tag())})
		f[len(f)-1] ^= 1
		s.hear(f)
	}, false},
	{"a forged receipt", func(s *station) {
		f := s.receipt(s.origin(s.own()), proto.MaxHops)
		f[len(f)-1] ^= 1
		s.hear(f)
	}, false},
}

// A node sends its frame byte for byte up to five times, until somebody is heard to have it.
func TestOwnFrame(t *testing.T) {
	for _, c := range ownSigns {
		for _, relay := range []bool{false, true} {
			s := opened(t, Config{Relay: relay})
			c.do(s)
			first := s.own()
			s.wait(3200 * time.Millisecond)
			want := 4
			if c.ends {
				want = 0
			}
			if got := s.tries(0); got != want {
				t.Errorf("%s, relay %v: sent %d times more, want %d", c.name, relay, got, want)
			}
			for _, f := range s.sent {
				if f.raw.Type == proto.TypeTripOpened && f.raw.Attempt == 0 && !bytes.Equal(f.frame, first) {
					t.Errorf("%s: another copy is %x, the first was %x", c.name, f.frame, first)
				}
			}
		}
	}
}

// A relay goes on if only somebody says to have its frame who is not trusted.
func TestOwnFrameAndALiar(t *testing.T) {
	for name, c := range map[string]func(s *station){
		"sends it on":     func(s *station) { s.hear(s.via(s.own(), 3)) },
		"acknowledges it": func(s *station) { s.ack(3, s.own(), 0) },
	} {
		s := opened(t, Config{Relay: true})
		s.distrust(3)
		c(s)
		s.wait(700 * time.Millisecond)
		if s.tries(0) == 0 {
			t.Errorf("somebody not trusted %s: sent no more", name)
		}
		s.hear(s.via(s.own(), 4))
		s.sent = nil
		s.wait(3 * time.Second)
		if got := s.tries(0); got != 0 {
			t.Errorf("4 has it, and it was sent %d times more", got)
		}
	}
}

// Whoever has taken a frame is judged by its receipt: it is to blame if none comes, unless the frame was one that all send on, and cleared if
// one comes, unless that came straight from the gateway.
func TestTakersAreJudged(t *testing.T) {
	unproven := func(s *station) int {
		for _, n := range s.n.Neighbours() {
			if n.ID == 3 {
				return n.Unproven
			}
		}
		return -1
	}
	for _, c := range []struct {
		name     string
		hopsLeft int // of the receipt; -1: none comes
		want     int
	}{
		{"no receipt", -1, 3},
		{"a receipt by a relay", proto.MaxHops - 1, 0},
		{"one straight from the gateway", proto.MaxHops, 2},
	} {
		s := opened(t, Config{Relay: true})
		for range 2 {
			s.n.relay.table.NoReceipt(s.now, 3, false)
		}
		s.hear(s.via(s.own(), 3))
		if c.hopsLeft >= 0 {
			s.hear(s.receipt(s.origin(s.own()), uint8(c.hopsLeft)))
		}
		for end := s.now + 10*time.Second; s.now < end && s.tries(1) == 0; {
			s.wait(50 * time.Millisecond)
		}
		if got := unproven(s); got != c.want {
			t.Errorf("%s: %d frames without one, want %d", c.name, got, c.want)
		}
		if c.hopsLeft >= 0 {
			continue
		}
		s.hear(s.via(s.own(), 3)) // that was a second attempt
		s.wait(10 * time.Second)
		if got := unproven(s); got != c.want {
			t.Errorf("after a second attempt %d frames without a receipt, want %d", got, c.want)
		}
	}
}

// When its receipt should have been there a node asks who may have kept it, once, and only then makes the next attempt.
func TestAsksForReceipt(t *testing.T) {
	s := opened(t, Config{})
	s.n.trip = roundTrip{mean: 300 * time.Millisecond, deviation: 25 * time.Millisecond, known: true}
	frame := s.own()
	s.hear(s.via(frame, 3))
	sent := s.n.own.sentAt
	s.wait(4500 * time.Millisecond)
	if got := s.n.trip.deviation; got != 50*time.Millisecond {
		t.Errorf("the receipt did not come in its time, and the next may differ by %v, want twice 25 ms", got)
	}
	got := s.take()
	if len(got) < 2 || !strings.HasPrefix(s.describe(got[0]), "question for the receipt") {
		t.Fatalf("sent %q first", s.describe(got[0]))
	}
	raw := got[0].raw
	body, err := raw.Open(s.group, raw.Counter)
	if err != nil {
		t.Fatal(err)
	}
	if q := body.(*proto.Solicit); string(q.Tag[:]) != string(frame[len(frame)-proto.TagSize:][:4]) || q.Distance != proto.NoDistance {
		t.Errorf("it asks %+v", q)
	}
	if at := got[0].at - sent; at < s.n.ReceiptWait || at > s.n.ReceiptWait+time.Second {
		t.Errorf("asked %v after its frame, want %v", at, s.n.ReceiptWait)
	}
	if got[1].raw.Type != proto.TypeTripOpened || got[1].raw.Attempt != 1 {
		t.Errorf("then it sends %s, want the next attempt", s.describe(got[1]))
	}
	for name, c := range map[string]struct {
		cfg Config
		do  func(s *station)
	}{
		"nobody has it":              {Config{}, func(s *station) {}},
		"the gateway has it":         {Config{}, func(s *station) { s.ack(proto.GatewayBase, s.own(), 0) }},
		"it has been answered":       {Config{}, func(s *station) { s.hear(s.via(s.own(), 3)); s.hear(s.receipt(s.origin(s.own()), 6)) }},
		"a receipt came, and no one": {Config{}, func(s *station) { s.hear(s.receipt(s.origin(s.own()), 6)); s.hear(s.via(s.own(), 3)) }},
	} {
		s := opened(t, c.cfg)
		c.do(s)
		s.wait(3200 * time.Millisecond)
		if f := s.last(proto.TypeSolicit); f != nil {
			t.Errorf("%s, and it asks: %s", name, s.describe(*f))
		}
	}
	s = opened(t, Config{}) // the answer to the question
	frame = s.own()
	s.hear(s.via(frame, 3))
	s.wait(s.n.ReceiptWait + 500*time.Millisecond)
	s.hear(s.receipt(s.origin(frame), 5))
	s.sent = nil
	s.wait(20 * time.Second)
	if s.n.Held() != 0 || s.tries(1) != 0 {
		t.Errorf("answered, and %d events are held, the next attempt was sent %d times", s.n.Held(), s.tries(1))
	}
}

// A node without the group key asks nobody, believes no hint, and works.
func TestNoGroupKey(t *testing.T) {
	s := newStation(t, 5, Config{})
	s.cfg.GroupKey, s.cfg.Inputs = nil, []InputConfig{{}}
	s.saved = FirstSaved()
	s.start()
	s.until(s.now + time.Minute)
	s.sent = nil
	s.step(Edge{0, true})
	s.wait(200 * time.Millisecond)
	s.ack(3, s.own(), 0)
	s.beacon(3, 0)
	s.wait(700 * time.Millisecond)
	if s.tries(0) < 2 {
		t.Error("a hint that it cannot check has kept it from sending its frame again")
	}
	s.hear(s.via(s.own(), 3))
	s.wait(20 * time.Second)
	if f := s.last(proto.TypeSolicit); f != nil {
		t.Errorf("sent %s", s.describe(*f))
	}
	s.hear(s.receipt(heardFrame{s.last(proto.TypeTripOpened).raw, 1}, 5))
	if s.n.Held() != 0 {
		t.Error("a receipt released nothing")
	}
	if got := s.n.Stats().Hints; got != 2 {
		t.Errorf("%d hints were counted, want 2", got)
	}
}

// RFC 6298, sections 2.2 and 2.3, reckoned by hand: after a first round trip of 100 ms SRTT is 100, RTTVAR 50; after one of 200, RTTVAR
// = 3/4 * 50 + 1/4 * |100 - 200| = 62.5 and then SRTT = 7/8 * 100 + 1/8 * 200 = 112.5; after one of 100, 3/4 * 62.5 + 1/4 * 12.5 = 50 and
// 110.9375. The time is over at SRTT + 4 RTTVAR; by section 5.5 it doubles when it is over in vain.
func TestRoundTrip(t *testing.T) {
	const ms = time.Millisecond
	var r roundTrip
	if opens, closes := r.window(70*ms, 3*time.Second); opens != 0 || closes != 3*time.Second {
		t.Errorf("not timed: %v to %v", opens, closes)
	}
	for _, c := range []struct{ took, mean, deviation time.Duration }{
		{100 * ms, 100 * ms, 50 * ms},
		{200 * ms, 112500 * time.Microsecond, 62500 * time.Microsecond},
		{100 * ms, 110937500, 50 * ms},
	} {
		if r.add(c.took); r.mean != c.mean || r.deviation != c.deviation {
			t.Errorf("after %v: %v and %v, want %v and %v", c.took, r.mean, r.deviation, c.mean, c.deviation)
		}
		if _, closes := r.window(70*ms, 3*time.Second); closes != c.mean+4*c.deviation {
			t.Errorf("after %v: over at %v, want %v", c.took, closes, c.mean+4*c.deviation)
		}
	}
	r.missed(3 * time.Second)
	if r.deviation != 100*ms {
		t.Errorf("missed: deviation %v, want twice 50 ms", r.deviation)
	}
	for range 100 {
		r.missed(3 * time.Second)
	}
	if opens, closes := r.window(70*ms, 3*time.Second); opens != 0 || closes != 3*time.Second {
		t.Errorf("missed again and again: %v to %v, want all the time there is", opens, closes)
	}
	steady := roundTrip{known: true, mean: 2 * time.Second}
	if opens, closes := steady.window(70*ms, 3*time.Second); closes != 2100*ms || opens != 3*time.Second/2 {
		t.Errorf("always alike: %v to %v", opens, closes)
	}
	steady.mean = time.Second
	if opens, _ := steady.window(70*ms, 3*time.Second); opens != (1000-100-70)*ms {
		t.Errorf("it listens from %v on, and the receipt begins at 930 ms", opens)
	}
}

// A sleeping node listens after each copy until somebody has it, then not until its receipt can come, and then for as long as that may take.
func TestListens(t *testing.T) {
	s := opened(t, Config{})
	if len(s.listens) != 1 || s.listens[0].Until < s.now {
		t.Fatalf("after the first copy it listens %+v", s.listens)
	}
	s.n.trip = roundTrip{mean: 1200 * time.Millisecond, deviation: 25 * time.Millisecond, known: true}
	s.listens = nil
	s.hear(s.via(s.own(), 3))
	from := s.n.own.sentAt + 1100*time.Millisecond - sf7.Airtime(proto.TypeReceipt.Size())
	s.until(from - time.Millisecond)
	if len(s.listens) != 0 {
		t.Errorf("before the receipt can come: %+v", s.listens)
	}
	s.until(from)
	if want := s.n.own.sentAt + 1300*time.Millisecond; len(s.listens) != 1 || s.listens[0].Until != want {
		t.Errorf("when it can come: %+v, want until %v", s.listens, want)
	}
	s.until(s.n.own.sentAt + 1250*time.Millisecond)
	s.hear(s.receipt(s.origin(s.own()), 5))
	// 1.2 + 0.05/8, and 3/4 * 25 + 1/4 * 50
	if r := s.n.trip; r.mean != 1206250*time.Microsecond || r.deviation != 31250*time.Microsecond {
		t.Errorf("timed %v, %v", r.mean, r.deviation)
	}

	s = opened(t, Config{}) // Karn: a receipt after two copies may answer either
	s.wait(700 * time.Millisecond)
	s.hear(s.via(s.own(), 3))
	before := s.n.trip
	s.hear(s.receipt(s.origin(s.own()), 5))
	if s.n.trip != before {
		t.Error("timed by a frame that was sent twice")
	}
}

// Somebody without a key sends frames without end. A trip does not wait for each of them to be answered.
func TestFloodDelaysNoTrip(t *testing.T) {
	for seed := range uint64(20) {
		s := newStation(t, seed, Config{Inputs: []InputConfig{{}}})
		s.until(time.Minute)
		flood := func(d time.Duration) {
			for end := s.now + d; s.now < end; s.number++ {
				s.hear(s.trip(99, s.number, 0))
				s.wait(60 * time.Millisecond)
			}
		}
		flood(20 * time.Second)
		s.sent = nil
		s.step(Edge{0, true})
		flood(DefaultMinDwell + s.n.mostClear() + 100*time.Millisecond)
		if s.tries(0) == 0 {
			t.Errorf("seed %d: not sent within %v", seed, s.n.mostClear())
		}
	}
}
