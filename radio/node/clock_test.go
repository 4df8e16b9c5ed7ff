package node

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"longlane/proto"
)

// TestLateReceipt: a receipt that took seconds on its way must not put the node's clock behind. The gateway would take the time that
// the node's next trips seem to lose for time on their way, and not sound them.
func TestLateReceipt(t *testing.T) {
	b := tripped(t)
	b.broken.radio = true // no other attempt takes the receipt's place
	h, r := b.receiptFor(proto.TypeReceipt, 1, 0)
	b.until(b.now + 8*time.Second)
	b.receive(b.sealed(h, r))
	if got, truth := b.n.clock.Since, time.Hour+b.now; !b.n.clock.known || got < truth || got > truth+9*time.Second {
		t.Errorf("a receipt 8 s old gave the node the time %v, and it is %v", got, truth)
	}
}

// TestClockNeverBehind: receipts of any age leave a clock that drifts as it may between the gateway's time less the drift, and that
// time and the shortest way that any receipt had, with the drift since.
func TestClockNeverBehind(t *testing.T) {
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 1))
		rate := 1 + (2*r.Float64()-1)*0.9*proto.MaxDrift
		local := func(truth time.Duration) time.Duration { return time.Duration(float64(truth) * rate) }
		var c clock
		truth, ahead := time.Hour, time.Duration(0)
		for i := range 100 {
			gap := time.Duration(r.Int64N(int64(12 * time.Hour)))
			out, back := time.Duration(r.Int64N(int64(time.Second)))<<r.IntN(4), time.Duration(r.Int64N(int64(time.Second)))<<r.IntN(4)
			truth += gap + out + back
			sealed := proto.EncodeGatewayTime(truth - back).Since()
			c.set(local(truth), proto.Instant{Epoch: 1, Since: sealed}, local(out+back))
			drift := time.Duration(2 * proto.MaxDrift * float64(gap+out+back))
			if ahead += drift; i == 0 || out+back < ahead {
				ahead = out + back + time.Second/8
			}
			if off := c.Since - truth; off < -drift-time.Millisecond || off > ahead+drift {
				t.Fatalf("seed %d, receipt %d: the clock is %v off, allowed are %v to %v", seed, i, off, -drift, ahead+drift)
			}
		}
	}
}

// TestClockSet: what a second receipt makes of the time that the first one gave.
func TestClockSet(t *testing.T) {
	const s = time.Second
	first := clock{true, proto.Instant{Epoch: 1, Since: 1000 * s}, 50 * s}
	for _, c := range []struct {
		what     string
		sealed   proto.Instant
		way, out time.Duration
	}{
		{"a prompt one", proto.Instant{Epoch: 1, Since: 1009 * s}, s / 2, 1009*s + s/2 + s/16},
		{"one long on its way", proto.Instant{Epoch: 1, Since: 1005 * s}, 9 * s, 1010*s + time.Millisecond},
		{"one that shows that the clock went slow", proto.Instant{Epoch: 1, Since: 1011 * s}, 3 * s, 1011 * s},
		{"one of another epoch", proto.Instant{Epoch: 2, Since: 7 * s}, 3 * s, 10*s + s/16},
	} {
		got := first
		got.set(60*s, c.sealed, c.way)
		if want := (clock{true, proto.Instant{Epoch: c.sealed.Epoch, Since: c.out}, 60 * s}); got != want {
			t.Errorf("%s: %s, want %s", c.what, fmt.Sprint(got), fmt.Sprint(want))
		}
	}
}
