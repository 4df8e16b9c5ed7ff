package health

import (
	"math/rand/v2"
	"testing"
	"time"

	"longlane/proto"
	radionode "longlane/radio/node"
)

// sending is a frame of a check-in: when it goes out, and when it was sealed, in s since the node sent the last that was answered.
type sending struct{ at, sealed float64 }

// habit is how the nodes of radio/node check in: of each of many, all that it sends once its last answer has come and no other does. The
// next answer puts it back to where it began.
type habit [][]sending

// habits is of how many nodes one is recorded.
const habits = 400

// recordHabit runs real nodes, each of which is answered once.
func recordHabit(t *testing.T, period time.Duration) (h habit) {
	t.Helper()
	for seed := range uint64(habits) {
		h = append(h, recordNode(t, period, seed))
	}
	return h
}

func recordNode(t *testing.T, period time.Duration, seed uint64) (sent []sending) {
	t.Helper()
	key := make([]byte, proto.KeySize)
	keys, err := proto.NewKeys(key)
	if err != nil {
		t.Fatal(err)
	}
	n, err := radionode.New(radionode.Config{Site: 1, Node: 10, Gen: 1, Key: key, Seed: seed, CheckIn: period}, radionode.FirstSaved(), 0)
	if err != nil {
		t.Fatal(err)
	}
	const way = 200 * time.Millisecond // a frame and its receipt
	var in []radionode.Input
	var answered, sealed, now time.Duration
	counter := uint32(0)
	for answered == 0 || now < answered+max(4*period, 20*time.Minute) {
		var next radionode.Input
		if len(in) > 0 {
			next, in = in[0], in[1:]
		}
		out, wake := n.Step(now, next)
		for _, o := range out {
			switch o := o.(type) {
			case radionode.Transmit:
				in = append(in, radionode.TxDone{})
				if o.Type != proto.TypeCheckIn {
					t.Fatalf("it sends a %v", o.Type)
				}
				if o.Counter != counter {
					counter, sealed = o.Counter, now
				}
				if answered != 0 {
					sent = append(sent, sending{(now - answered).Seconds(), (sealed - answered).Seconds()})
					continue
				}
				receipt, err := proto.Seal(nil, keys, proto.Header{Type: proto.TypeCheckInReceipt, HopsLeft: proto.MaxHops, Site: 1, Node: 10, Gen: 1,
					Counter: o.Counter, Epoch: 1, Number: 1}, &proto.Receipt{Time: proto.EncodeGatewayTime(now)})
				if err != nil {
					t.Fatal(err)
				}
				answered, in = now, append(in, radionode.Received{Frame: receipt, RSSI: -90, SNR: 5})
			case radionode.Persist:
				in = append(in, radionode.Stored{})
			}
		}
		switch {
		case answered == now && len(in) > 0: // its receipt takes its time
			now += way
		case len(in) == 0:
			now = max(wake, now+time.Millisecond)
		}
	}
	return sent
}

// TestHabit: what is recorded are check-ins that each begin a period in time, and stop when the node is answered.
func TestHabit(t *testing.T) {
	const period = 15 * time.Minute
	for _, sent := range recordHabit(t, period) {
		if first := sent[0].at; first < 0.85*period.Seconds() || first > 0.99*period.Seconds()+1 {
			t.Errorf("the first after an answer comes after %.1f s, want 0.85 to 0.99 periods", first)
		}
		if last := sent[len(sent)-1].at; last < 3*period.Seconds() {
			t.Errorf("the last comes after %.1f s, and the record is of four periods", last)
		}
	}
}

// draw gives one node's.
func (h habit) draw(r *rand.Rand) []sending { return h[r.IntN(len(h))] }
