package route

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

func newTrickle(t *testing.T, c TrickleConfig, seed uint64) *Trickle {
	t.Helper()
	tr, err := NewTrickle(c, seed, 0)
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

// Published figures of the timer.
func TestTrickleFigures(t *testing.T) {
	for _, c := range []struct {
		source string
		TrickleConfig
		imax time.Duration
	}{
		// Imin 100 ms, Imax 16 doublings: 100 ms * 65,536.
		{"RFC 6206, section 4.1", TrickleConfig{100 * time.Millisecond, 16, 1}, 6553600 * time.Millisecond},
		// DEFAULT_DIO_INTERVAL_MIN 3 (2^3 ms), DEFAULT_DIO_INTERVAL_DOUBLINGS 20: 2.33 h, DEFAULT_DIO_REDUNDANCY_CONSTANT 10.
		{"RFC 6550, section 17", TrickleConfig{8 * time.Millisecond, 20, 10}, 8388608 * time.Millisecond},
	} {
		if got := c.Imax(); got != c.imax {
			t.Errorf("%s: Imax = %v, want %v", c.source, got, c.imax)
		}
		tr := newTrickle(t, c.TrickleConfig, 1)
		var now time.Duration
		for i := range c.Doublings + 3 { // all that lasts, and two more, which do not grow
			if want := c.Imin << min(i, c.Doublings); tr.interval != want || tr.ends != now+want {
				t.Fatalf("%s: interval %d is %v and ends at %v, want %v from %v on", c.source, i, tr.interval, tr.ends, want, now)
			}
			now = tr.ends
			tr.Step(now)
		}
	}
}

// Rules of RFC 6206, section 4.2, on random lives: the timer is called when it asks, hears things and is reset at random.
func TestTrickleRules(t *testing.T) {
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 6206))
		c := TrickleConfig{Imin: time.Duration(1+r.IntN(5000)) * time.Millisecond, Doublings: r.IntN(8), K: r.IntN(4)}
		tr := newTrickle(t, c, seed)
		var now, start time.Duration
		length, heard, fires := c.Imin, 0, 0
		for range 300 {
			_, wake := tr.Step(now)
			if wake <= now {
				t.Fatalf("seed %d: at %v it asks for %v", seed, now, wake)
			}
			if r.IntN(3) == 0 { // something happens before
				now += time.Duration(r.Int64N(int64(wake - now)))
				if r.IntN(4) > 0 {
					tr.Consistent()
					heard++
					continue
				}
				tr.Inconsistent(now)
				if length > c.Imin { // else it goes on as it was
					start, length, heard, fires = now, c.Imin, 0, 0
				}
				continue
			}
			now = wake
			end := start + length
			fire, _ := tr.Step(now)
			if now < end {
				if now < start+length/2 {
					t.Fatalf("seed %d: t is %v into an interval of %v: not in [I/2, I)", seed, now-start, length)
				}
				if want := c.K == 0 || heard < c.K; fire != want {
					t.Fatalf("seed %d: heard %d of %d, fires %v", seed, heard, c.K, fire)
				}
				fires++
				if fires > 1 {
					t.Fatalf("seed %d: t comes twice in one interval", seed)
				}
				continue
			}
			if now != end || fires != 1 || fire {
				t.Fatalf("seed %d: an interval from %v to %v ended at %v, t came %d times, and it fired %v at its end", seed, start, end, now, fires, fire)
			}
			start, length, heard, fires = now, min(2*length, c.Imin<<c.Doublings), 0, 0
		}
	}
}

// t is spread evenly over the second half: of 20,000 none of ten equal parts has more than 5 standard deviations too many.
func TestTrickleSpread(t *testing.T) {
	const n, seed = 20000, 42
	tr := newTrickle(t, TrickleConfig{Imin: time.Second}, seed)
	var parts [10]int
	var now time.Duration
	for range n {
		_, at := tr.Step(now)
		into := at - now
		if into < time.Second/2 || into >= time.Second {
			t.Fatalf("seed %d: t = %v", seed, into)
		}
		parts[(into-time.Second/2)*10/(time.Second/2)]++
		now = tr.ends
		tr.Step(now)
	}
	for i, got := range parts {
		if off := math.Abs(float64(got) - n/10); off > 5*math.Sqrt(n*0.1*0.9) {
			t.Errorf("seed %d: part %d has %d of %d", seed, i, got, n)
		}
	}
}

func TestTrickleLate(t *testing.T) {
	tr := newTrickle(t, TrickleConfig{Imin: time.Second, Doublings: 3, K: 1}, 1)
	fire, wake := tr.Step(24 * time.Hour)
	if again, _ := tr.Step(24 * time.Hour); !fire || again {
		t.Errorf("after a day's sleep: fires %v, then %v; want once", fire, again)
	}
	if wake < 24*time.Hour+time.Second || wake >= 24*time.Hour+2*time.Second || tr.interval != 2*time.Second {
		t.Errorf("the next t is %v in an interval of %v", wake, tr.interval)
	}
}

func TestTrickleConfig(t *testing.T) {
	good := TrickleConfig{time.Second, 7, 10}
	for _, change := range []func(*TrickleConfig){
		func(c *TrickleConfig) { c.Imin = 0 },
		func(c *TrickleConfig) { c.Imin = 31 * 24 * time.Hour; c.Doublings = 0 },
		func(c *TrickleConfig) { c.Doublings = -1 },
		func(c *TrickleConfig) { c.Doublings = 31 },
		func(c *TrickleConfig) { c.Doublings = 22 },
		func(c *TrickleConfig) { c.K = -1 },
	} {
		c := good
		change(&c)
		if _, err := NewTrickle(c, 0, 0); err == nil {
			t.Errorf("%+v was taken", c)
		}
	}
	if err := good.Check(); err != nil {
		t.Error(err)
	}
}
