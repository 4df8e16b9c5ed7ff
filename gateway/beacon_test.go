package gateway

import (
	"encoding/binary"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"longlane/gateway/roster"
	"longlane/proto"
	"longlane/radio"
	"longlane/radio/lora"
	"longlane/radio/use"
)

// withBeacons has the LoRa bearer transmit, and so send beacons.
func (w *world) withBeacons() *world {
	before := w.opts
	w.opts = func(o *Options) {
		if before != nil {
			before(o)
		}
		o.Air = map[string]Air{"lora": {Settings: sf9, Sends: true, Noise: func() float64 { return -117.4 }}}
	}
	return w
}

// groupFrame is one under the group key, as read.
type groupFrame struct {
	sentFrame
	proto.Raw
	body proto.Body
}

// groupFrames are those that were sent by a link.
func (w *world) groupFrames(l *fakeLink) (out []groupFrame) {
	w.t.Helper()
	group, err := w.roster.Group()
	w.must(err)
	for _, s := range l.all() {
		raw, err := proto.Parse(s.frame)
		w.must(err)
		if !raw.Type.Group() {
			continue
		}
		body, err := raw.Open(group, raw.Counter)
		w.must(err)
		out = append(out, groupFrame{s, raw, body})
	}
	return out
}

// says is a group frame of a node.
func (n *testNode) says(b proto.Body) []byte {
	n.w.t.Helper()
	typ := proto.TypeBeacon
	switch b.(type) {
	case *proto.Solicit:
		typ = proto.TypeSolicit
	case *proto.HopAck:
		typ = proto.TypeHopAck
	}
	group, err := n.w.roster.Group()
	n.w.must(err)
	n.group++
	f, err := proto.Seal(nil, group, proto.Header{Type: typ, Site: n.w.roster.Site, Node: n.id, Gen: n.w.roster.GroupGen, Counter: n.group}, b)
	n.w.must(err)
	return f
}

const sf9Imin = 29 * time.Second // 128 times the 226.3 ms of a beacon at SF9, rounded

// Beacons go by the modem, and not by Wi-Fi: first often, then rarely; and they say what the gateway knows.
func TestBeacons(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).withBeacons().start()
		began := time.Now()
		const long = 10 * time.Hour
		w.pass(long)
		sent := w.groupFrames(w.link)
		if got := w.meter.count(w.meter.hints, "beacon sent"); got != len(sent) {
			t.Errorf("%d beacons are counted, %d were sent", got, len(sent))
		}
		if got := w.groupFrames(w.wifi); len(got) != 0 {
			t.Errorf("%d group frames by Wi-Fi", len(got))
		}
		for i, s := range sent {
			b, ok := s.body.(*proto.Beacon)
			if !ok || s.Node != proto.GatewayBase+3 || s.Gen != w.roster.GroupGen {
				t.Fatalf("sent %v: %+v", s.Header, s.body)
			}
			at := proto.Instant{Epoch: w.g.in.epochs.number, Since: w.clock.Mono() - time.Since(s.at) - w.g.in.epochs.base}
			if b.Epoch != at.Epoch || b.Time != proto.EncodeGatewayTime(at.Since) || b.Distance != 0 || b.Noise != 117 || b.Busy != 0 {
				t.Errorf("beacon %d: %+v", i, b)
			}
			if i > 0 && s.Counter != sent[i-1].Counter+1 {
				t.Errorf("beacon %d has number %d, the one before %d", i, s.Counter, sent[i-1].Counter)
			}
			// RFC 6206: the k-th interval is Imin * 2^k, and the beacon comes in its second half.
			interval := sf9Imin << min(i, 7)
			from := sf9Imin<<min(i, 7) - sf9Imin + time.Duration(max(i-7, 0))*(sf9Imin<<7)
			late := time.Duration(2*i+2) * time.Second // the gateway looks once a second, twice in each interval
			if at := s.at.Sub(began) - from; at < interval/2 || at > interval+late {
				t.Errorf("beacon %d came %v after the start, %v into an interval of %v", i, s.at.Sub(began), at, interval)
			}
		}
		if least := int(long / (sf9Imin << 7)); len(sent) < least || len(sent) > least+9 {
			t.Errorf("%d beacons in %v", len(sent), long)
		}
	})
}

