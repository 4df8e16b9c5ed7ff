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

// beacon hears one with 5 dB of margin, a second after what came before.
func (h *hand) beacon(id uint8, distance uint16) Effect { return h.beaconAt(id, distance, 5) }

func (h *hand) beaconAt(id uint8, distance uint16, margin float64) Effect {
	h.now += time.Second
	h.counter[id]++
	snr := proto.EncodeSNR(margin + lora.RequiredSNR(9))
	return h.Hear(h.now, Heard{id, proto.NoRSSI, snr}, proto.TypeBeacon, h.counter[id], distance)
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
	h := newHand(t, nil)
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
	after := h.of(2).Reverse
	if after < 0.6 || after > 0.7 {
		t.Errorf("two heard of three: reverse %v", after)
	}
	hear(12+DefaultGap+2, 100) // more than the greatest gap: it has restarted
	if got := h.of(2).Reverse; got < after {
		t.Errorf("a restart was counted as loss: reverse %v after %v", got, after)
	}
	hear(12+2*DefaultGap+3, 100) // the greatest gap
	if got := h.of(2).Reverse; got > 0.4 {
		t.Errorf("a gap of %d was not counted as loss: reverse %v", DefaultGap, got)
	}
}

// DefaultGap is that of Defaults.
const DefaultGap = 16

// A neighbour without acknowledgements is left, comes back when it is heard, and a bad link is forgiven in time.
func TestDeafAndForgiven(t *testing.T) {
	h := newHand(t, func(c *Config) { c.Lifetime = 100 * time.Hour })
	h.beacon(2, 0)
	for range 2 * h.Deaf { // never in a row
		h.HopAck(h.now, 2, proto.NoRSSI, proto.NoSNR, 1)
		h.NoHopAck(h.now, 2, 1)
		h.wantParent(2)
	}
	h.find(2).acks, h.find(2).silent = tally{}, 0
	for i := range h.Deaf {
		h.wantParent(2)
		h.NoHopAck(h.now, 2, 1)
		if i == 0 {
			if got := h.of(2).ETX128; got != 160 { // Prior 4 of 4, and 0 of 1: 5/4
				t.Errorf("after one loss ETX*128 = %d, want 160", got)
			}
		}
	}
	h.wantParent(0)
	h.beacon(2, 0)
	h.wantParent(2)
	for range 100 {
		h.NoHopAck(h.now, 2, 1)
		h.beacon(2, 0)
	}
	h.wantParent(0) // it is heard, but does not hear
	h.now += 8 * time.Hour
	h.Tell(h.now)
	h.beacon(2, 0)
	h.wantParent(2)
}

// The worse direction counts, the mean moves by a quarter, and the floor has two edges.
func TestFloor(t *testing.T) {
	h := newHand(t, nil)
	h.beaconAt(2, 0, 2.75)
	h.wantParent(0)
	for _, margin := range []float64{4, 5, 6, 6} { // means 3.06, 3.55, 4.16, 4.62: above the floor, not yet back
		h.beaconAt(2, 0, margin)
		h.wantParent(0)
	}
	h.beaconAt(2, 0, 7) // 5.2
	h.wantParent(2)
	h.beaconAt(2, 0, -3) // 3.2
	h.wantParent(2)
	h.HopAck(h.now, 2, proto.NoRSSI, proto.EncodeSNR(2.75-12.5), 1)
	h.wantParent(0)
	if got := h.of(2).Margin; got != 2.75 {
		t.Errorf("margin %v, want the worse direction's 2.75", got)
	}
	n := newHand(t, nil) // nothing is known against a modem that does not measure
	n.Hear(0, Heard{3, proto.NoRSSI, proto.NoSNR}, proto.TypeBeacon, 1, 0)
	n.wantParent(3)
}
