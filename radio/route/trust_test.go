package route

import (
	"math/rand/v2"
	"testing"
	"time"

	"longlane/proto"
)

// send gives a frame to the first way; honest ones bring a receipt with that chance. It returns whom.
func (h *hand) send(r *rand.Rand, chance float64, liars ...uint8) uint8 {
	h.t.Helper()
	ways := h.Ways(h.now)
	if len(ways) == 0 {
		return 0
	}
	via := ways[0].ID
	h.HopAck(h.now, via, proto.NoRSSI, proto.NoSNR, 1)
	for _, l := range liars {
		if via == l {
			h.NoReceipt(h.now, via)
			return via
		}
	}
	if r.Float64() < chance {
		h.Receipt(h.now, via)
	} else {
		h.NoReceipt(h.now, via)
	}
	return via
}

// A liar that is heard well, tells any distance with any counter, and acknowledges all, gets Suspect frames, then none
// for an hour, and then one each time it comes back from a demotion twice as long as the last: at most 8 of the 96 frames of a day.
func TestLiarIsLeft(t *testing.T) {
	const liar = 9
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 48))
		h := newHand(t, nil)
		h.beacon(2, 1000)
		h.beacon(3, 1200)
		h.Tell(h.now)
		got, run := 0, 0
		for frame := range 96 {
			for range 3 {
				h.beacon(2, 1000)
				h.beacon(3, 1200)
				h.counter[liar] += r.Uint32N(1 << 20)
				h.beacon(liar, []uint16{0, 0, uint16(r.IntN(2000)), proto.NoDistance}[r.IntN(4)])
				h.Tell(h.now)
			}
			h.now += 15 * time.Minute
			if h.send(r, 1, liar) == liar {
				got, run = got+1, run+1
			} else {
				run = 0
			}
			if run > h.Suspect || got > 8 {
				t.Fatalf("seed %d: of %d frames the liar got %d, %d in a row", seed, frame+1, got, run)
			}
			if got == h.Suspect && run == 0 && frame < 8 { // left, and another has brought a receipt
				if id, _ := h.Parent(); id == liar {
					t.Fatalf("seed %d: after %d frames the liar is the parent still", seed, frame+1)
				}
			}
		}
	}
}

// The first demotion, step by step. Frames go round the liar at once, uphill too.
func TestDemotion(t *testing.T) {
	h := newHand(t, nil)
	r := rand.New(rand.NewPCG(1, 1))
	h.beacon(9, 0)
	h.beacon(2, 1000)
	h.Tell(h.now) // 206
	for i, want := range []uint8{9, 9, 9, 2} {
		h.wantParent(9)
		if got := h.send(r, 1, 9); got != want {
			t.Errorf("frame %d went through %d, want %d", i, got, want)
		}
	}
	h.wantParent(0) // 2 may be a child that believes in the liar through this node: HoldDown first
	if got := h.send(r, 1, 9); got != 2 || !h.of(9).Demoted {
		t.Errorf("then through %d; demoted %v", got, h.of(9).Demoted)
	}
	for i, long := range []time.Duration{time.Hour, 2 * time.Hour, 4 * time.Hour} {
		h.now = h.trust[9].until - time.Second - 1 // beacon takes a second
		if i > 0 && h.trust[9].until-h.now != time.Second+1 {
			t.Fatal("the demotion is over")
		}
		h.beacon(2, 1000)
		h.beaconKeepsTime(9, 0)
		if !h.of(9).Demoted {
			t.Errorf("demotion %d of %v: over too early", i, long)
		}
		if wake := h.Step(h.now); wake > h.trust[9].until {
			t.Errorf("demotion %d: wake at %v, it ends at %v", i, wake, h.trust[9].until)
		}
		h.now++
		h.Step(h.now)
		if h.of(9).Demoted {
			t.Errorf("demotion %d of %v: not over", i, long)
		}
		if got := h.send(r, 1, 9); got != 9 {
			t.Errorf("on probation: through %d", got)
		}
		if got := h.send(r, 1, 9); got != 2 || !h.of(9).Demoted {
			t.Errorf("after one more frame: through %d, demoted %v", got, h.of(9).Demoted)
		}
		if got := h.trust[9].until - h.now; got != 2*long {
			t.Errorf("the next demotion lasts %v, want %v", got, 2*long)
		}
	}
	for range 20 {
		h.demote(h.now, &h.trust[9])
	}
	if got := h.trust[9].until - h.now; got != h.LongestDemotion {
		t.Errorf("demoted for %v, want at most %v", got, h.LongestDemotion)
	}
	h.Receipt(h.now, 9)
	if h.of(9).Demoted {
		t.Error("demoted in spite of a receipt")
	}
	for range 40 { // as many receipts as demotions: all is forgiven
		h.Receipt(h.now, 9)
	}
	h.demote(h.now, &h.trust[9])
	if got := h.trust[9].until - h.now; got != h.Demotion {
		t.Errorf("after many receipts demoted for %v, want %v", got, h.Demotion)
	}
}

func (h *hand) beaconKeepsTime(id uint8, distance uint16) {
	h.now -= time.Second
	h.beacon(id, distance)
}

