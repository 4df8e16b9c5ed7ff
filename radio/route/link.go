package route

import (
	"math"
	"time"

	"longlane/proto"
	"longlane/radio/lora"
)

// ETX is the expected number of transmissions until a frame is acknowledged: 1 / (forward * reverse), the shares of
// frames that get there and of acknowledgements that get back. Source: RFC 6551, section 4.3.2. Infinite if either is 0.
func ETX(forward, reverse float64) float64 { return 1 / (forward * reverse) }

// ETX128 is an ETX as RFC 6551 writes it, times 128, rounded, in 16 bits; 65535 is that and all above.
func ETX128(etx float64) uint16 { return uint16(min(math.Round(128*etx), math.MaxUint16)) }

// costOf is the airtime, in ms, that a link of that ETX is expected to cost a trip, rounded up.
func costOf(etx128 uint16, trip uint32) uint32 {
	return uint32((uint64(etx128)*uint64(trip) + 127) / 128)
}

// marginOf is lora.Margin of what was heard.
func marginOf(s lora.Settings, rssi proto.RSSI, snr proto.SNR) float64 {
	return lora.Margin(s, rssi.DBm(), snr.DB())
}

// mean is an exponentially weighted one, and of the first values, until they are many enough for that, the plain one.
type mean struct {
	value float64
	of    float64 // so many values
}

func (m *mean) add(x, weight float64) {
	if math.IsNaN(x) {
		return
	}
	m.of++
	m.value += max(weight, 1/m.of) * (x - m.value)
}

// known is not a number while fewer values than least, 1 or more, have been added.
func (m *mean) known(least float64) float64 {
	if m.of < least {
		return math.NaN()
	}
	return m.value
}

// tally counts what arrived of what was sent; old frames count less and less.
type tally struct{ good, all float64 }

// add counts frames of which the first lost did not arrive and the next, if one more is said to be good, did.
func (c *tally) add(lost int, good bool, window float64) {
	keep := 1 - 1/window
	for range lost {
		c.good, c.all = c.good*keep, c.all*keep+1
	}
	if good {
		c.good, c.all = c.good*keep+1, c.all*keep+1
	}
}

func (c *tally) fade(by float64) { c.good, c.all = c.good*by, c.all*by }

// share is good of all, with prior frames at the share assumed.
func (c tally) share(assumed, prior float64) float64 {
	return (c.good + prior*assumed) / (c.all + prior)
}

// link is what is known of the way to a neighbour and back.
type link struct {
	in, out  mean // margins, dB: as heard here, and as the neighbour heard us
	refused  bool // the worse of them has fallen below the floor, and has not returned
	heard    tally
	acks     tally
	ackedAt  time.Duration // until then acks have faded
	silent   int           // frames in a row not acknowledged, at most Deaf
	silentAt time.Duration // when they became Deaf
}

// margin is the worse of both ways, dB, of those known by so many values; not a number if neither is, which counts against
// nobody.
func (l *link) margin(least float64) float64 {
	in, out := l.in.known(least), l.out.known(least)
	if math.IsNaN(in) || out < in {
		return out
	}
	return in
}

// measured counts a margin in, and judges each way by itself: however often a neighbour was heard, the first word of how it
// hears us is one value.
func (l *link) measured(m *mean, margin float64, c *Config) {
	m.add(margin, c.Smooth)
	floor := c.Floor
	if l.refused {
		floor += c.Return
	}
	l.refused = l.margin(c.Judge) < floor
}

// attempt counts a frame to the neighbour. A missing acknowledgement says that one of both ways failed, so what acks
// counts is forward * reverse.
func (l *link) attempt(now time.Duration, acked bool, c *Config) {
	l.acks.fade(math.Exp2(-float64(now-l.ackedAt) / float64(c.AckMemory)))
	l.ackedAt = now
	lost := 1
	if acked {
		lost = 0
	}
	l.acks.add(lost, acked, c.Window)
}

// unheard counts a frame that nothing was heard of.
func (l *link) unheard(now time.Duration, c *Config) {
	if l.silent++; l.silent == c.Deaf {
		l.silentAt = now
	}
	l.silent = min(l.silent, c.Deaf)
}

// expected is the share of frames that get through at a mean margin of m dB when the signal fades as Rayleigh has it, which is
// the worst that a lane without line of sight does: exp(-10^(-m/10)), the chance that an exponentially distributed power
// is above the limit. Source: Goldsmith, Wireless Communications, outage under Rayleigh fading (from memory). It keeps one
// frame that came from far, by a lucky moment, from being taken for a link. It is too kind to weak links, since only what
// was decoded is measured: even then it stays above exp(-1). The gaps in the sender's counters tell the rest.
func expected(m float64) float64 {
	if math.IsNaN(m) {
		return 1
	}
	return math.Exp(-math.Pow(10, -m/10))
}

// delivery is the share of frames that get there and that of those that come back. Back is what the counters of the
// sender's frames tell, and at first what the margin lets one expect. There is acknowledged / back, at most all; of a link
// not used it is assumed to be as good as back. Being too kind costs some frames; being too strict would leave the better
// link unused for ever.
func (l *link) delivery(now time.Duration, c *Config) (forward, reverse float64) {
	reverse = l.heard.share(expected(l.margin(1)), c.Prior)
	acks := l.acks
	acks.fade(math.Exp2(-float64(now-l.ackedAt) / float64(c.AckMemory)))
	both := acks.share(reverse*reverse, c.Prior)
	return min(both/reverse, 1), reverse
}
