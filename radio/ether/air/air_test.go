package air

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/radio/lora"
)

// of are settings whose frames can be harmed from their first moment on.
func of(sf int) lora.Settings {
	return lora.Settings{SpreadingFactor: sf, Bandwidth: 125000, CodingRate: 5, Preamble: lastPreamble}
}

// plain is a world of stations that all hear each other at the same loss, without chance.
func plain(stations int, loss float64) Options {
	return Options{Seed: 1, Stations: stations, NoiseFigure: 6, Capture: Computed, Loss: func(int, int) float64 { return loss }}
}

func open(t testing.TB, o Options) *Air {
	t.Helper()
	a, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func frame(from int, at, long time.Duration, power float64, s lora.Settings) Sending {
	return Sending{From: from, At: at, Until: at + long, Power: power, Settings: s}
}

// drive sends frames, which must be in order, and calls over for each at its end.
func drive(a *Air, frames func(yield func(Sending) bool), over func(*Frame)) {
	var open []*Frame
	land := func(until time.Duration) {
		for len(open) > 0 && open[0].Until <= until {
			over(open[0])
			open = open[1:]
		}
	}
	for s := range frames {
		land(s.At)
		i, _ := slices.BinarySearchFunc(open, s.Until, func(f *Frame, until time.Duration) int { return int(f.Until - until) })
		open = slices.Insert(open, i, a.Send(s))
	}
	land(math.MaxInt64)
}

// TestNoiseFloor: 14 dBm, noise figure 6, 125 kHz: the noise is at -117.03 dBm, and SF12 is read down to -137.03 dBm.
// Source: AN1200.22.
func TestNoiseFloor(t *testing.T) {
	for _, c := range []struct {
		sf, bandwidth int
		sensitivity   float64
	}{{7, 125000, -124.53}, {12, 125000, -137.03}, {9, 250000, -126.52}, {12, 500000, -131.01}, {5, 125000, -119.53}, {6, 500000, -116.01}} {
		for _, beside := range []float64{-0.02, 0.02} {
			a := open(t, plain(2, 14-c.sensitivity-beside))
			set := of(c.sf)
			set.Bandwidth = c.bandwidth
			got := a.Heard(a.Send(frame(0, 0, time.Second, 14, set)), 1, 0)
			want := Heard
			if beside < 0 {
				want = TooWeak
			}
			if got.Loss != want || math.Abs(got.Signal()-c.sensitivity-beside) > 1e-9 {
				t.Errorf("SF%d, %d Hz, %.2f dBm: %v at %.2f dBm, want %v", c.sf, c.bandwidth, c.sensitivity+beside, got.Loss, got.Signal(), want)
			}
			if snr := lora.RequiredSNR(c.sf) + beside; math.Abs(got.SNR()-snr) > 0.01 {
				t.Errorf("SF%d, %d Hz: SNR %.3f dB, want %.3f", c.sf, c.bandwidth, got.SNR(), snr)
			}
		}
	}
}

// TestHalfDuplex: a station that sends during any part of a frame that matters is deaf, and no other.
func TestHalfDuplex(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		from, to time.Duration
		want     Loss
	}{{0, 100 * ms, Heard}, {0, 101 * ms, Deaf}, {150 * ms, 160 * ms, Deaf}, {199 * ms, 300 * ms, Deaf}, {200 * ms, 300 * ms, Heard}} {
		a := open(t, plain(3, 100))
		var f *Frame
		sends := []Sending{frame(1, 100*ms, 100*ms, 14, of(7)), {From: 0, At: c.from, Until: c.to, Power: -100, Settings: of(7)}}
		slices.SortFunc(sends, func(x, y Sending) int { return int(x.At - y.At) })
		for _, s := range sends {
			if g := a.Send(s); s.From == 1 {
				f = g
			}
		}
		if got := a.Heard(f, 0, 0); got.Loss != c.want {
			t.Errorf("sending from %v to %v, a frame from 100 ms to 200 ms: %v, want %v", c.from, c.to, got.Loss, c.want)
		}
		if got := a.Heard(f, 2, 0); got.Loss != Heard {
			t.Errorf("the third station: %v, want heard", got.Loss)
		}
	}
	a := open(t, plain(2, 100))
	if got := a.Heard(a.Send(frame(0, 0, time.Second, 14, of(7))), 0, 0); got.Loss != Deaf {
		t.Errorf("its own frame: %v, want %v", got.Loss, Deaf)
	}
}

