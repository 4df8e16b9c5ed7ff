package route

import (
	"math/rand/v2"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
)

func TestDefaults(t *testing.T) {
	for sf := 5; sf <= 12; sf++ {
		s := sf9
		for _, s.Bandwidth = range lora.Bandwidths() {
			s.SpreadingFactor = sf
			c := Defaults(s)
			if _, err := New(c, 0); err != nil {
				t.Errorf("SF%d, %d Hz: %v", sf, s.Bandwidth, err)
			}
		}
		s = sf9
		s.SpreadingFactor = sf
		c := Defaults(s)
		// A dead relay that nobody sends through is known in 4 of the longest intervals: 5 h, at the slowest settings too.
		if c.Lifetime > 5*time.Hour || c.Beacons.Imax() < 17*time.Minute {
			t.Errorf("SF%d: beacons up to %v apart, lifetime %v", sf, c.Beacons.Imax(), c.Lifetime)
		}
		if beacon := s.Airtime(29); c.Beacons.Imin < 128*beacon-time.Second || c.Beacons.Imin < 8*time.Second {
			t.Errorf("SF%d: shortest interval %v at %v a beacon", sf, c.Beacons.Imin, beacon)
		}
	}
	if got := Defaults(sf9).Beacons.K; got != 10 { // RFC 6550, section 17: DEFAULT_DIO_REDUNDANCY_CONSTANT
		t.Errorf("K = %d, want 10", got)
	}
	for i, change := range []func(*Config){
		func(c *Config) { c.Modem.SpreadingFactor = 4 },
		func(c *Config) { c.Beacons.Imin = 0 },
		func(c *Config) { c.Neighbours = 0 },
		func(c *Config) { c.Neighbours = 255 },
		func(c *Config) { c.Smooth = 0 },
		func(c *Config) { c.Prior = 0 },
		func(c *Config) { c.MaxETX = 0.9 },
		func(c *Config) { c.Switch = -1 },
		func(c *Config) { c.Suspect = 0 },
		func(c *Config) { c.Demotion = 0 },
		func(c *Config) {
			c.Modem.SpreadingFactor, c.Modem.Bandwidth, c.Modem.CodingRate, c.Modem.Preamble = 12, 7810, 8, 65535
		},
	} {
		c := Defaults(sf9)
		change(&c)
		if _, err := New(c, 0); err == nil {
			t.Errorf("change %d was taken", i)
		}
	}
}

// Effects of what is heard on the beacon timer.
func TestEffects(t *testing.T) {
	h := newHand(t, nil)
	solicit := func(id uint8) Effect {
		h.counter[id]++
		return h.Hear(h.now, Heard{id, proto.NoRSSI, proto.NoSNR}, proto.TypeSolicit, h.counter[id], proto.NoDistance)
	}
	if got := h.beacon(3, proto.NoDistance); got != Consistent {
		t.Errorf("neither knows a way: %v", got)
	}
	if got := solicit(3); got != None {
		t.Errorf("asked without a way to tell: %v", got)
	}
	if got := h.beacon(2, 0); got != Consistent || !h.News() {
		t.Errorf("a way: %v, news %v", got, h.News())
	}
	if d := h.Tell(h.now); d != 206 || h.News() {
		t.Errorf("told %d, still news %v", d, h.News())
	}
	if got := h.beacon(3, proto.NoDistance); got != Inconsistent {
		t.Errorf("somebody has no way: %v", got)
	}
	if got := solicit(3); got != Inconsistent {
		t.Errorf("asked: %v", got)
	}
}

// What others would not change their way for is no news: less than Switch, 309 ms at SF9, up or down; nor is less than a trip, if
// Switch is less.
func TestNews(t *testing.T) {
	for _, c := range []struct{ trips, least float64 }{{1.5, 309}, {0, 206}, {2, 412}} {
		for _, up := range []int{1, -1} {
			h := newHand(t, func(config *Config) { config.Switch = c.trips })
			h.beacon(2, 500)
			h.Tell(h.now)
			h.beacon(2, uint16(500+up*(int(c.least)-1)))
			if h.News() {
				t.Errorf("switch at %v trips: moved by %d ms, news", c.trips, up*(int(c.least)-1))
			}
			h.beacon(2, uint16(500+up*int(c.least)))
			if !h.News() {
				t.Errorf("switch at %v trips: moved by %d ms, no news", c.trips, up*int(c.least))
			}
			if h.Tell(h.now); h.News() {
				t.Error("news when it has been told")
			}
		}
	}
}

