package node

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/route"
)

// of gives when frames described so were sent.
func (s *station) of(what string) (at []time.Duration) {
	s.t.Helper()
	for _, f := range s.sent {
		if strings.HasPrefix(s.describe(f), what) {
			at = append(at, f.at)
		}
	}
	return at
}

func (s *station) wantWay(want uint8) {
	s.t.Helper()
	if id, _, ok := s.n.Way(); id != want || ok != (want != 0) {
		s.t.Errorf("at %v the way is by %s, want %s", s.now, called(id), called(want))
	}
}

// Who has no way asks for one: after Imin/4, give or take a quarter, then after twice the pause each time, up to sixteen times Imin; and
// no more once there is one.
func TestSeeks(t *testing.T) {
	for seed := range uint64(10) {
		s := newStation(t, seed, Config{Relay: true})
		imin := s.n.Route.Beacons.Imin
		s.until(90 * imin)
		at, last := s.of("question for a way"), time.Duration(0)
		for i, a := range at {
			pause := min(imin/4<<i, 16*imin)
			if gap := a - last; gap < pause*3/4-100*time.Millisecond || gap > pause*5/4+time.Second { // something else may be on the air
				t.Errorf("seed %d: %v before question %d, want %v", seed, gap, i, pause)
			}
			last = a
		}
		if len(at) < 9 {
			t.Fatalf("seed %d: asked %d times", seed, len(at))
		}
		s.sent = nil
		s.beacon(4, 100)
		s.wantWay(4)
		s.wait(10 * time.Minute)
		if at := s.of("question for a way"); len(at) > 0 {
			t.Errorf("seed %d: asked for a way that it has", seed)
		}
	}
}

// A parent that does not answer is asked for a word, and left after Grace; if it says one it stays.
func TestSilentParent(t *testing.T) {
	for _, answers := range []bool{false, true} {
		s := newRelayAt(t, 1, 2)
		for i := range s.n.Route.Deaf / s.n.Hop.CarryTries {
			if at := s.of("question for a way"); len(at) > 0 {
				t.Errorf("asked after %d frames", i)
			}
			s.wantWay(4)
			s.hear(s.trip(11, uint32(i+1), 0))
			s.wait(10 * time.Second)
		}
		if at := s.of("question for a way"); len(at) == 0 {
			t.Errorf("did not ask a parent that is silent: %+v", s.n.Neighbours())
		}
		s.wantWay(4)
		if answers {
			s.beacon(4, tripMS)
		}
		s.wait(s.n.Route.Grace)
		if answers {
			s.wantWay(4)
			continue
		}
		s.wantWay(0)
		if ways := slices.DeleteFunc(s.seen, func(o Observed) bool { return o.What != Way }); len(ways) != 1 || ways[0].Neighbour != 0 {
			t.Errorf("observed %+v, want that the way is lost", ways)
		}
	}
}

// Copies that nobody need acknowledge say nothing of the parent.
func TestBlindCopiesBlameNobody(t *testing.T) {
	s := newRelayAt(t, 1, 2)
	s.beacon(5, 2*tripMS)
	for i := range uint32(30) {
		s.hear(s.via(s.trip(11, i+1, 2), 5))
		s.wait(10 * time.Second)
	}
	for _, n := range s.n.Neighbours() {
		if n.Silent != 0 {
			t.Errorf("%+v", n)
		}
	}
}

// A relay whose parent has been demoted, and left for another that serves, checks in at once: by that the parent is cleared if its
// receipts were lost by chance.
func TestDemotedParentIsTried(t *testing.T) {
	s := newRelayAt(t, 1, 2)
	s.beacon(5, 9*tripMS)
	s.take()
	s.distrust(4)
	s.n.relay.table.Receipt(s.now, 5, false)
	s.wait(time.Second)
	s.wantWay(0)
	f := s.last(proto.TypeCheckIn)
	if f == nil {
		t.Fatalf("sent %q, want a check-in", s.list())
	}
	s.hear(s.via(f.frame, 4))
	s.hear(s.receipt(s.origin(f.frame), proto.MaxHops-1))
	s.wantWay(4)
	n := len(s.of("check-in"))
	s.wait(10 * time.Minute)
	if got := len(s.of("check-in")); got != n {
		t.Errorf("%d check-ins more", got-n)
	}
}