// No beacons without relays, from a modem that may not send, or while there is none.
func TestNoBeacons(t *testing.T) {
	for name, c := range map[string]struct {
		before func(*world)
		after  func(*world)
	}{
		"no relay": {before: func(w *world) {
			for _, name := range nodeNames[3:] {
				_, err := w.roster.Revoke(name)
				w.must(err)
			}
			w.must(w.roster.Save())
		}},
		"receive only": {before: func(w *world) {
			w.opts = func(o *Options) { o.Air = map[string]Air{"lora": {Settings: sf9}} }
		}},
		"unplugged": {after: func(w *world) { w.link.unplug(true) }},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				w := newWorld(t).withBeacons()
				if c.before != nil {
					c.before(w)
				}
				_, err := w.follow.Refresh()
				w.must(err)
				w.start()
				if c.after != nil {
					c.after(w)
				}
				w.pass(2 * time.Hour)
				if got := w.groupFrames(w.link); len(got) != 0 || len(w.meter.hints) != 0 {
					t.Errorf("%d beacons, counted %v", len(got), w.meter.hints)
				}
				switch name {
				case "no relay": // the first relay need not wait for a start
					_, err := w.roster.Add(roster.Node{Name: "hill-relay", Relay: true})
					w.must(err)
					w.must(w.roster.Save())
				case "unplugged":
					w.link.unplug(false)
				default:
					return
				}
				w.pass(sf9Imin + 2*time.Second)
				if got := w.groupFrames(w.link); len(got) != 1 {
					t.Errorf("%d beacons soon after there was reason for one, want 1", len(got))
				}
			})
		})
	}
}

// stepper lets time pass for a gateway that is stepped by hand, with a tick a minute.
type stepper struct {
	*Steps
	w      *world
	wait   time.Duration
	ticked time.Time
}

func (s *stepper) pass(d time.Duration) {
	for d > 0 {
		step := min(d, time.Minute)
		if s.wait > 0 {
			step = min(step, s.wait)
		}
		elapse(step)
		d -= step
		if s.wait = s.Send(); time.Since(s.ticked) >= time.Minute {
			s.ticked = time.Now()
			s.wait = s.Tick()
		}
	}
}

func (s *stepper) hear(bearer string, frame []byte) {
	s.wait = s.Packet(radio.Packet{Frame: frame, Bearer: bearer})
}

func (s *stepper) beacons() int { return len(s.w.groupFrames(s.w.link)) }

