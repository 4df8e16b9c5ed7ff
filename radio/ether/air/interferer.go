package air

import (
	"fmt"
	"math"
	"time"
)

// Interferer is something on the air that is no station: somebody else's radio, a motor, a jammer. It never changes its
// strength.
type Interferer struct {
	// Level is its power at a station's antenna connector, in the bandwidth of whatever is received there, dBm. -Inf:
	// none. It is asked once for each station, by New.
	Level           func(station int) float64
	SpreadingFactor int           // 5 to 12, of the bandwidth of what it disturbs; 0: plain noise
	Channel         int           // the channel that it is on,
	Everywhere      bool          // or all
	From, To        time.Duration // it is on the air at no other time; To 0: for ever
	// Burst and Duty: in each period of Burst/Duty there is one burst of this length, somewhere in it. Burst 0: all the
	// time.
	Burst time.Duration // at least 1 ms
	Duty  float64       // above 0, up to 1
}

func (in Interferer) check() error {
	switch sf := in.SpreadingFactor; {
	case in.Level == nil:
		return fmt.Errorf("no level: expected a function that gives its power at each station")
	case sf != 0 && (sf < firstFactor || sf > lastFactor):
		return fmt.Errorf("spreading factor %d: expected %d to %d, or 0 for noise", sf, firstFactor, lastFactor)
	case in.From < 0 || in.To != 0 && in.To <= in.From:
		return fmt.Errorf("from %v to %v: expected a beginning and a later end, or no end", in.From, in.To)
	case in.Burst != 0 && in.Burst < time.Millisecond:
		return fmt.Errorf("bursts of %v: expected 1 ms or longer, or 0 for all the time", in.Burst)
	case in.Burst == 0 && in.Duty != 0 && in.Duty != 1:
		return fmt.Errorf("duty of %v without bursts: expected the length of a burst", in.Duty)
	case in.Burst != 0 && !(in.Duty > 0 && in.Duty <= 1):
		return fmt.Errorf("duty of %v: expected a share above 0, up to 1", in.Duty)
	case in.Burst != 0 && float64(in.Burst)/in.Duty > math.MaxInt64/4:
		return fmt.Errorf("bursts of %v with a duty of %v: expected one more often than once in a lifetime", in.Burst, in.Duty)
	}
	return nil
}

// foreign is an Interferer made ready.
type foreign struct {
	Interferer
	active interval
	factor int
	level  []float64 // mW at each station
	period time.Duration
	key    uint64
}

// intruder is what an interferer does to a frame.
type intruder struct {
	index int
	share float64 // of the time in which the frame can be harmed
}

func (in Interferer) prepare(stations int, key uint64) (foreign, error) {
	g := foreign{Interferer: in, active: interval{in.From, in.To}, factor: in.SpreadingFactor - firstFactor, key: key}
	if in.To == 0 {
		g.active.to = math.MaxInt64
	}
	if in.SpreadingFactor == 0 {
		g.factor = asNoise
	}
	for i := range stations {
		level := in.Level(i)
		if math.IsNaN(level) || math.IsInf(level, 1) {
			return g, fmt.Errorf("its level at station %d is %v dBm: expected a number, or -Inf for none", i, level)
		}
		g.level = append(g.level, linear(level))
	}
	if in.Burst != 0 {
		g.period = max(time.Duration(float64(in.Burst)/in.Duty), in.Burst)
	}
	return g, nil
}

func (g *foreign) on(channel int) bool { return g.Everywhere || g.Channel == channel }

// share is for how much of during it is on the air.
func (g *foreign) share(during interval) float64 {
	within := interval{max(during.from, g.active.from), min(during.to, g.active.to)}
	if within.from >= within.to {
		return 0
	}
	if g.period == 0 {
		return float64(within.length()) / float64(during.length())
	}
	var sum time.Duration
	for n := within.from / g.period; n*g.period < within.to; n++ {
		b := g.burst(n)
		sum += max(min(b.to, within.to)-max(b.from, within.from), 0)
	}
	return float64(sum) / float64(during.length())
}

// burst is the one of period n.
func (g *foreign) burst(n time.Duration) interval {
	slack := g.period - g.Burst
	from := n*g.period + time.Duration(unit(mix(g.key+uint64(n)*golden))*float64(slack))
	return interval{from, from + g.Burst}
}
