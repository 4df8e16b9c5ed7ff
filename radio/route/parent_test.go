package route

import (
	"testing"
	"time"

	"longlane/proto"
)

// Another parent must be better by 1.5 trips' airtime (RFC 6719, section 3.3 and 5), 309 ms at SF9, and no less.
func TestSwitch(t *testing.T) {
	h := newHand(t, nil)
	h.beacon(2, 1000)
	h.wantParent(2)
	h.beacon(3, 1000-309)
	h.wantParent(2)
	h.beacon(3, 1000-310)
	h.wantParent(3)
	if h.Distance() != 690+206 {
		t.Errorf("distance %d, want %d", h.Distance(), 690+206)
	}
	h.beacon(2, 690-309)
	h.wantParent(3)
	h.beacon(3, proto.NoDistance) // a lost one is left at once
	h.wantParent(2)
}

// A neighbour not nearer by a trip's airtime is no parent, until the lost way has been told for HoldDown and the neighbour has told its
// distance since.
func TestHoldDown(t *testing.T) {
	h := newHand(t, nil)
	h.beacon(2, 400)
	h.Tell(h.now)       // 606
	h.beacon(3, 401)    // 195 nearer
	h.beacon(4, 606+50) // perhaps a child
	h.beacon(2, proto.NoDistance)
	h.wantParent(0)
	if !h.News() {
		t.Error("a lost way is no news")
	}
	h.now += 2 * h.HoldDown
	h.Step(h.now)
	h.wantParent(0) // nobody has been told
	if got := h.Tell(h.now); got != proto.NoDistance {
		t.Errorf("told %d", got)
	}
	told := h.now
	h.beacon(5, 400) // nearer than ever told: no child, at once
	h.wantParent(5)
	h.beacon(5, proto.NoDistance)
	h.wantParent(0)
	h.Tell(h.now)
	h.beacon(4, 656)
	for now := told; now < told+h.HoldDown; now = h.Step(now) {
		h.wantParent(0)
	}
	h.now = told + h.HoldDown + 2*time.Second
	h.Step(h.now)
	h.wantParent(4) // 3 was nearer, but said so before
	if got := h.Distance(); got != 656+206 {
		t.Errorf("distance %d", got)
	}
}

// While the loss is told, a neighbour nearer than this node ever was may be taken, whenever it told its distance.
func TestHoldDownTakesTheNearer(t *testing.T) {
	h := newHand(t, nil)
	h.beacon(2, 400)
	h.Tell(h.now)
	h.beacon(3, 300)
	h.trust[3].until = h.now + 10*time.Second
	h.beacon(2, proto.NoDistance)
	h.wantParent(0)
	h.Tell(h.now)
	for end := h.now + 20*time.Second; h.now < end; {
		h.now = min(h.Step(h.now), end)
	}
	h.wantParent(3)
}

// A distance told long ago still stands in the tables of others, if nothing has been told since.
func TestToldStands(t *testing.T) {
	h := newHand(t, nil)
	h.beacon(2, 400)
	h.Tell(h.now)
	for end := h.now + 3*h.Lifetime; h.now < end; h.now += h.Lifetime / 4 {
		h.beacon(2, 400)
		h.beacon(4, 656)
	}
	h.beacon(2, proto.NoDistance)
	h.wantParent(0)
}

// The parent may get dearer by MaxRise, here 4 trips' airtime, above the least distance told lately; "lately" is at most two Lifetimes.
func TestRise(t *testing.T) {
	rise := func(c *Config) { c.MaxRise = 4 }
	h := newHand(t, rise)
	h.beacon(2, 400)
	h.Tell(h.now)
	h.beacon(2, 400+4*206)
	h.wantParent(2)
	h.Tell(h.now)
	h.beacon(2, 400+4*206+1)
	h.wantParent(0)

	h = newHand(t, rise)
	h.beacon(2, 400)
	h.Tell(h.now)
	for end := h.now + 2*h.Lifetime; h.now < end; h.now += h.Lifetime / 4 {
		h.beacon(2, 400+4*206)
		h.Tell(h.now)
	}
	h.beacon(2, 400+8*206)
	h.wantParent(2)
}

// A way beyond MaxPath is none, and no sum overflows.
func TestLongest(t *testing.T) {
	h := newHand(t, nil)
	h.beacon(2, 31*206)
	h.wantParent(2)
	for _, far := range []uint16{31*206 + 1, 65534, 65535} {
		h := newHand(t, nil)
		h.beacon(2, far)
		h.wantParent(0)
		if h.Distance() != proto.NoDistance || h.Tell(0) != proto.NoDistance {
			t.Errorf("%d away: distance %d", far, h.Distance())
		}
	}
	slow := newHand(t, func(c *Config) { c.Modem.SpreadingFactor, c.Modem.Bandwidth = 12, 7810 })
	slow.beacon(2, 65534-uint16(slow.unit))
	slow.beaconAt(2, 65534-uint16(slow.unit), 30)
	if got := slow.Distance(); got != 65534 {
		t.Errorf("slowest modem: distance %d, want 65534", got)
	}
}

// far is a link by which this many of 100 get each way, as the counters and the acknowledgements tell.
func (h *hand) far(id uint8, percent float64) {
	both := percent * percent / 100
	h.find(id).heard, h.find(id).acks = tally{percent * 1e6, 100 * 1e6}, tally{both * 1e6, 100 * 1e6}
	h.find(id).ackedAt = h.now
}