// A table is bounded. Whatever is made up, the parent and who has brought receipts lately stay.
func TestFlood(t *testing.T) {
	for seed := range uint64(50) {
		r := rand.New(rand.NewPCG(seed, 255))
		h := newHand(t, func(c *Config) { c.Neighbours = 4 })
		h.beacon(gateway, 0)
		h.beacon(2, 500)
		h.Receipt(h.now, 2, false)
		h.Receipt(h.now, gateway, false)
		for range 500 {
			h.beacon(uint8(3+r.IntN(230)), uint16(r.IntN(65536)))
			if len(h.List(h.now)) > 4 {
				t.Fatalf("seed %d: %d neighbours", seed, len(h.List(h.now)))
			}
		}
		if !h.isNeighbour(2) || !h.isNeighbour(gateway) {
			t.Fatalf("seed %d: who brought receipts was driven out: %+v", seed, h.List(h.now))
		}
	}
}

// Who is forgotten: who has no way first, then the farthest; of equals the one not heard for longer.
func TestLeastUseful(t *testing.T) {
	h := newHand(t, func(c *Config) { c.Neighbours = 3 })
	h.beacon(2, 0)
	h.beacon(3, proto.NoDistance)
	h.beacon(4, 900)
	h.beacon(5, 800)
	if h.isNeighbour(3) {
		t.Error("one without a way was kept")
	}
	h.beacon(6, 1000)
	if h.isNeighbour(6) {
		t.Error("the farthest drove out a nearer one")
	}
	h.beacon(7, 900)
	if h.isNeighbour(4) || !h.isNeighbour(7) {
		t.Error("of two equals the one not heard for longer was kept")
	}
	h.beaconAt(8, 0, -1) // too weak: (1 + 4 * 0.284) / 5 = 0.427 each way, ETX 5.5
	if h.isNeighbour(8) {
		t.Error("one that cannot be a parent drove out one that can")
	}
	h = newHand(t, func(c *Config) { c.Neighbours = 2 })
	h.beacon(2, 500)
	h.beacon(3, 800)
	h.Receipt(h.now, 3, false)
	h.now += h.Lifetime - 10*time.Second
	h.beacon(2, 500)
	h.beacon(3, 800)
	h.beacon(4, 700)
	if h.isNeighbour(4) {
		t.Error("who has brought a receipt was driven out")
	}
	h.now += 10 * time.Second
	h.beacon(4, 700)
	if h.isNeighbour(3) {
		t.Error("a receipt of long ago keeps a farther neighbour")
	}
	h = newHand(t, func(c *Config) { c.Neighbours = 1 })
	h.beacon(2, 500)
	h.beacon(3, 400)
	h.wantParent(2)
}

// Silence ends a neighbour, and only a distance told keeps it: else one told long ago would stand where it was told, and no longer be
// remembered where it was made. The parent is asked for a word before.
func TestLifetime(t *testing.T) {
	h := newHand(t, nil)
	h.beacon(2, 0)
	start, end := h.now, h.now+h.Lifetime
	h.Frame(start+h.Lifetime/2, Heard{2, proto.NoRSSI, proto.NoSNR})
	h.HopAck(start+h.Lifetime/2, 2, proto.NoRSSI, proto.NoSNR, 1)
	h.Frame(start, Heard{9, proto.NoRSSI, proto.NoSNR}) // makes no neighbour
	asked := time.Duration(0)
	for now := start; now < end; {
		h.wantParent(2)
		now = min(h.Step(now), end)
		if asked == 0 && h.Doubtful(now) {
			asked = now
		}
		h.now = now
	}
	if want := start + h.Lifetime/4*3; asked != want {
		t.Errorf("asked for a word at %v, want %v", asked, want)
	}
	if wake := h.Step(h.now - 1); wake > end {
		t.Errorf("wake at %v, the neighbour goes at %v", wake, end)
	}
	h.Step(end)
	h.wantParent(0)
	if h.Doubtful(end) {
		t.Error("nobody to ask, and doubtful")
	}
	if h.isNeighbour(2) || h.isNeighbour(9) {
		t.Error("still a neighbour")
	}
}

