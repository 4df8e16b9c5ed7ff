package route

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// TrickleConfig is when beacons go. Names as in RFC 6206, section 4.1.
type TrickleConfig struct {
	Imin      time.Duration // the shortest interval, 1 ms or more
	Doublings int           // how often it may double, 0 to 30
	K         int           // beacons heard in an interval that make one's own needless; 0: none do
}

// Imax is the longest interval, Imin * 2^Doublings.
func (c TrickleConfig) Imax() time.Duration { return c.Imin << c.Doublings }

// longestInterval keeps sums of times far from overflow. RFC 6550's default, 2.33 h, is well within.
const longestInterval = 30 * 24 * time.Hour

// Check names what is wrong with c.
func (c TrickleConfig) Check() error {
	switch {
	case c.Imin < time.Millisecond || c.Imin > longestInterval:
		return fmt.Errorf("shortest interval between beacons of %v: expected 1 ms to %v", c.Imin, longestInterval)
	case c.Doublings < 0 || c.Doublings > 30:
		return fmt.Errorf("%d doublings of the interval between beacons: expected 0 to 30", c.Doublings)
	case c.Imin > longestInterval>>c.Doublings:
		return fmt.Errorf("shortest interval between beacons of %v, doubled %d times: expected no more than %v", c.Imin, c.Doublings, longestInterval)
	case c.K < 0:
		return fmt.Errorf("%d beacons that make one's own needless: expected 0 or more", c.K)
	}
	return nil
}

// Trickle is the timer of RFC 6206, section 4.2: while all agree it fires less and less often, down to once in Imax; when
// something does not agree it starts again at Imin, so that news travel in seconds.
type Trickle struct {
	TrickleConfig
	rand     *rand.Rand
	interval time.Duration // I
	ends     time.Duration // when I is over
	at       time.Duration // t: when the timer fires, if it does; not before the middle, so that others are heard first
	passed   bool          // t is over
	heard    int           // c
}

// NewTrickle starts a timer at now, with the shortest interval, which is within RFC 6206's step 1: a node that comes up
// has news. seed must differ from node to node, or neighbours that start together send together.
func NewTrickle(c TrickleConfig, seed uint64, now time.Duration) (*Trickle, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	t := &Trickle{TrickleConfig: c, rand: rand.New(rand.NewPCG(seed, 0x7269636b6c65))}
	t.begin(now, c.Imin)
	return t, nil
}

// begin is step 2.
func (t *Trickle) begin(now, interval time.Duration) {
	t.interval, t.ends, t.passed, t.heard = interval, now+interval, false, 0
	half := interval / 2
	t.at = now + half + time.Duration(t.rand.Int64N(int64(interval-half)))
}

// Consistent is step 3: something has been heard that says what this node would say.
func (t *Trickle) Consistent() { t.heard++ }

// Inconsistent is step 6: something does not agree. Step must be called after it, since the wake that it gave is over.
func (t *Trickle) Inconsistent(now time.Duration) {
	if t.interval > t.Imin {
		t.begin(now, t.Imin)
	}
}

// Step is steps 4 and 5. It reports whether a beacon is to go now, and when to call again. A call that comes late fires
// at most once, and the next interval then begins at the call: a node that has slept for a year does not send a year's
// beacons.
func (t *Trickle) Step(now time.Duration) (fire bool, wake time.Duration) {
	if !t.passed && now >= t.at {
		t.passed = true
		fire = t.K == 0 || t.heard < t.K
	}
	if now >= t.ends {
		t.begin(now, min(2*t.interval, t.Imax()))
	}
	if t.passed {
		return fire, t.ends
	}
	return fire, t.at
}
