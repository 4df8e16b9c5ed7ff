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

// The parent may get dearer by MaxRise, 4 trips' airtime, above the least distance told lately; "lately" is at most two Lifetimes.
func TestRise(t *testing.T) {
	h := newHand(t, nil)
	h.beacon(2, 400)
	h.Tell(h.now)
	h.beacon(2, 400+4*206)
	h.wantParent(2)
	h.Tell(h.now)
	h.beacon(2, 400+4*206+1)
	h.wantParent(0)

	h = newHand(t, nil)
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

func TestWays(t *testing.T) {
	h := newHand(t, nil)
	if got := h.Ways(0); len(got) != 0 {
		t.Errorf("ways of an empty table: %v", got)
	}
	h.beacon(2, 500)
	h.beacon(6, 700) // uphill: 706 is here
	h.beacon(3, 400) // better, but not by the threshold
	h.beacon(4, 450)
	h.beaconAt(5, 0, 1) // too weak
	h.beacon(7, proto.NoDistance)
	h.beacon(8, 490)
	h.find(8).acks = tally{1000, 3000} // nearer than 6, but dearer: 490 + 3 * 206
	want := []Way{{2, false}, {3, false}, {4, false}, {8, false}, {6, true}}
	got := h.Ways(h.now)
	if len(got) != len(want) {
		t.Fatalf("ways %v, want %v", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("way %d: %v, want %v", i, got[i], want[i])
		}
	}
}
