package air

import (
	"errors"
	"fmt"
	"math"
	"time"

	"longlane/radio/lora"
)

// Options are one channel's world.
type Options struct {
	Seed        uint64
	Stations    int     // numbered from 0
	NoiseFigure float64 // of each receiver, dB
	// Loss is the mean path loss from one station's antenna connector to another's, dB: the path, less the gains of both
	// antennas. +Inf: never heard. It is asked once for each ordered pair, by New.
	Loss      func(from, to int) float64
	Shadowing float64 // standard deviation, dB
	Fading    Fading
	Capture   Matrix // Computed or Measured; without any, New refuses
	// Interferers are all that is on the air and not a station.
	Interferers []Interferer
}

// Air is the channel with its stations. It is not safe for concurrent use.
type Air struct {
	stations []station
	links    []link // from*len(stations) + to
	density  float64
	fading   fading
	capture  [factors][factors]float64
	foreign  []foreign

	now     time.Duration // when the last frame began
	asked   time.Duration // the latest end of a frame that Heard was asked about
	longest time.Duration // airtime of a frame so far
	flying  []*Frame      // those that are not over at now, in the order of their beginnings
}

// link is the way from one station to another.
type link struct {
	gain float64 // mean, with shadowing; linear
	key  uint64  // of the pair's fading
}

