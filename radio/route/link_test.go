package route

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
)

// Published figures of link metrics.
func TestETXFigures(t *testing.T) {
	// RFC 6551, section 4.3.2: 1 / (Df * Dr), told times 128, rounded. 0.9 and 0.8 give 1.3889: 178.
	if got := ETX(0.9, 0.8); math.Abs(got-1.3889) > 0.00005 {
		t.Errorf("ETX(0.9, 0.8) = %v, want 1.3889", got)
	}
	for _, c := range []struct {
		source           string
		forward, reverse float64
		want             uint16
	}{
		{"RFC 6551, section 4.3.2, worked", 0.9, 0.8, 178},
		{"RFC 6551: a perfect link", 1, 1, 128},
		{"RFC 6719, section 5: MAX_LINK_METRIC 512 is 4 transmissions", 0.5, 0.5, 512},
		{"16 bits hold no more", 0.01, 0.1, 65535},
		{"a dead link", 0, 1, 65535},
	} {
		if got := ETX128(ETX(c.forward, c.reverse)); got != c.want {
			t.Errorf("%s: %d, want %d", c.source, got, c.want)
		}
	}
	c := Defaults(sf9)
	// RFC 6719, section 5: PARENT_SWITCH_THRESHOLD 192, 1.5 transmissions; MAX_LINK_METRIC 512.
	if got := ETX128(c.Switch); got != 192 {
		t.Errorf("switch threshold %d, want 192", got)
	}
	if got := ETX128(c.MaxETX); got != 512 {
		t.Errorf("greatest ETX %d, want 512", got)
	}
	// A trip of 26 bytes at SF9, 125 kHz, 4/5 lasts 205.824 ms (REFERENCES: the SX1276 datasheet's formula).
	for _, x := range []struct {
		etx128 uint16
		want   uint32
	}{{128, 206}, {178, 287}, {192, 309}, {512, 824}} {
		if got := costOf(x.etx128, c.trip()); got != x.want {
			t.Errorf("cost of ETX %d/128 = %d ms, want %d", x.etx128, got, x.want)
		}
	}
}

func TestMargin(t *testing.T) {
	for _, c := range []struct {
		rssi proto.RSSI
		snr  proto.SNR
		want float64
	}{
		{proto.EncodeRSSI(-60), proto.EncodeSNR(-7.5), 5}, // SF9 needs -12.5 dB (SX1261/2 datasheet); RSSI does not matter then
		{proto.EncodeRSSI(-120), proto.NoSNR, 9.53},       // -174 + 10 log 125000 + 6 - 12.5 = -129.53 (AN1200.22)
		{proto.NoRSSI, proto.NoSNR, math.NaN()},
	} {
		if got := marginOf(sf9, c.rssi, c.snr); !(math.Abs(got-c.want) < 0.005 || math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("margin of RSSI %v, SNR %v = %v, want %v", c.rssi.DBm(), c.snr.DB(), got, c.want)
		}
	}
}

// hand is a table fed by hand.
type hand struct {
	*Table
	t       *testing.T
	now     time.Duration
	counter map[uint8]uint32
}

func newHand(t *testing.T, change func(*Config)) *hand {
	t.Helper()
	c := Defaults(sf9)
	if change != nil {
		change(&c)
	}
	table, err := New(c, 0)
	if err != nil {
		t.Fatal(err)
	}
	return &hand{table, t, 0, map[uint8]uint32{}}
}

// beacon hears one, a second after what came before, by a modem that tells no strength. Of such a link the best is expected,
// so until a frame is lost its ETX is 1 and each hop costs one trip, 206 ms at SF9.
func (h *hand) beacon(id uint8, distance uint16) Effect {
	return h.beaconAt(id, distance, math.NaN())
}

func (h *hand) beaconAt(id uint8, distance uint16, margin float64) Effect {
	h.now += time.Second
	h.counter[id]++
	return h.Hear(h.now, Heard{id, proto.NoRSSI, snrOf(margin)}, proto.TypeBeacon, h.counter[id], distance)
}