// A parent that would not be taken any more, for any reason, is kept while there is no other, and left at once for one that serves,
// though that is dearer. Nobody takes a weak one.
func TestWeakParentStays(t *testing.T) {
	for name, weaken := range map[string]func(h *hand, told uint16){
		"below the floor": func(h *hand, told uint16) {
			for range int(h.Judge) {
				h.beaconAt(2, told, 1)
			}
		},
		"silent": func(h *hand, _ uint16) {
			for range h.Deaf {
				h.NoHopAck(h.now, 2, 2)
			}
		},
		"ETX beyond 4": func(h *hand, _ uint16) {
			h.far(2, 49) // 1/0.2401 = 4.165
			h.Step(h.now)
		},
	} {
		h := newHand(t, nil)
		h.beacon(2, 0)
		h.Tell(h.now)
		weaken(h, 0)
		h.wantParent(2)
		if n := h.of(2); n.Serves || h.Distance() == proto.NoDistance || n.Cost != uint32(h.Distance()) {
			t.Errorf("%s: distance %d through %+v", name, h.Distance(), n)
		}
		if got := h.Reach(h.now); got != h.Distance() {
			t.Errorf("%s: a single frame has %d to the gateway by the only one, want %d", name, got, h.Distance())
		}
		h.beacon(3, 206) // could be a child
		h.wantParent(2)
		h.beacon(4, 0)
		h.far(4, 55) // 1/0.3025 = 3.306, 681 ms
		h.Step(h.now)
		h.wantParent(4)
		if got := h.Distance(); got != 681 {
			t.Errorf("%s: distance %d by the other one, want 681", name, got)
		}

		h = newHand(t, nil)
		h.beacon(2, proto.NoDistance)
		weaken(h, proto.NoDistance)
		h.beaconKeepsLink(2, 0)
		h.wantParent(0)
	}
}

// beaconKeepsLink changes what is told, and nothing of the link.
func (h *hand) beaconKeepsLink(id uint8, distance uint16) {
	n := h.find(id)
	n.distance, n.toldAt = distance, h.now
	h.Step(h.now)
}

// A parent that does not answer is asked for a word for Grace. Heard again it stays; else it is gone, and the loss is told.
func TestGrace(t *testing.T) {
	silence := func(h *hand) {
		for i := range h.Deaf {
			if h.Doubtful(h.now) {
				t.Errorf("doubtful after %d of %d", i, h.Deaf)
			}
			h.NoHopAck(h.now, 2, 1+i%6)
		}
		if !h.Doubtful(h.now) {
			t.Error("not doubtful")
		}
		h.wantParent(2)
	}
	start := func() *hand {
		h := newHand(t, func(c *Config) { c.Prior = 1000 }) // so that only the silence counts
		h.beacon(2, 400)
		h.Tell(h.now)
		silence(h)
		return h
	}
	h := start()
	for range 100 { // later frames do not begin it anew
		h.NoHopAck(h.now+time.Second, 2, 1)
	}
	silent := h.now
	if wake := h.Step(h.now); wake != silent+h.Grace {
		t.Errorf("wake at %v, want %v", wake, silent+h.Grace)
	}
	h.now = silent + h.Grace - 1
	h.Step(h.now)
	h.wantParent(2)
	h.now++
	h.Step(h.now)
	h.wantParent(0)
	if h.Doubtful(h.now) || !h.News() || h.Tell(h.now) != proto.NoDistance {
		t.Errorf("gone: doubtful %v, news %v, told %d", h.Doubtful(h.now), h.News(), h.told)
	}
	h.beacon(2, 400) // it is back
	h.wantParent(2)

	for name, word := range map[string]func(h *hand){
		"a beacon":               func(h *hand) { h.beacon(2, 400) },
		"an acknowledgement":     func(h *hand) { h.HopAck(h.now, 2, proto.NoRSSI, proto.NoSNR, 3) },
		"one at the last moment": func(h *hand) { h.now += h.Grace - 2*time.Second; h.beacon(2, 400) },
	} {
		h := start()
		word(h)
		if h.Doubtful(h.now) {
			t.Errorf("%s: doubtful still", name)
		}
		h.now += 2 * h.Grace
		h.Step(h.now)
		h.wantParent(2)
		silence(h) // and all again
	}
}

// Reach is how far it is for a frame that cannot go round: also by neighbours that may be children, while no way is told.
func TestReach(t *testing.T) {
	h := newHand(t, nil)
	if got := h.Reach(0); got != proto.NoDistance {
		t.Errorf("reach %d of an empty table", got)
	}
	h.beacon(2, 400)
	h.Tell(h.now) // 606
	h.beacon(4, 656)
	h.beacon(5, 700)
	if got := h.Reach(h.now); got != 606 {
		t.Errorf("reach %d, want 606", got)
	}
	h.beacon(2, proto.NoDistance)
	h.wantParent(0)
	if got := h.Tell(h.now); got != proto.NoDistance {
		t.Errorf("told %d in the hold-down", got)
	}
	if got := h.Reach(h.now); got != 656+206 {
		t.Errorf("reach %d in the hold-down, want %d", got, 656+206)
	}
	h.demote(h.now, &h.trust[4])
	if got := h.Reach(h.now); got != 700+206 {
		t.Errorf("reach %d by who brings receipts, want %d", got, 700+206)
	}
	h.beacon(5, proto.NoDistance)
	if got := h.Reach(h.now); got != 606 {
		t.Errorf("reach %d by what was told lately, want 606", got)
	}
	h.now += h.Lifetime
	for id := range uint8(3) {
		h.beacon(2+id, proto.NoDistance) // they are there, and have had no way for long
	}
	if got := h.Reach(h.now); got != proto.NoDistance {
		t.Errorf("reach %d with nobody left", got)
	}
}