// New makes a channel on which nothing has been sent. Its error joins all that is wrong with o.
func New(o Options) (*Air, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	n := o.Stations
	a := &Air{
		stations: make([]station, n),
		links:    make([]link, n*n),
		density:  linear(lora.ThermalNoise(1) + o.NoiseFigure),
		fading:   o.Fading.prepare(),
		capture:  o.Capture.linear(),
	}
	var errs []error
	for from := range n {
		for to := range n {
			if from == to {
				continue
			}
			loss := o.Loss(from, to)
			if math.IsNaN(loss) || math.IsInf(loss, -1) {
				errs = append(errs, fmt.Errorf("loss from station %d to station %d is %v dB: expected a number, or +Inf if it is never heard", from, to, loss))
			}
			pair := uint64(min(from, to))<<32 | uint64(max(from, to))
			shadow := o.Shadowing * normal(key(o.Seed, drawShadow, pair))
			a.links[from*n+to] = link{linear(-loss + shadow), key(o.Seed, drawFading, pair)}
		}
	}
	for i, in := range o.Interferers {
		g, err := in.prepare(n, key(o.Seed, drawBurst, uint64(i)))
		if err != nil {
			errs = append(errs, fmt.Errorf("interferer %d: %w", i, err))
		}
		a.foreign = append(a.foreign, g)
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return a, nil
}

func (o Options) check() error {
	var errs []error
	wrong := func(format string, args ...any) { errs = append(errs, fmt.Errorf(format, args...)) }
	if o.Stations < 1 {
		wrong("%d stations: expected at least 1", o.Stations)
	}
	if math.IsNaN(o.NoiseFigure) || math.IsInf(o.NoiseFigure, 0) {
		wrong("noise figure of %v dB: expected a number", o.NoiseFigure)
	}
	if o.Loss == nil {
		wrong("no path loss: expected a function that gives it for each pair of stations")
	}
	if !(o.Shadowing >= 0 && o.Shadowing < 100) {
		wrong("shadowing of %v dB: expected 0 or more, such as 6", o.Shadowing)
	}
	if err := o.Fading.check(); err != nil {
		wrong("fading: %w", err)
	}
	if o.Capture == (Matrix{}) {
		wrong("no capture matrix: expected Computed, Measured or one of your own")
	}
	for i, in := range o.Interferers {
		if err := in.check(); err != nil {
			wrong("interferer %d: %w", i, err)
		}
	}
	return errors.Join(errs...)
}

// Sending is a frame that a station puts on the air.
type Sending struct {
	From      int
	At, Until time.Duration
	Power     float64 // at the antenna connector, dBm
	Channel   int     // any number that names its frequency
	Settings  lora.Settings
}

// Frame is what was sent, and what disturbs it. It holds no other frame, so that whoever keeps one keeps no others alive.
type Frame struct {
	Sending
	factor    int           // index of the spreading factor
	power     float64       // mW
	noise     float64       // thermal, in its bandwidth, mW
	need      float64       // the weakest signal that can be read, mW
	block     uint64        // of fading
	critical  time.Duration // from here on it can be harmed
	synced    time.Duration // the end of its preamble: from here on it occupies a modem
	others    []other
	intruders []intruder
}

// other is a frame that overlaps the time in which another one can be harmed.
type other struct {
	from     int
	factor   int // asNoise: of another bandwidth
	power    float64
	share    float64 // of the harmed frame's time, and bandwidth
	block    uint64
	need     float64
	occupies bool          // it was past its preamble before the harmed frame could be found
	critical time.Duration // its own, and the end of its preamble
	synced   time.Duration
}

const asNoise = -1

// lastPreamble is how many symbols of the programmed preamble are enough to find a frame. Source: Bor et al. 2016.
const lastPreamble = 5

// Send puts a frame on the air. It panics if s begins before an earlier one, or before the end of one that Heard was
// asked about; if its station is sending already; or if s cannot be sent by anybody.
func (a *Air) Send(s Sending) *Frame {
	f := a.frame(s)
	a.now = s.At
	a.longest = max(a.longest, s.Until-s.At)
	a.stations[s.From].send(interval{s.At, s.Until}, s.At-2*a.longest)
	a.land()
	for _, g := range a.flying {
		if g.Channel == s.Channel {
			f.disturbedBy(g)
			g.disturbedBy(f)
		}
	}
	a.flying = append(a.flying, f)
	for i := range a.foreign {
		if share := a.foreign[i].share(interval{f.critical, f.Until}); share > 0 && a.foreign[i].on(s.Channel) {
			f.intruders = append(f.intruders, intruder{i, share})
		}
	}
	return f
}

// frame checks s and works out what is the same at all receivers.
func (a *Air) frame(s Sending) *Frame {
	switch sf := s.Settings.SpreadingFactor; {
	case s.From < 0 || s.From >= len(a.stations):
		panic(fmt.Sprintf("air: station %d sends: expected 0 to %d", s.From, len(a.stations)-1))
	case s.At < a.now || s.At < a.asked:
		panic(fmt.Sprintf("air: a frame begins at %v, after one that began at %v or was heard at %v", s.At, a.now, a.asked))
	case s.Until <= s.At:
		panic(fmt.Sprintf("air: a frame lasts from %v until %v", s.At, s.Until))
	case s.At < a.stations[s.From].until():
		panic(fmt.Sprintf("air: station %d sends at %v, but is sending until %v", s.From, s.At, a.stations[s.From].until()))
	case sf < firstFactor || sf > lastFactor || s.Settings.Bandwidth <= 0:
		panic(fmt.Sprintf("air: spreading factor %d, %d Hz: expected %d to %d and a bandwidth", sf, s.Settings.Bandwidth, firstFactor, lastFactor))
	}
	symbol := float64(uint64(1)<<s.Settings.SpreadingFactor) / float64(s.Settings.Bandwidth) * 1e9
	symbols := func(n float64) time.Duration { return min(s.At+time.Duration(n*symbol), s.Until) }
	noise := a.density * float64(s.Settings.Bandwidth)
	return &Frame{
		Sending:  s,
		factor:   s.Settings.SpreadingFactor - firstFactor,
		power:    linear(s.Power),
		noise:    noise,
		need:     noise * linear(lora.RequiredSNR(s.Settings.SpreadingFactor)),
		block:    a.fading.block(s.At),
		critical: symbols(float64(max(s.Settings.Preamble-lastPreamble, 0))),
		synced:   symbols(float64(s.Settings.Preamble) + 4.25),
	}
}

// land forgets the frames that are over. Those that overlap them know all they need of them.
func (a *Air) land() {
	kept := a.flying[:0]
	for _, g := range a.flying {
		if g.Until > a.now {
			kept = append(kept, g)
		}
	}
	clear(a.flying[len(kept):])
	a.flying = kept
}

// disturbedBy notes what g, on the same channel, does to f.
func (f *Frame) disturbedBy(g *Frame) {
	common := min(f.Until, g.Until) - max(f.critical, g.At)
	if common <= 0 {
		return
	}
	o := other{from: g.From, factor: g.factor, power: g.power, block: g.block, need: g.need, critical: g.critical,
		synced: g.synced, share: float64(common) / float64(f.Until-f.critical)}
	if f.Settings.Bandwidth != g.Settings.Bandwidth {
		o.factor = asNoise
		o.share *= min(1, float64(f.Settings.Bandwidth)/float64(g.Settings.Bandwidth))
	}
	o.occupies = o.factor == f.factor && g.At < f.At && g.synced <= f.critical
	f.others = append(f.others, o)
}

// Heard tells how a station received f, if it has listened with f's settings and on its channel since then, and did not
// stop before f was over. It must be asked when all that begins before f.Until has been sent, and before anything that
// begins later.
func (a *Air) Heard(f *Frame, to int, since time.Duration) Reception {
	a.asked = max(a.asked, f.Until)
	l := &a.links[f.From*len(a.stations)+to]
	mean := f.power * l.gain
	r := Reception{signal: mean, noise: f.noise}
	if to == f.From {
		r.Loss = Deaf
		return r
	}
	if mean*a.fading.peak < f.need {
		r.Loss = TooWeak
		return r
	}
	signal := mean * a.fading.draw(l.key, f.block)
	if signal < f.need && mean < f.need {
		r.Loss = TooWeak
		return r
	}
	r.signal = signal
	switch {
	case f.critical < since:
		r.Loss = NotListening
	case a.stations[to].sending(interval{f.critical, f.Until}):
		r.Loss = Deaf
	case signal < f.need:
		r.Loss = Faded
	case len(f.others)+len(f.intruders) > 0:
		a.disturb(&r, f, to, since)
	}
	return r
}

// disturb judges what else was on the air.
func (a *Air) disturb(r *Reception, f *Frame, to int, since time.Duration) {
	var sums [factors]float64
	var occupied bool
	for i := range f.others {
		o := &f.others[i]
		if o.from == to {
			continue // it was sending while the frame could not yet be harmed, or it is deaf already
		}
		l := &a.links[o.from*len(a.stations)+to]
		power := o.power * l.gain * a.fading.draw(l.key, o.block)
		if o.factor == asNoise {
			r.noise += power * o.share
		} else {
			sums[o.factor] += power * o.share
		}
		occupied = occupied || o.occupies && power >= o.need && o.critical >= since &&
			!a.stations[to].sending(interval{o.critical, o.synced})
	}
	if !a.survives(r, f, &sums) {
		r.Loss = Collision
	}
	for _, in := range f.intruders {
		g := &a.foreign[in.index]
		if g.factor == asNoise {
			r.noise += g.level[to] * in.share
		} else {
			sums[g.factor] += g.level[to] * in.share
		}
	}
	switch {
	case r.Loss != Heard:
	case !a.survives(r, f, &sums):
		r.Loss = Interference
	case occupied:
		r.Loss = Occupied
	}
}

func (a *Air) survives(r *Reception, f *Frame, sums *[factors]float64) bool {
	if r.signal*f.noise < f.need*r.noise { // the required SNR, over the noise that there is now
		return false
	}
	for factor, sum := range sums {
		if sum > 0 && r.signal < sum*a.capture[f.factor][factor] {
			return false
		}
	}
	return true
}

// Carrier sense takes a modem two symbols, and half of one to think about them. Source: SX1261/2 datasheet, 6.1.5, which has
// scans of 1 to 16 symbols. That two are enough at every spreading factor is common practice, no source.
const sensing = 2.5

// Sensing is how long carrier sense takes a modem of these settings.
func Sensing(s lora.Settings) time.Duration {
	return time.Duration(sensing * float64(uint64(1)<<s.SpreadingFactor) / float64(s.Bandwidth) * 1e9)
}

// Busy tells a station that begins to send at t, and has sensed the carrier just before, whether it has found one: a signal of
// the spreading factor and bandwidth of s on the channel that it could read were it alone, and that was there all the time that
// sensing takes and is not over. It does not find what began later, so two that begin almost together do collide; nor plain
// noise, however strong, since it looks for chirps. t must not be before the beginning of the last frame sent.
func (a *Air) Busy(at int, t time.Duration, channel int, s lora.Settings) bool {
	since := t - Sensing(s)
	for _, f := range a.flying {
		if f.Channel != channel || f.From == at || since < f.At || f.Until <= t ||
			f.Settings.SpreadingFactor != s.SpreadingFactor || f.Settings.Bandwidth != s.Bandwidth {
			continue
		}
		l := &a.links[f.From*len(a.stations)+at]
		if f.power*l.gain*a.fading.draw(l.key, f.block) >= f.need {
			return true
		}
	}
	need := a.density * float64(s.Bandwidth) * linear(lora.RequiredSNR(s.SpreadingFactor))
	for i := range a.foreign {
		g := &a.foreign[i]
		if g.factor == s.SpreadingFactor-firstFactor && g.on(channel) && g.level[at] >= need && g.share(interval{since, t + 1}) == 1 {
			return true
		}
	}
	return false
}

func linear(dB float64) float64   { return math.Pow(10, dB/10) }
func decibels(mW float64) float64 { return 10 * math.Log10(mW) }