// snrOf is that of a margin at SF9; of no number, that of a modem that does not tell.
func snrOf(margin float64) proto.SNR {
	if math.IsNaN(margin) {
		return proto.NoSNR
	}
	return proto.EncodeSNR(margin + lora.RequiredSNR(9))
}

func (h *hand) of(id uint8) Neighbour {
	h.t.Helper()
	for _, n := range h.List(h.now) {
		if n.ID == id {
			return n
		}
	}
	h.t.Fatalf("%d is no neighbour", id)
	return Neighbour{}
}

func (h *hand) isNeighbour(id uint8) bool { return h.find(id) != nil }

func (h *hand) wantParent(want uint8) {
	h.t.Helper()
	if got, ok := h.Parent(); got != want || ok != (want != 0) {
		h.t.Errorf("the parent is %d, %v; want %d", got, ok, want)
	}
}

// A link that delivers f of the frames and from which r of the frames come is found to have ETX 1/(f*r).
func TestDeliveryIsFound(t *testing.T) {
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 6551))
		forward, reverse := 0.6+0.4*r.Float64(), 0.6+0.4*r.Float64()
		h := newHand(t, func(c *Config) { c.Window, c.MaxETX = 1000, 100 })
		for range 6000 {
			h.counter[2]++
			if r.Float64() < reverse {
				h.Hear(h.now, Heard{2, proto.NoRSSI, proto.EncodeSNR(0)}, proto.TypeBeacon, h.counter[2], 0)
			}
			if r.Float64() < forward && r.Float64() < reverse {
				h.HopAck(h.now, 2, proto.NoRSSI, proto.NoSNR, 1)
			} else {
				h.NoHopAck(h.now, 2, 1)
			}
		}
		n := h.of(2)
		if math.Abs(n.Forward-forward) > 0.1 || math.Abs(n.Reverse-reverse) > 0.06 {
			t.Errorf("seed %d: delivery %.3f there, %.3f back, found %.3f and %.3f", seed, forward, reverse, n.Forward, n.Reverse)
		}
		if want := 128 / (forward * reverse); math.Abs(float64(n.ETX128)-want) > 0.12*want {
			t.Errorf("seed %d: ETX*128 = %d, want %.0f", seed, n.ETX128, want)
		}
	}
}

func TestCounters(t *testing.T) {
	h := newHand(t, func(c *Config) { c.Window, c.Prior, c.MaxGap = 16, 4, 16 })
	hear := func(counter uint32, distance uint16) Effect {
		return h.Hear(h.now, Heard{2, proto.NoRSSI, proto.NoSNR}, proto.TypeBeacon, counter, distance)
	}
	hear(10, 100)
	for _, old := range []uint32{10, 9, 0} { // a recorded beacon brings back nothing
		if got := hear(old, 0); got != Replayed || h.of(2).Distance != 100 {
			t.Errorf("counter %d after 10: effect %v, distance %d", old, got, h.of(2).Distance)
		}
	}
	if got := h.of(2).Reverse; got != 1 {
		t.Errorf("all frames heard: reverse %v", got)
	}
	hear(12, 100) // 11 was lost
	// Each frame makes the earlier ones count 15/16. Heard (225/256 + 1) of (225/256 + 15/16 + 1), and 4 of 4 expected:
	// (1.87891 + 4) / (2.81641 + 4).
	after := h.of(2).Reverse
	if math.Abs(after-0.86246) > 0.00001 {
		t.Errorf("two heard of three: reverse %v, want 0.86246", after)
	}
	hear(12+17+1, 100) // 17 missing: it has restarted
	if got := h.of(2).Reverse; got < after {
		t.Errorf("a restart was counted as loss: reverse %v after %v", got, after)
	}
	// 16 missing. Heard 2.76147 of 3.64038 before; (15/16)^17 = 0.33382, and 17 new ones weigh (1 - 0.33382) * 16 = 10.6588:
	// (2.76147 * 0.33382 + 1 + 4) / (3.64038 * 0.33382 + 10.6588 + 4).
	hear(12+17+1+17, 100)
	if got := h.of(2).Reverse; math.Abs(got-0.37304) > 0.00005 {
		t.Errorf("16 missing: reverse %v, want 0.37304", got)
	}
}