// Whoever looks for a way hears a beacon soon; whoever has one, or holds no group key, or plays a recording, changes nothing.
func TestBeaconsHaveEars(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).withBeacons()
		w.stepped(func(steps *Steps) {
			s := &stepper{Steps: steps, w: w}
			relay, leaf := w.node("barn-relay"), w.node("river-gate")
			s.pass(12 * time.Hour)
			lost := relay.says(&proto.Beacon{Distance: proto.NoDistance})
			says := func(n *testNode, b proto.Body) func() []byte { return func() []byte { return n.says(b) } }
			for _, c := range []struct {
				name, by string
				hear     func() []byte
				want     int
			}{
				{"nothing", "lora", nil, 0},
				{"a relay without a way", "lora", says(relay, &proto.Beacon{Distance: proto.NoDistance}), 1},
				{"a recording of it", "lora", func() []byte { return lost }, 0},
				{"a relay that has one", "lora", says(relay, &proto.Beacon{Distance: 400}), 0},
				{"a forged solicit", "lora", func() []byte { f := relay.says(&proto.Solicit{}); f[len(f)-1] ^= 1; return f }, 0},
				{"who waits for a receipt", "lora", says(relay, &proto.Solicit{Receipt: true, Distance: 400}), 0},
				{"who waits for one and has no way", "lora", says(relay, &proto.Solicit{Receipt: true, Distance: proto.NoDistance}), 1},
				{"a leaf without a parent", "lora", says(leaf, &proto.Solicit{Distance: proto.NoDistance}), 1},
				{"one heard by Wi-Fi", "wifi", says(leaf, &proto.Solicit{Distance: proto.NoDistance}), 0},
				{"a hop acknowledgement", "lora", says(relay, &proto.HopAck{Distance: proto.NoDistance}), 0},
			} {
				// In the middle of a silence: after a beacon its interval lasts up to half of it, and the next has none in its first half.
				s.pass(12 * time.Hour)
				limit := time.Now().Add(2 * sf9Imin << 7)
				for before := s.beacons(); s.beacons() == before; s.pass(time.Minute) {
					if time.Now().After(limit) {
						t.Fatalf("%s: no beacon for two of the longest intervals", c.name)
					}
				}
				s.pass(sf9Imin<<7/2 - 2*sf9Imin - time.Minute)
				before := s.beacons()
				s.hear("lora", relay.says(&proto.HopAck{}))
				if c.hear != nil {
					s.hear(c.by, c.hear())
				}
				if s.pass(sf9Imin); s.beacons()-before != c.want {
					t.Errorf("%s: %d beacons soon after, want %d", c.name, s.beacons()-before, c.want)
				}
			}
			// Without end, it costs what the shortest interval costs.
			before := s.beacons()
			for range 600 {
				s.hear("lora", relay.says(&proto.Solicit{Distance: proto.NoDistance}))
				s.pass(time.Second)
			}
			if got, most := s.beacons()-before, int(600*time.Second/sf9Imin)+1; got > most || got < most/2 {
				t.Errorf("%d beacons in ten minutes, want up to %d", got, most)
			}
		})
	})
}

// Somebody with the group key may say what beacons say as often as he likes: the gateway's own go on.
func TestBeaconsAreNotSilenced(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).withBeacons()
		w.stepped(func(steps *Steps) {
			s := &stepper{Steps: steps, w: w}
			stolen := w.node("barn-relay")
			for range 24 * 60 {
				s.pass(time.Minute)
				s.hear("lora", stolen.says(&proto.Beacon{Distance: 1}))
			}
			if least := int(24 * time.Hour / (sf9Imin << 7)); s.beacons() < least {
				t.Errorf("%d beacons in a day, want %d", s.beacons(), least)
			}
		})
	})
}

// A relay that was enrolled as a plain node is named in the log, once.
func TestPassesForRelay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var log strings.Builder
		w := newWorld(t)
		w.log = &log
		w.start()
		for range 3 {
			w.hear(w.node("barn-relay").says(&proto.Beacon{}))
			plain := w.node("river-gate")
			plain.group = uint32(time.Now().Unix())
			w.hear(plain.says(&proto.Beacon{}))
			w.pass(time.Minute)
		}
		if n := strings.Count(log.String(), "was not enrolled with --relay"); n != 1 || !strings.Contains(log.String(), "node=river-gate id=1") {
			t.Errorf("%d times in the log:\n%s", n, log.String())
		}
	})
}

// One who writes the highest number of all in a relay's name has it ignored for an hour.
func TestHintsAreHeardAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).withBeacons().start()
		relay, liar, shutOut := w.node("barn-relay"), w.node("barn-relay"), w.node("mast-relay")
		liar.group = 1<<32 - 2
		w.wantVerdict("the liar", "hint", liar.says(&proto.Beacon{}))
		w.wantVerdict("the relay", "repeat", relay.says(&proto.Beacon{}))
		w.pass(time.Hour)
		w.wantVerdict("the relay, later", "hint", relay.says(&proto.Beacon{}))
		// With a new group key a sender may begin anew.
		_, err := w.roster.Revoke("mast-relay")
		w.must(err)
		w.must(w.roster.Save())
		w.pass(2 * time.Second)
		relay.group = 0
		w.wantVerdict("the relay, under a new key", "hint", relay.says(&proto.Beacon{}))
		w.wantVerdict("who is shut out", "revoked", shutOut.says(&proto.Beacon{}))
	})
}

