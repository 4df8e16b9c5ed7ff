package health

import (
	"testing"
	"time"

	"longlane/proto"
	radionode "longlane/radio/node"
)

// TestHabit: a real node that gets no answer checks in as habits has it. The few repeats within two seconds that each check-in has are
// left out there: bursts are longer.
func TestHabit(t *testing.T) {
	const period = 15 * time.Minute
	n, err := radionode.New(radionode.Config{Site: 1, Node: 10, Gen: 1, Key: make([]byte, proto.KeySize), Seed: 3, CheckIn: period},
		radionode.FirstSaved(), 0)
	if err != nil {
		t.Fatal(err)
	}
	var in []radionode.Input
	var sent []time.Duration // each check-in's first time
	counter := uint32(0)
	for now := time.Duration(0); now < 24*time.Hour; {
		var next radionode.Input
		if len(in) > 0 {
			next, in = in[0], in[1:]
		}
		out, wake := n.Step(now, next)
		for _, o := range out {
			switch o := o.(type) {
			case radionode.Transmit:
				if o.Counter != counter {
					counter = o.Counter
					sent = append(sent, now)
				}
				in = append(in, radionode.TxDone{})
			case radionode.Persist:
				in = append(in, radionode.Stored{})
			}
		}
		if len(in) == 0 {
			now = max(wake, now+time.Millisecond)
		}
	}
	h := habits[0]
	const slack = 3.0 // s, for the repeats
	groups, first := 0, sent[0]
	for i := 1; i < len(sent); i++ {
		gap, try := (sent[i] - sent[i-1]).Seconds(), (i-1)%(len(h.pauses)+1)
		low, high := period.Seconds()*0.85, period.Seconds()*0.99
		if try < len(h.pauses) {
			low, high = h.pauses[try]*0.75, h.pauses[try]*1.25
		} else {
			if h.fromFirst {
				gap = (sent[i] - first).Seconds()
			}
			first = sent[i]
			groups++
		}
		if gap < low-slack || gap > high+slack {
			t.Errorf("check-in %d came after %.1f s, want %.1f to %.1f", i, gap, low, high)
		}
	}
	if groups < 90 {
		t.Errorf("%d periods in a day", groups)
	}
}