// A link by which nothing gets there is bad, though its beacons are heard, and is forgiven in time.
func TestBadLinkIsForgiven(t *testing.T) {
	h := newHand(t, func(c *Config) { c.Lifetime, c.Window, c.Prior = 100*time.Hour, 16, 4 })
	h.beacon(2, 0)
	h.beacon(3, 4000) // costs 4206
	h.wantParent(2)
	h.NoHopAck(h.now, 2, 1)
	if got := h.of(2).ETX128; got != 160 { // 4 expected of 4, and 0 of 1: 5/4
		t.Errorf("after one loss ETX*128 = %d, want 160", got)
	}
	for range 100 {
		h.NoHopAck(h.now, 2, 1)
		h.beacon(2, 0)
	}
	// 4 of 4, and 0 of 16: an ETX of 5, which is beyond 4. At 1030 ms it is cheaper than 3, but frames have little chance.
	if n := h.of(2); n.ETX128 < 630 || n.ETX128 > 640 || n.Serves {
		t.Errorf("nothing gets there: %+v", n)
	}
	h.wantParent(3)
	h.now += 8 * time.Hour // 8 half-lives: of the 16 lost there is a sixteenth left, ETX 65/64
	h.beacon(2, 0)
	h.wantParent(2)
	if got := h.of(2).ETX128; got < 128 || got > 131 {
		t.Errorf("8 h later ETX*128 = %d, want 130", got)
	}
}

// A frame's first try alone counts for the link: the later ones fail and succeed with it. Each counts as a sign of life.
func TestFirstTries(t *testing.T) {
	h := newHand(t, func(c *Config) { c.Window, c.Prior, c.Deaf = 16, 4, 5 })
	h.beacon(2, 0)
	for try := 1; try <= 4; try++ {
		h.NoHopAck(h.now, 2, try)
		// 0 of 1, and 4 expected of 4.
		if n := h.of(2); n.ETX128 != 160 || n.Silent != try {
			t.Errorf("after %d tries: ETX*128 = %d, want 160; silent %d", try, n.ETX128, n.Silent)
		}
	}
	h.HopAck(h.now, 2, proto.NoRSSI, proto.NoSNR, 5)
	if n := h.of(2); n.ETX128 != 160 || n.Silent != 0 {
		t.Errorf("acknowledged at the fifth try: %+v", n)
	}
	h.HopAck(h.now, 2, proto.NoRSSI, proto.NoSNR, 1)
	// 15/16 lost, 1 acknowledged, and 4 expected of 4: 5.9375/5.
	if got := h.of(2).ETX128; got != 152 {
		t.Errorf("acknowledged at the first try: ETX*128 = %d, want 152", got)
	}
}

// Rayleigh fading: a signal of so many dB above the limit in the mean is above it for exp(-10^(-M/10)) of the time. 10 dB: 90.5 %.
func TestExpected(t *testing.T) {
	for _, c := range []struct{ margin, want float64 }{{0, 0.36788}, {10, 0.90484}, {20, 0.99005}, {-10, 0.0000454}, {math.NaN(), 1}} {
		if got := expected(c.margin); math.Abs(got-c.want) > 0.00001 {
			t.Errorf("expected(%v) = %v, want %v", c.margin, got, c.want)
		}
	}
	// One frame heard, and what is expected counts as four: (1 + 4 * 0.36788) / 5 = 0.4943 each way, ETX 4.093; and so on.
	for _, c := range []struct {
		margin float64
		want   uint16
	}{{0, 524}, {10, 150}, {20, 130}} {
		h := newHand(t, func(c *Config) { c.Prior = 4 })
		h.beaconAt(2, 0, c.margin)
		if got := h.of(2).ETX128; got != c.want {
			t.Errorf("first frame at %v dB: ETX*128 = %d, want %d", c.margin, got, c.want)
		}
	}
}