// TestPreamble: of 8 symbols of preamble, 1.024 ms each, only the last five matter, to the receiver and to what disturbs.
func TestPreamble(t *testing.T) {
	set := of(7)
	set.Preamble = 8
	const at, critical = 100 * time.Millisecond, 100*time.Millisecond + 3*1024*time.Microsecond
	for _, c := range []struct {
		since, disturbed time.Duration
		want             Loss
	}{{critical, critical, Heard}, {critical + 1, 0, NotListening}, {0, critical + time.Microsecond, Collision}} {
		o := plain(3, 100)
		o.Capture = aloha()
		a := open(t, o)
		if c.disturbed > 0 {
			a.Send(Sending{From: 2, At: 0, Until: c.disturbed, Power: -20, Settings: of(7)})
		}
		if got := a.Heard(a.Send(frame(0, at, 50*time.Millisecond, 14, set)), 1, c.since); got.Loss != c.want {
			t.Errorf("listening since %v, disturbed until %v: %v, want %v", c.since, c.disturbed, got.Loss, c.want)
		}
	}
}

// TestOccupied: a modem past the preamble of a frame takes no other, however strong; before that the stronger wins, and
// the modem of one that heard nothing of the first is free.
func TestOccupied(t *testing.T) {
	const ms, symbol = time.Millisecond, 1024 * time.Microsecond
	set := of(7) // 5 + 4.25 symbols until a modem is occupied
	occupied := 9472 * time.Microsecond
	for _, c := range []struct {
		name   string
		weak   float64 // of the earlier frame
		at     time.Duration
		since  time.Duration
		sf     int // of the later frame
		before time.Duration
		want   Loss
	}{
		{"in the payload", 0, 30 * ms, 0, 7, 0, Occupied},
		{"just past the preamble", 0, occupied, 0, 7, 0, Occupied},
		{"just in the preamble", 0, occupied - 1, 0, 7, 0, Heard},
		{"another spreading factor", 0, 30 * ms, 0, 8, 0, Heard},
		{"the first cannot be read", -40, 30 * ms, 0, 7, 0, Heard},
		{"the first began before the listening", 0, 30 * ms, symbol, 7, 0, Heard},
		{"the first began while the station sent", 0, 30 * ms, 0, 7, symbol, Heard},
		{"the first is over", 0, 100 * ms, 0, 7, 0, Heard},
	} {
		a := open(t, plain(4, 110))
		if c.before > 0 {
			a.Send(Sending{From: 0, At: 0, Until: c.before, Power: 14, Settings: set})
		}
		a.Send(frame(1, 0, 100*ms, c.weak, set))
		if got := a.Heard(a.Send(frame(2, c.at, 100*ms, 20, of(c.sf))), 0, c.since); got.Loss != c.want {
			t.Errorf("%s: %v, want %v", c.name, got.Loss, c.want)
		}
	}
}

// TestChannelsAndBandwidths: frames on two channels do not meet; one of twice the bandwidth is noise of half its power.
func TestChannelsAndBandwidths(t *testing.T) {
	const long = 100 * time.Millisecond
	wide := of(7)
	wide.Bandwidth = 250000
	for _, c := range []struct {
		channel int
		wide    bool
		power   float64 // of what disturbs, over the frame
		want    Loss
	}{{1, false, 30, Heard}, {0, false, 0, Collision}, {0, true, 7.5 + 2.9, Heard}, {0, true, 7.5 + 3.1, Collision}} {
		a := open(t, plain(3, 60))
		s := frame(2, 0, long, c.power, of(7))
		s.Channel = c.channel
		if c.wide {
			s.Settings = wide
		}
		a.Send(s)
		if got := a.Heard(a.Send(frame(0, 0, long, 0, of(7))), 1, 0); got.Loss != c.want {
			t.Errorf("channel %d, twice the bandwidth %v, %+.1f dB: %v, want %v", c.channel, c.wide, c.power, got.Loss, c.want)
		}
	}
}

// TestEnergy: what disturbs for a quarter of a frame counts a quarter: 6.02 dB less. Two count as their sum.
func TestEnergy(t *testing.T) {
	const long = 400 * time.Millisecond
	for _, c := range []struct {
		shares []time.Duration
		sir    float64
		want   Loss
	}{
		{[]time.Duration{long}, 6.01, Heard}, {[]time.Duration{long}, 5.99, Collision},
		{[]time.Duration{long / 4}, -0.01, Heard}, {[]time.Duration{long / 4}, -0.03, Collision},
		{[]time.Duration{long, long}, 9.02, Heard}, {[]time.Duration{long, long}, 9.00, Collision},
	} {
		a := open(t, plain(4, 80))
		f := a.Send(frame(0, 0, long, 10, of(9)))
		for i, share := range c.shares {
			a.Send(frame(2+i, long-share, long, 10-c.sir, of(9)))
		}
		if got := a.Heard(f, 1, 0); got.Loss != c.want {
			t.Errorf("%v of %v at %.2f dB: %v, want %v", c.shares, long, c.sir, got.Loss, c.want)
		}
	}
}

