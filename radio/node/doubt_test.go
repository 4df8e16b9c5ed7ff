package node

import (
	"slices"
	"testing"
	"time"

	"longlane/proto"
)

// court is a bench with a gateway that answers from some attempt on, and somebody who throws back all that the node sends with a
// relay's record, as one who has it does.
type court struct {
	*bench
	takes   bool
	later   bool   // takes but first attempts
	from    uint16 // the first attempt that is answered
	firsts  []uint16
	started map[uint32]time.Duration
	took    []time.Duration // from the first sending to the answer
}

func newCourt(t *testing.T) *court {
	c := &court{bench: newBench(t, Config{Inputs: []InputConfig{{}}, CheckIn: 12 * time.Hour}), started: map[uint32]time.Duration{}}
	c.run(10 * time.Second)
	return c
}

func (c *court) run(d time.Duration) {
	c.t.Helper()
	end, n := c.now+d, len(c.sent)
	for {
		next := min(c.boot+c.wake, c.txEnd)
		if next > end {
			break
		}
		if c.until(next); len(c.sent) == n || c.txEnd != never {
			continue
		}
		n = len(c.sent)
		f := c.lastSent()
		event := f.raw.Type.Event()
		if event && c.started[f.full] == 0 {
			c.started[f.full] = f.at
			c.firsts = append(c.firsts, f.raw.Attempt)
		}
		if c.takes && !(c.later && f.raw.Attempt == 0) {
			echo, err := proto.AppendHop(f.raw.Append(nil), c.keys, proto.Hop{Relay: 99, Gen: 1})
			if err != nil {
				c.t.Fatal(err)
			}
			c.receive(echo)
		}
		if !event || f.raw.Attempt >= c.from {
			c.until(c.now + 100*time.Millisecond)
			if event && c.n.heldAt(f.full) >= 0 {
				c.took = append(c.took, c.now-c.started[f.full])
			}
			c.answer(f)
		}
	}
	c.until(end)
}

// visits closes the contact so often, once in five minutes: two events each.
func (c *court) visits(times int) (firsts []uint16) {
	c.t.Helper()
	c.firsts, c.took = nil, nil
	for range times {
		c.edge(0, true)
		c.run(2*time.Minute + 30*time.Second)
		c.edge(0, false)
		c.run(2*time.Minute + 30*time.Second)
	}
	return c.firsts
}

// TestDoubt: a node whose first attempts are taken and kept waits for three events, then begins with the attempts that all send
// on, tries anew at once whoever says that he has a frame, and asks again after 15 minutes, half an hour, an hour, with
// one event each. When first attempts are answered again it goes back to them.
func TestDoubt(t *testing.T) {
	c := newCourt(t)
	c.takes = true
	if got := c.visits(20); !slices.Equal(got, make([]uint16, 40)) {
		t.Errorf("in peace the first attempts are %v", got)
	}
	c.from = 1
	got := c.visits(100) // of 200 events one in 150 s
	for i, attempt := range got {
		// The third is answered some seconds after it was made, and 15 min later comes the 10th, 30 min later the 22nd, then 1, 2 and 4 h.
		want := uint16(1)
		if i < 3 || slices.Contains([]int{9, 22, 47, 96, 193}, i) {
			want = 0
		}
		if attempt != want {
			t.Errorf("event %d of those whose first attempt is kept begins with attempt %d, want %d", i+1, attempt, want)
		}
	}
	c.from = 0
	c.run(longestDoubt)
	if got := c.visits(2); !slices.Equal(got, []uint16{0, 0, 0, 0}) {
		t.Errorf("once the liar is gone it begins with attempts %v", got)
	}

	c = newCourt(t)
	c.takes, c.from = true, 1
	c.visits(2)
	c.from = 3
	if got := c.visits(1); !slices.Equal(got, []uint16{1, 1}) || slices.Max(c.took) > 5*time.Second {
		t.Errorf("attempts %v, and from the first to the third it took %v", got, c.took)
	}
}

// TestNoDoubt: that frames are lost, or that the gateway was away, is no reason.
func TestNoDoubt(t *testing.T) {
	c := newCourt(t)
	c.from = 1 // and nobody says that he has the first
	if got := c.visits(10); !slices.Equal(got, make([]uint16, 20)) {
		t.Errorf("first attempts that nobody has taken: it begins with %v", got)
	}
	c.takes, c.later = true, true
	if got := c.visits(10); !slices.Equal(got, make([]uint16, 20)) {
		t.Errorf("second attempts that somebody has taken: it begins with %v", got)
	}
	c.later = false
	for i := range 20 { // of three one is answered
		c.from = 1
		if i%3 == 2 {
			c.from = 0
		}
		c.edge(0, i%2 == 0)
		c.run(time.Minute)
	}
	if got := c.firsts[20:]; !slices.Equal(got, make([]uint16, 20)) {
		t.Errorf("two of three kept: it begins with %v", got)
	}
	c.from = 10000
	c.visits(10)
	c.from = 0
	if got := c.visits(10); !slices.Equal(got, make([]uint16, 20)) || c.n.Held() != 0 {
		t.Errorf("after the gateway was away it begins with %v; %d held", got, c.n.Held())
	}
}