// While no way brings receipts nobody is to blame: all are tried, Suspect frames each, nobody is demoted, and the first receipt
// clears all.
func TestOutageBlamesNobody(t *testing.T) {
	h := newHand(t, nil)
	r := rand.New(rand.NewPCG(1, 1))
	h.beacon(2, 100)
	h.beacon(3, 150)
	h.beacon(4, 900) // uphill
	h.Tell(h.now)
	for i, want := range []uint8{2, 2, 2, 3, 3, 3, 4, 4, 4, 2, 2, 2, 3, 3, 3} {
		if got := h.send(r, 0); got != want {
			t.Errorf("frame %d went through %d, want %d", i, got, want)
		}
	}
	h.wantParent(2)
	h.send(r, 1)
	for _, n := range h.List(h.now) {
		if n.Demoted || n.Unproven != 0 {
			t.Errorf("after the outage: %+v", n)
		}
	}
	if got := h.send(r, 1); got != 2 {
		t.Errorf("then through %d", got)
	}
}

// A demoted one is tried again when all others fail: it may have been blamed wrongly.
func TestDemotedIsNotLeftOut(t *testing.T) {
	h := newHand(t, nil)
	r := rand.New(rand.NewPCG(1, 1))
	h.beacon(2, 100)
	h.beacon(3, 150)
	h.demote(h.now, &h.trust[2])
	for range (demotedDoubt + 1) * h.Suspect {
		if got := h.send(r, 0); got != 3 {
			t.Fatalf("through %d", got)
		}
	}
	if got := h.send(r, 1); got != 2 {
		t.Errorf("through %d, want the demoted one", got)
	}
}

// A stolen node speaks as another: it can drive frames off, for as long as it goes on and a Lifetime more.
func TestForgedCounterHeals(t *testing.T) {
	h := newHand(t, nil)
	h.beacon(2, 100)
	h.Hear(h.now, Heard{2, proto.NoRSSI, proto.NoSNR}, proto.TypeBeacon, 1<<32-1, proto.NoDistance)
	h.wantParent(0)
	forged := h.now
	for h.now < forged+h.Lifetime-time.Minute {
		if h.beacon(2, 100) != Replayed {
			t.Fatal("a counter went back")
		}
		h.now += time.Minute
	}
	h.now = forged + h.Lifetime
	h.Step(h.now)
	h.beacon(2, 100)
	h.wantParent(2)
}

// round lets every node send one frame of its own; run counts each one's losses in a row. Who hands on sends to its own first way; the liar hands on nothing.
func (m *mesh) round(run []int) (delivered, sent int) {
	want, _ := m.shortest()
	for _, i := range m.r.Perm(len(m.nodes)) {
		n := m.nodes[i]
		if n.Table == nil || n.lies || want[i] == uint64(proto.NoDistance) {
			continue
		}
		sent++
		first, ok := m.frame(n)
		if run[i]++; ok {
			run[i] = 0
		}
		switch {
		case first == 0:
		case ok:
			n.Receipt(m.now, first)
			delivered++
		default:
			n.NoReceipt(m.now, first)
		}
		n.wake = n.Step(m.now)
		if n.News() {
			n.beacons.Inconsistent(m.now)
			_, n.fire = n.beacons.Step(m.now)
		}
	}
	return delivered, sent
}

// frame follows a frame of n, and tells who took it first.
func (m *mesh) frame(n *member) (first uint8, ok bool) {
	been := map[uint8]bool{}
	for at := n; ; {
		if at.Table == nil {
			return first, true
		}
		if at.lies || been[at.id] || len(been) > proto.MaxHops {
			return first, false
		}
		been[at.id] = true
		ways := at.Ways(m.now)
		for len(ways) > 0 && been[ways[0].ID] { // in the records: it would drop it
			ways = ways[1:]
		}
		if len(ways) == 0 {
			return first, false
		}
		if first == 0 {
			first = ways[0].ID
		}
		at = m.member(ways[0].ID)
	}
}

// A liar anywhere in a mesh, which attracts whoever hears it, and those below them. No node loses more than 12 frames in a row,
// each tried but once; after 12 frames each, a mesh loses at most 15 in 100 (mostly to liars on probation), and all together at most 1 in 100.
func TestLiarInMesh(t *testing.T) {
	const rounds, grace, most = 60, 12, 12
	all, got, worst, longest, attracted := 0, 0, 0.0, 0, 0
	for seed := range uint64(80) {
		m := newMesh(t, seed, nil)
		m.eventually("a way for all", 2*m.c.Beacons.Imax(), m.settled, nil)
		liar := m.nodes[1+m.r.IntN(len(m.nodes)-1)]
		liar.lies = true
		m.forges = func(*member) uint16 { return []uint16{0, 1, uint16(m.r.IntN(3000))}[m.r.IntN(3)] }
		lost, sum := 0, 0
		run := make([]int, len(m.nodes))
		for i := range rounds {
			m.run(m.now+15*time.Minute, nil)
			for _, n := range m.nodes {
				if n.Table != nil && n.parent == liar.id {
					attracted++
				}
			}
			delivered, sent := m.round(run)
			for id, n := range run {
				if longest = max(longest, n); n > most {
					t.Fatalf("%s: %d has lost %d frames in a row to the liar %d", m.name, id, n, liar.id)
				}
			}
			if i >= grace {
				sum, lost = sum+sent, lost+sent-delivered
			}
		}
		all, got, worst = all+sum, got+sum-lost, max(worst, float64(lost)/max(float64(sum), 1))
		if worst > 0.15 {
			t.Fatalf("%s: %d frames of %d were lost after %d each", m.name, lost, sum, grace)
		}
	}
	if attracted == 0 {
		t.Error("nobody was ever attracted: the test shows nothing")
	}
	if float64(got) < 0.99*float64(all) {
		t.Errorf("after %d frames each %d of %d got through", grace, got, all)
	}
	t.Logf("after %d frames each %d of %d got through, in the worst mesh %.1f %%; at most %d in a row were lost", grace, got, all, 100-100*worst, longest)
}