// A beacon does not wait for airtime: what it says would be old. Receipts go before it, and use up none of its airtime.
func TestBeaconLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).withBeacons().start()
		closed := true
		w.link.setPermit(func(frame []byte) error {
			if closed && use.Of(frame) == lora.UseBeacon {
				return &radio.WaitError{For: time.Hour}
			}
			return nil
		})
		w.pass(10 * time.Minute)
		late := w.meter.count(w.meter.hints, "beacon late")
		if got := len(w.groupFrames(w.link)); got != 0 || late < 3 {
			t.Errorf("%d beacons were sent and %d given up without airtime", got, late)
		}
		closed = false
		n := w.node("river-gate")
		w.hear(n.open())
		w.pass(time.Second)
		if len(n.eventReceipts()) != 1 {
			t.Error("no receipt behind the beacons")
		}
		w.pass(2 * sf9Imin << 7)
		if got := w.groupFrames(w.link); len(got) == 0 {
			t.Error("no beacon once there was airtime")
		}
	})
}

// Stepped by hand, the core says when a beacon is due, and has no goroutine for it.
func TestBeaconsStepped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).withBeacons()
		w.stepped(func(s *Steps) {
			var at []time.Duration
			began := time.Now()
			for wait := s.Tick(); time.Since(began) < time.Hour; {
				if wait <= 0 {
					t.Fatal("Steps does not tell when to come again")
				}
				elapse(wait)
				before := len(w.groupFrames(w.link))
				wait = s.Send()
				if len(w.groupFrames(w.link)) > before {
					at = append(at, time.Since(began))
				}
			}
			// All of it by the timer alone: 29 s doubled until an hour is over.
			if len(at) < 6 || at[0] < sf9Imin/2 || at[0] > sf9Imin {
				t.Errorf("beacons at %v", at)
			}
			elapse(time.Hour)
			relay := w.node("barn-relay")
			wait := s.Packet(radio.Packet{Frame: relay.says(&proto.Solicit{Distance: proto.NoDistance}), Bearer: "lora"})
			if wait <= 0 || wait > sf9Imin {
				t.Errorf("after a solicit: come again in %v, want within %v", wait, sf9Imin)
			}
		})
	})
}

// The number of a group frame never comes twice, whatever ends the gateway and whatever is lost, and it rises; a revoked
// node, whose going brings a new group key, changes nothing.
func TestGroupCounter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t)
		path := w.withCopy()
		w.withBeacons()
		used := map[uint32]string{}
		highest := uint32(0)
		life := func(name string) {
			w.start()
			relay := w.node("barn-relay")
			relay.group = uint32(len(used)) << 8
			for range 200 {
				w.hear(relay.says(&proto.Solicit{Distance: proto.NoDistance}))
				w.pass(30 * time.Second)
			}
			sent := w.groupFrames(w.link)
			if len(sent) < 100 {
				t.Fatalf("%s: %d beacons: the test shows little", name, len(sent))
			}
			for _, s := range sent {
				if before, ok := used[s.Counter]; ok {
					t.Fatalf("%s: number %d was used by %s", name, s.Counter, before)
				}
				if s.Counter < highest {
					t.Fatalf("%s: number %d after %d", name, s.Counter, highest)
				}
				used[s.Counter], highest = name, s.Counter
			}
		}
		boot := byte(30)
		clock := func(set bool) {
			boot++
			w.clock = newTestClock(w.clock.Wall(), time.Second, boot, set)
		}
		life("first")
		w.kill()
		life("killed")
		w.stop()
		oldQueue, oldCopy := w.readFile(w.path), w.readFile(path)
		life("stopped")
		w.stop()
		clock(false)
		life("without a clock")
		w.stop()
		w.must(os.Remove(w.path))
		life("queue lost")
		w.stop()
		w.must(os.WriteFile(w.path, oldQueue, 0o600))
		life("an old queue")
		w.stop()
		raised, err := RaiseCopy(path, w.readFile(path), site, w.roster.Site, 64)
		w.must(err)
		life("another gateway")
		w.stop()
		w.must(os.WriteFile(path, raised, 0o600))
		w.must(os.Remove(w.path))
		life("restored from before that")
		w.stop()
		_, err = w.roster.Revoke("mast-relay")
		w.must(err)
		w.must(w.roster.Save())
		_, err = w.follow.Refresh()
		w.must(err)
		life("a new group key")
		w.stop()
		w.must(os.WriteFile(w.path, oldQueue, 0o600))
		w.must(os.WriteFile(path, oldCopy, 0o600))
		clear(w.receipted)
		w.clock = newTestClock(w.clock.Wall().Add(100*24*time.Hour), time.Second, boot+1, true) // all of the above moved on by 2^20 three times
		life("an old disk")
		w.stop()
		w.must(os.Remove(w.path))
		w.must(os.Remove(path))
		clock(true)
		life("both lost")
		w.stop()
		w.must(os.Remove(w.path))
		w.must(os.Remove(path))
		clock(false)
		life("both lost, and no clock")
		w.stop()
		clock(true)
		life("the clock is back")
	})
}