// Beacons go by the Trickle timer: in the first eight intervals, of 1, 2, 4 ... Imin, once each, in their second halves. They tell the
// distance, and the gateway's time if it is known.
func TestBeacons(t *testing.T) {
	s := newStation(t, 3, Config{Relay: true})
	s.beacon(4, 100)
	imin, begins := s.n.Route.Beacons.Imin, time.Duration(0)
	s.until(3 * time.Second)
	s.hear(s.receipt(s.origin(s.last(proto.TypeCheckIn).frame), proto.MaxHops))
	s.until(imin<<7 - time.Second)
	at := s.of("beacon, distance 162")
	if len(at) != 7 {
		t.Fatalf("sent at %v, want 7 beacons", at)
	}
	for i, a := range at {
		if long := imin << i; a < begins+long/2 || a > begins+long+time.Second {
			t.Errorf("beacon %d at %v, want it in the second half of the %v from %v on", i, a, long, begins)
		}
		begins += imin << i
	}
	raw := s.last(proto.TypeBeacon).raw
	body, err := raw.Open(s.group, raw.Counter)
	if err != nil {
		t.Fatal(err)
	}
	if b := body.(*proto.Beacon); b.Epoch != 1 || b.Time == 0 {
		t.Errorf("the beacon tells %+v, want the time of the receipt's epoch 1", b)
	}

	for name, news := range map[string]func(){
		"somebody asks for a way": func() { s.hear(s.hint(9, &proto.Solicit{Distance: proto.NoDistance, Noise: proto.NoRSSI})) },
		"somebody has none":       func() { s.beacon(9, proto.NoDistance) },
		"the way is lost":         func() { s.beacon(4, proto.NoDistance) },
		"a way is found":          func() { s.beacon(4, 100) },
	} {
		s.beacon(4, 100)
		s.wait(3 * imin)
		s.sent = nil
		news()
		s.wait(imin)
		if at := s.of("beacon"); len(at) == 0 && !strings.HasPrefix(name, "a way") {
			t.Errorf("%s: no beacon in %v", name, imin)
		}
	}
	s.beacon(4, 100)
	s.wait(20 * imin)
	s.sent = nil
	s.asks(9, s.trip(9, 1, 0)) // for a receipt
	s.wait(imin)
	if at := s.of("beacon"); len(at) != 0 {
		t.Error("a question for a receipt was taken for one for a way")
	}
}

// No group counter is used before it is reserved in lasting memory, nor twice, whenever the power fails: the station looks at each frame.
func TestGroupNumbers(t *testing.T) {
	s := newStation(t, 1, Config{Relay: true})
	for i := range 60 {
		s.beacon(4, uint16(100+i%2*500)) // news
		for j := range uint32(3) {
			f := s.trip(11, uint32(i)*3+j, 0)
			s.hear(f)
			s.wait(200 * time.Millisecond)
			s.hear(f) // an acknowledgement
			s.wait(time.Duration(i) * 37 * time.Millisecond)
		}
		s.start()
	}
	if n := len(s.groups); n < 100 {
		t.Errorf("%d group frames: the test shows little", n)
	}
	for i := range uint32(200) { // more than one block in one life
		f := s.trip(11, 1000+i, 0)
		s.hear(f)
		s.wait(time.Second)
		s.hear(f)
		s.wait(time.Second)
	}
	s.saved = nil // memory is lost: numbers are drawn anew
	s.start()
	s.wait(time.Minute)
}