// TestSensing: a symbol of SF7 lasts 1.024 ms at 125 kHz.
func TestSensing(t *testing.T) {
	for sf, want := range map[int]time.Duration{7: 2560 * time.Microsecond, 12: 81920 * time.Microsecond} {
		if got := Sensing(of(sf)); got != want {
			t.Errorf("SF%d: sensing takes %v, want %v", sf, got, want)
		}
	}
}

// TestBusy: the carrier of a frame of the same settings is sensed from shortly after its beginning until its end, by others
// that could read it.
func TestBusy(t *testing.T) {
	a := open(t, plain(3, 100))
	busy := func(at int, when time.Duration, set lora.Settings, channel int, want bool) {
		t.Helper()
		if got := a.Busy(at, when, channel, set); got != want {
			t.Errorf("station %d at %v, SF%d, %d Hz: busy %v, want %v", at, when, set.SpreadingFactor, set.Bandwidth, got, want)
		}
	}
	const s = time.Second
	blind := Sensing(of(7))
	wide := of(7)
	wide.Bandwidth = 250000
	busy(2, 0, of(7), 0, false)
	a.Send(frame(0, 1*s, s, 0, of(7)))
	busy(2, 1*s, of(7), 0, false) // begins now
	busy(2, 1*s+blind-1, of(7), 0, false)
	busy(2, 1*s+blind, of(7), 0, true)
	busy(2, 2*s-1, of(7), 0, true)
	busy(2, 2*s, of(7), 0, false)
	busy(2, 1*s+blind, of(8), 0, false)
	busy(2, 1*s+blind, wide, 0, false)
	busy(2, 1*s+blind, of(7), 1, false)
	busy(0, 1*s+blind, of(7), 0, false) // its own
	a.Send(frame(1, 1*s+2*blind, s, 0, of(8)))
	busy(2, 1*s+3*blind, of(8), 0, false) // a symbol of SF8 is twice as long
	busy(2, 1*s+4*blind, of(8), 0, true)
}

// TestBusyByStrength: what is too weak to be read is not sensed, with its fading as it is; and noise never is.
func TestBusyByStrength(t *testing.T) {
	for _, c := range []struct {
		beside float64
		want   bool
	}{{0.02, true}, {-0.02, false}} {
		a := open(t, plain(2, 124.53-c.beside))
		a.Send(frame(0, 0, time.Second, 0, of(7)))
		if got := a.Busy(1, time.Second/2, 0, of(7)); got != c.want {
			t.Errorf("%v dB beside what can be read: busy %v", c.beside, got)
		}
	}
	o := plain(2, 124.53+3)
	o.Fading = Fading{Kind: Rayleigh, Coherence: time.Second}
	a, agree, sensed := open(t, o), 0, 0
	for i := range time.Duration(400) {
		f := a.Send(frame(0, i*time.Second, time.Second/2, 0, of(7)))
		found := a.Busy(1, i*time.Second+time.Second/4, 0, of(7))
		if found == (a.Heard(f, 1, 0).Loss == Heard) {
			agree++
		}
		if found {
			sensed++
		}
	}
	if want := 400 * math.Exp(-math.Pow(10, 0.3)); agree != 400 || math.Abs(float64(sensed)-want) > 3.29*math.Sqrt(want) {
		t.Errorf("3 dB too weak on the average it was sensed %d times of 400 (want about %.0f), and was so where it was heard %d times", sensed, want, agree)
	}
	o = plain(1, 0)
	o.Interferers = []Interferer{{Level: level(-20)}}
	if open(t, o).Busy(0, time.Second, 0, of(7)) {
		t.Error("plain noise is taken for a carrier")
	}
}