// One frame that came from the gateway by a lucky moment is no way where there is a good one by a relay, in whatever order they are
// heard; and is none even where there is no other, if it was hardly heard.
func TestLuckyFrame(t *testing.T) {
	// The relay is 10 dB above the limit, as the gateway is to it: 150/128 = 1.172 trips each, 242 + 242 ms.
	h := newHand(t, nil)
	h.beaconAt(2, 242, 10)
	h.wantParent(2)
	h.beaconAt(gateway, 0, 1)
	h.wantParent(2)
	if h.Distance() != 484 {
		t.Errorf("distance %d, want 484", h.Distance())
	}
	// At 1 dB: (1 + 4 * 0.45186) / 5 = 0.56149 each way, ETX 3.172, 654 ms.
	if n := h.of(gateway); n.Cost < 650 || n.Cost > 658 {
		t.Errorf("the gateway at 1 dB: %+v", n)
	}
	h = newHand(t, nil)
	h.beaconAt(gateway, 0, 0) // ETX 4.093
	h.wantParent(0)
	h.beaconAt(2, 242, 10)
	h.wantParent(2)
}

// Nobody is refused by a few values, and each way is judged by its own: the first word of how a neighbour hears this node is one.
func TestJudge(t *testing.T) {
	h := newHand(t, func(c *Config) { c.Judge = 3 })
	for i, refused := range []bool{false, false, true} {
		h.beaconAt(2, 0, 2) // below the floor of 3 dB
		if h.find(2).refused != refused {
			t.Errorf("%d values of 2 dB: refused %v", i+1, !refused)
		}
	}
	h = newHand(t, func(c *Config) { c.Judge = 3 })
	for range 10 {
		h.beaconAt(2, 0, 20)
	}
	for i, refused := range []bool{false, false, true} {
		h.HopAck(h.now, 2, proto.NoRSSI, snrOf(2), 1)
		if h.find(2).refused != refused {
			t.Errorf("heard there %d times at 2 dB, here well: refused %v", i+1, !refused)
		}
	}
	h = newHand(t, nil)
	for range int(h.Judge) - 1 {
		h.beaconAt(2, 0, 2)
	}
	if h.Judge < 4 || h.find(2).refused {
		t.Errorf("by default refused after %v values", h.Judge-1)
	}
}

// The worse direction counts, the mean moves by Smooth once there are enough values, and the floor has two edges.
func TestFloor(t *testing.T) {
	h := newHand(t, func(c *Config) { c.Smooth, c.Judge, c.Floor, c.Return = 0.25, 1, 3, 2 })
	for _, c := range []struct {
		margin, mean float64
		refused      bool
	}{
		{2, 2, true},
		{4, 3, true},              // the plain mean of two, of three and of four
		{6, 4, true},              // above the floor, not yet back
		{6, 4.5, true},            //
		{6, 4.875, true},          // 4.5 + 1.5/4
		{5.5, 5.03125, false},     // 4.875 + 0.625/4
		{-3, 3.0234375, false},    // 5.03125 - 8.03125/4
		{2.75, 2.955078125, true}, // 3.0234375 - 0.2734375/4
	} {
		h.beaconAt(2, 0, c.margin)
		if n := h.of(2); n.Margin != c.mean || n.Serves == c.refused {
			t.Errorf("margin of %v dB: mean %v, serves %v; want %v, %v", c.margin, n.Margin, n.Serves, c.mean, !c.refused)
		}
	}
	h.beaconAt(2, 0, 20)
	h.HopAck(h.now, 2, proto.NoRSSI, snrOf(2.75), 1)
	if n := h.of(2); n.Margin != 2.75 || n.Serves {
		t.Errorf("heard there worse than here: %+v", n)
	}
	n := newHand(t, nil) // nothing is known against a modem that does not measure
	n.Hear(0, Heard{3, proto.NoRSSI, proto.NoSNR}, proto.TypeBeacon, 1, 0)
	n.wantParent(3)
}