// A clock that is set in the middle of a run counts at once.
func TestGroupCounterClockSet(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t).withBeacons()
		w.start()
		w.pass(time.Minute)
		w.stop()
		old := w.readFile(w.path)
		w.start()
		w.pass(time.Hour)
		last := w.groupFrames(w.link)
		w.stop()
		w.must(os.WriteFile(w.path, old, 0o600))
		w.clock = newTestClock(time.Unix(0, 0), time.Second, 40, false)
		w.start()
		w.pass(10 * time.Second)
		w.clock.put(realTime, true)
		w.pass(time.Hour)
		sent := w.groupFrames(w.link)
		if len(last) == 0 || len(sent) == 0 || sent[0].Counter <= last[len(last)-1].Counter {
			t.Errorf("after the clock was set: %d beacons from number %d, before: %d up to %d", len(sent), sent[0].Counter, len(last), last[len(last)-1].Counter)
		}
	})
}

// puts is a disk that takes settings, of which there were none.
type puts struct {
	Store
	upTo uint32
}

func (*puts) Get(string) ([]byte, error) { return nil, nil }
func (p *puts) Put(_ string, v []byte) error {
	p.upTo = binary.BigEndian.Uint32(v)
	return nil
}

// While the disk takes no further block there are no beacons, and receipts for what is stored do not wait for them.
func TestGroupNumbersRunOut(t *testing.T) {
	q := &puts{}
	n, err := openGroupCounter(q, Clock{Set: func() bool { return false }}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if n.next < upperHalf {
		t.Errorf("without a clock numbers begin at %d", n.next)
	}
	taken := []uint32{}
	for now := time.Duration(0); ; now += time.Second {
		c, err := n.take(now)
		if err == errNoGroupNumber {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		if c >= q.upTo {
			t.Fatalf("number %d was given out, only those below %d are on the disk", c, q.upTo)
		}
		taken = append(taken, c)
	}
	if len(taken) != groupBlock || !slices.IsSorted(taken) {
		t.Errorf("%d numbers without the disk, want %d", len(taken), groupBlock)
	}
	if !n.low() {
		t.Error("no further block is asked for")
	}
}

// No more than one number a second is given in the long run, 16 at a stroke: what is above the clock's seconds was never used.
func TestGroupRate(t *testing.T) {
	n := &groupCounter{next: 1, reserved: 1 << 30}
	count := 0
	for now := time.Hour; now < 2*time.Hour; now += 50 * time.Millisecond {
		if _, err := n.take(now); err == nil {
			count++
		}
	}
	if count > 3600+groupBurst || count < 3600 {
		t.Errorf("%d numbers in an hour", count)
	}
}

// A bearer's settings with which nothing can be sent are refused, and none that can be are.
func TestAirRefused(t *testing.T) {
	bad := sf9
	bad.SpreadingFactor = 4
	g := &Gateway{o: Options{Air: map[string]Air{"lora": {Settings: bad, Sends: true}}}}
	if err := g.checkAir(); err == nil {
		t.Error("spreading factor 4 is taken")
	}
	g.o.Air = map[string]Air{"lora": {Settings: bad}}
	if err := g.checkAir(); err != nil {
		t.Errorf("of a modem that only listens: %v", err)
	}
}