// Whatever is heard in whatever order, nothing breaks and the invariants hold; also where a trip takes so long that two bytes hold the
// distance of few hops only.
func TestAnything(t *testing.T) {
	weak, silent := 0, 0
	for seed := range uint64(150) {
		r := rand.New(rand.NewPCG(seed, 99))
		h := newHand(t, func(c *Config) {
			c.Neighbours, c.Deaf, c.Judge = 1+r.IntN(6), 1+r.IntN(6), float64(1+r.IntN(8))
			if seed%3 == 0 {
				c.Modem.SpreadingFactor, c.Modem.Bandwidth = 12, 62500
			}
			c.Grace = time.Duration(1+r.IntN(600)) * time.Second
		})
		for range 1000 {
			h.now += time.Duration(r.Int64N(int64(time.Minute)))
			id := uint8(1 + r.IntN(10))
			heard := Heard{id, proto.RSSI(r.IntN(256)), proto.SNR(r.IntN(256))}
			switch r.IntN(8) {
			case 0, 1, 2:
				distance := uint16(r.IntN(24 * int(h.unit)))
				if r.IntN(5) == 0 {
					distance = uint16(r.IntN(65536))
				}
				types := []proto.Type{proto.TypeBeacon, proto.TypeHopAck, proto.TypeSolicit}
				h.Hear(h.now, heard, types[r.IntN(3)], r.Uint32()>>r.IntN(32), distance)
			case 3:
				h.HopAck(h.now, id, heard.RSSI, heard.SNR, 1+r.IntN(3))
			case 4:
				for range 1 + r.IntN(4) {
					h.NoHopAck(h.now, id, 1+r.IntN(3))
				}
			case 5:
				h.Receipt(h.now, id, r.IntN(2) == 0)
			case 6:
				h.NoReceipt(h.now, id, r.IntN(2) == 0)
			case 7:
				h.Tell(h.now)
			}
			if wake := h.Step(h.now); wake <= h.now {
				t.Fatalf("seed %d: at %v it asks for %v", seed, h.now, wake)
			}
			h.holds(seed)
			if parent, ok := h.Parent(); ok && !h.of(parent).Serves {
				weak++
				if h.Doubtful(h.now) {
					silent++
				}
			}
		}
	}
	if weak == 0 || silent == 0 {
		t.Errorf("the parent was weak %d times, silent %d times: the test shows nothing", weak, silent)
	}
}

// holds fails if an invariant does not hold after a step.
func (h *hand) holds(seed uint64) {
	h.t.Helper()
	parent, ok := h.Parent()
	if ok != (h.Distance() != proto.NoDistance) || uint32(h.Distance()) > h.longest() && ok {
		h.t.Fatalf("seed %d: parent %d %v, distance %d", seed, parent, ok, h.Distance())
	}
	reach := uint32(proto.NoDistance)
	for _, n := range h.List(h.now) {
		if n.Serves {
			reach = min(reach, n.Cost)
		}
		if n.Serves && (n.Cost > h.longest() || n.Demoted || n.Silent >= h.Deaf || n.ETX128 > 512 || n.Distance == proto.NoDistance) {
			h.t.Fatalf("seed %d: it cannot serve: %+v", seed, n)
		}
		if told, known := h.Told(n.ID); told != n.Distance || !known {
			h.t.Fatalf("seed %d: told %d, %v by %+v", seed, told, known, n)
		}
	}
	if got := h.Reach(h.now); reach == uint32(proto.NoDistance) {
		if got != proto.NoDistance && uint32(got) > h.longest() { // by what was told lately, or by the weak
			h.t.Fatalf("seed %d: reach %d beyond the longest", seed, got)
		}
	} else if uint32(got) != reach {
		h.t.Fatalf("seed %d: reach %d, want %d", seed, got, reach)
	}
	if !ok {
		return
	}
	n := h.of(parent)
	if n.Demoted && reach < uint32(proto.NoDistance) {
		h.t.Fatalf("seed %d: %+v is kept though others serve", seed, n)
	}
	if n.Cost != uint32(h.Distance()) || uint32(n.Distance)+h.unit > uint32(h.Distance()) {
		h.t.Fatalf("seed %d: distance %d through %+v", seed, h.Distance(), n)
	}
	if n.Silent >= h.Deaf && h.now-h.find(parent).silentAt >= h.Grace {
		h.t.Fatalf("seed %d: kept though silent since %v: %+v", seed, h.find(parent).silentAt, n)
	}
	if n.Serves {
		return
	}
	for _, o := range h.List(h.now) { // a weak one is kept only while there is no better
		if o.Serves && uint32(o.Distance)+h.unit <= h.lowest() && o.Cost <= h.lowest()+h.trips(h.MaxRise) && h.find(o.ID).toldAt > h.since {
			h.t.Fatalf("seed %d: %+v is kept beside %+v", seed, n, o)
		}
	}
}