// TestDeterminism: the same seed gives the same receptions, in whatever order they are asked for; another seed others.
func TestDeterminism(t *testing.T) {
	run := func(seed, order uint64) []string {
		r, shuffle := rand.New(rand.NewPCG(7, 7)), rand.New(rand.NewPCG(order, order))
		a := open(t, Options{Seed: seed, Stations: 6, NoiseFigure: 6, Shadowing: 6, Capture: Measured,
			Fading: Fading{Kind: Rician, K: 3, Coherence: time.Second}, Loss: func(from, to int) float64 { return 116 + 3*float64(from+to) },
			Interferers: []Interferer{{Level: func(int) float64 { return -112 }, Burst: 20 * time.Millisecond, Duty: 0.1}}})
		var out []string
		drive(a, poisson(r, a, 2000, 6, 0.3, 0), func(f *Frame) {
			heard := make([]string, 6)
			for _, to := range shuffle.Perm(6) {
				got := a.Heard(f, to, 0)
				heard[to] = fmt.Sprintf("%v %v %v", got.Loss, got.RSSI(), got.SNR())
			}
			out = append(out, heard...)
		})
		return out
	}
	first := run(1, 1)
	if !slices.Equal(first, run(1, 2)) {
		t.Error("seed 1 gave different receptions in two runs")
	}
	if slices.Equal(first, run(2, 1)) {
		t.Error("seeds 1 and 2 gave the same receptions")
	}
	counts := map[string]int{}
	for _, s := range first {
		counts[strings.Split(s, " -")[0]]++
	}
	for l := range Loss(Losses) { // the comparison is worth something only if all of it happens
		if l != NotListening && counts[l.String()] == 0 {
			t.Errorf("no frame was %v: %v", l, counts)
		}
	}
}

// poisson gives n frames, of stations in turn, with beginnings of a Poisson process of so many a frame's length.
func poisson(r *rand.Rand, a *Air, n, stations int, load float64, first int) func(func(Sending) bool) {
	return func(yield func(Sending) bool) {
		long := of(9).Airtime(20)
		var at time.Duration
		for i := range n {
			at += time.Duration(r.ExpFloat64() * float64(long) / load)
			from := first + i%stations
			for a.stations[from].until() > at {
				from = first + (from-first+1)%stations
			}
			if !yield(frame(from, at, long, 14, of(9))) {
				return
			}
		}
	}
}

// TestMisuse: what would make a run wrong without a word ends it.
func TestMisuse(t *testing.T) {
	const s = time.Second
	for want, do := range map[string]func(*Air){
		"after one that began": func(a *Air) { a.Send(frame(0, s, s, 0, of(7))); a.Send(frame(1, 0, s, 0, of(7))) },
		"was heard at 1s":      func(a *Air) { a.Heard(a.Send(frame(0, 0, s, 0, of(7))), 1, 0); a.Send(frame(1, s/2, s, 0, of(7))) },
		"is sending until 1s":  func(a *Air) { a.Send(frame(0, 0, s, 0, of(7))); a.Send(frame(0, s/2, s, 0, of(7))) },
		"lasts from 0s":        func(a *Air) { a.Send(frame(0, 0, 0, 0, of(7))) },
		"station 2 sends":      func(a *Air) { a.Send(frame(2, 0, s, 0, of(7))) },
		"spreading factor 13":  func(a *Air) { a.Send(frame(0, 0, s, 0, of(13))) },
	} {
		func() {
			defer func() {
				if got := fmt.Sprint(recover()); !strings.Contains(got, want) {
					t.Errorf("panic %q, want one with %q", got, want)
				}
			}()
			do(open(t, plain(2, 100)))
		}()
	}
}

func TestOptions(t *testing.T) {
	for want, change := range map[string]func(*Options){
		"0 stations":        func(o *Options) { o.Stations = 0 },
		"no path loss":      func(o *Options) { o.Loss = nil },
		"loss from station": func(o *Options) { o.Loss = func(int, int) float64 { return math.NaN() } },
		"noise figure":      func(o *Options) { o.NoiseFigure = math.NaN() },
		"shadowing of -1":   func(o *Options) { o.Shadowing = -1 },
		"capture matrix":    func(o *Options) { o.Capture = Matrix{} },
		"coherence time":    func(o *Options) { o.Fading.Kind = Rayleigh },
		"k-factor": func(o *Options) {
			o.Fading = Fading{Kind: Rician, K: math.NaN(), Coherence: 1}
		},
		"interferer 0: no level": func(o *Options) { o.Interferers = []Interferer{{}} },
		"interferer 0: its level": func(o *Options) {
			o.Interferers = []Interferer{{Level: func(int) float64 { return math.NaN() }}}
		},
		"duty of 0.5 without bursts": func(o *Options) {
			o.Interferers = []Interferer{{Level: func(int) float64 { return -100 }, Duty: 0.5}}
		},
		"duty of 2": func(o *Options) {
			o.Interferers = []Interferer{{Level: func(int) float64 { return -100 }, Burst: time.Second, Duty: 2}}
		},
	} {
		o := plain(2, 100)
		change(&o)
		if a, err := New(o); err == nil || !strings.Contains(err.Error(), want) || a != nil {
			t.Errorf("New: %v, want an error with %q", err, want)
		}
	}
}