// Nothing is taken from a hint whose MAC is wrong, from another site or generation, of this node itself, or heard before.
func TestBadHints(t *testing.T) {
	for name, spoil := range map[string]func(s *station, b proto.Body) []byte{
		"a wrong MAC": func(s *station, b proto.Body) []byte {
			f := s.hint(9, b)
			f[len(f)-1] ^= 1
			return f
		},
		"a changed body": func(s *station, b proto.Body) []byte {
			f := s.hint(9, b)
			f[11] ^= 1
			return f
		},
		"another id": func(s *station, b proto.Body) []byte {
			f := s.hint(9, b)
			f[4] = 8
			return f
		},
		"another site": func(s *station, b proto.Body) []byte {
			f := s.hint(9, b)
			f[2] ^= 1
			return f
		},
		"another site's key": func(s *station, b proto.Body) []byte {
			k, err := proto.GroupKey(siteSecret, testSite+1, 1)
			if err != nil {
				t.Fatal(err)
			}
			s.group = keysOf(t, k)
			return s.hint(9, b)
		},
		"another generation": func(s *station, b proto.Body) []byte {
			s.group = keysOf(t, groupKey(t, 2))
			f := s.hint(9, b)
			f[5] = 2
			return f
		},
		"a node's key": func(s *station, b proto.Body) []byte {
			s.group = keysOfNode(t, 9)
			return s.hint(9, b)
		},
		"this node's id": func(s *station, b proto.Body) []byte { return s.hint(testNode, b) },
		"an old counter": func(s *station, b proto.Body) []byte {
			s.counter[4] -= 2
			return s.hint(4, b)
		},
		"the last counter": func(s *station, b proto.Body) []byte {
			s.counter[4]--
			return s.hint(4, b)
		},
	} {
		for _, b := range []func(tag [4]byte) proto.Body{
			func(tag [4]byte) proto.Body { return &proto.Beacon{Distance: 0, Noise: proto.NoRSSI} },
			func(tag [4]byte) proto.Body { return &proto.Beacon{Distance: proto.NoDistance, Noise: proto.NoRSSI} },
			func(tag [4]byte) proto.Body { return &proto.HopAck{Tag: tag} },
			func(tag [4]byte) proto.Body { return &proto.Solicit{Distance: proto.NoDistance, Noise: proto.NoRSSI} },
			func(tag [4]byte) proto.Body {
				return &proto.Solicit{Receipt: true, Tag: tag, Distance: proto.NoDistance, Noise: proto.NoRSSI}
			},
		} {
			s := newRelayAt(t, 1, 2)
			s.beacon(4, tripMS)
			frame := s.trip(11, 1, 0)
			s.hear(frame)
			s.wait(150 * time.Millisecond)
			body := b([4]byte(s.origin(frame).raw.Tag()))
			bad := spoil(s, body)
			s.step(nil)
			state := func() string {
				return fmt.Sprintf("%+v, way by %d, wake %v", s.n.Neighbours(), s.n.relay.parent, s.wake)
			}
			before, l := state(), *s.n.relay.loads[0]
			s.hear(bad)
			if after := state(); after != before {
				t.Errorf("%s, %T:\n%s, was\n%s", name, body, after, before)
			}
			if after := *s.n.relay.loads[0]; !reflect.DeepEqual(after, l) {
				t.Errorf("%s, %T: the frame that it carries is now\n%+v, was\n%+v", name, body, after, l)
			}
		}
	}
}

// What somebody writes into a hop record says nothing of the strength of a link: nobody can check it but the gateway.
func TestForgedStrengths(t *testing.T) {
	s := newRelayAt(t, 1, 2)
	weak := proto.Hop{Relay: 4, Gen: 1, RSSI: proto.EncodeRSSI(-140), SNR: proto.EncodeSNR(-20)}
	for i := range uint32(100) {
		frame := s.trip(11, i+1, 0)
		s.hear(frame)
		s.wait(150 * time.Millisecond)
		f, err := proto.AppendHop(s.via(frame, testNode), keysOfNode(t, 4), weak)
		if err != nil {
			t.Fatal(err)
		}
		s.hear(f)
		s.wait(2 * time.Second)
		s.step(Probe{}) // and an own frame
		s.wait(100 * time.Millisecond)
		if f, err = proto.AppendHop(s.last(proto.TypeCheckIn).frame, keysOfNode(t, 4), weak); err != nil {
			t.Fatal(err)
		}
		s.hear(f)
		s.wait(2 * time.Second)
	}
	s.wantWay(4)
	for _, n := range s.n.Neighbours() {
		if n.ID == 4 && !n.Serves {
			t.Errorf("%+v", n)
		}
	}
}

// A relay must have the group key, and a way that can be reckoned with.
func TestRelayConfig(t *testing.T) {
	good := Config{Site: testSite, Node: testNode, Key: nodeKey(t, 1), GroupKey: groupKey(t, 1), Relay: true}
	slowest := sf12
	slowest.Bandwidth, slowest.Preamble = 7810, 65535
	for want, change := range map[string]func(*Config){
		"GroupKey":   func(c *Config) { c.GroupKey = nil },
		"Hop.Slot":   func(c *Config) { c.Hop.Slot = time.Minute },
		"Hop.Tries":  func(c *Config) { c.Hop.Tries = 11 },
		"Hop.Loads":  func(c *Config) { c.Hop.Loads = 1 },
		"modem":      func(c *Config) { c.Modem.SpreadingFactor = 13 },
		"Route":      func(c *Config) { c.Modem = slowest },
		"neighbours": func(c *Config) { r := route.Defaults(sf7); r.Neighbours = 0; c.Route = &r },
	} {
		c := good
		change(&c)
		if _, err := New(c, FirstSaved(), 0); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("New with a wrong %s: %v", want, err)
		}
	}
	if n, err := New(good, FirstSaved(), 0); err != nil {
		t.Error(err)
	} else if _, d, ok := n.Way(); ok || d != proto.NoDistance || len(n.Neighbours()) != 0 {
		t.Errorf("a new relay has a way of %d, neighbours %+v", d, n.Neighbours())
	}
	good.Relay = false
	n, err := New(good, FirstSaved(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, ok := n.Way(); ok || n.Neighbours() != nil {
		t.Error("what is no relay has a way")
	}
}
