package air

import (
	"math"
	"testing"
	"time"
)

func level(dBm float64) func(int) float64 { return func(int) float64 { return dBm } }

// TestInterference: noise of 10 times the thermal one raises what is needed by 10.41 dB; one with a spreading factor
// counts by the matrix; a frame that collides all the same is lost to the collision.
func TestInterference(t *testing.T) {
	const long, floor = time.Second, -117.031
	for _, c := range []struct {
		name   string
		in     Interferer
		signal float64
		beside float64 // power of another frame of the same settings
		want   Loss
	}{
		{"noise", Interferer{Level: level(floor + 10)}, floor - 12.5 + 10.42, -200, Heard},
		{"noise", Interferer{Level: level(floor + 10)}, floor - 12.5 + 10.40, -200, Interference},
		{"noise on another channel", Interferer{Level: level(0), Channel: 1}, floor, -200, Heard},
		{"noise everywhere", Interferer{Level: level(0), Channel: 1, Everywhere: true}, floor, -200, Interference},
		{"the same factor", Interferer{Level: level(-80), SpreadingFactor: 9}, -73.99, -200, Heard},
		{"the same factor", Interferer{Level: level(-80), SpreadingFactor: 9}, -74.01, -200, Interference},
		{"SF9 against SF12", Interferer{Level: level(-80), SpreadingFactor: 12}, -104.99, -200, Heard},
		{"SF9 against SF12", Interferer{Level: level(-80), SpreadingFactor: 12}, -105.01, -200, Interference},
		{"with a collision", Interferer{Level: level(-60)}, -70, -75.9, Collision},
		{"added to a frame that alone would do no harm", Interferer{Level: level(-78), SpreadingFactor: 9}, -70, -76.1, Interference},
		{"before and after", Interferer{Level: level(0), From: 1, To: 10 * time.Second}, -70, -200, Heard},
		{"in the last quarter", Interferer{Level: level(-80), SpreadingFactor: 9, From: 10*time.Second + long*3/4}, -80.01, -200, Heard},
		{"in the last quarter", Interferer{Level: level(-80), SpreadingFactor: 9, From: 10*time.Second + long*3/4}, -80.03, -200, Interference},
	} {
		o := plain(3, 0)
		o.Interferers = []Interferer{c.in}
		a := open(t, o)
		f := a.Send(frame(0, 10*time.Second, long, c.signal, of(9)))
		a.Send(frame(2, 10*time.Second, long, c.beside, of(9)))
		if got := a.Heard(f, 1, 0); got.Loss != c.want {
			t.Errorf("%s, %.2f dBm: %v, want %v", c.name, c.signal, got.Loss, c.want)
		}
	}
}

// TestBursts: of each period one burst, whole, at no fixed place; and the share of any time is what sampling finds.
func TestBursts(t *testing.T) {
	const burst, period, n = 30 * time.Millisecond, 300 * time.Millisecond, 2000
	in := Interferer{Level: level(-90), Burst: burst, Duty: 0.1}
	o := plain(2, 0)
	o.Interferers = []Interferer{in}
	g := &open(t, o).foreign[0]
	var places float64
	for i := range time.Duration(n) {
		b := g.burst(i)
		if b.length() != burst || b.from < i*period || b.to > (i+1)*period {
			t.Fatalf("period %d: a burst from %v to %v", i, b.from, b.to)
		}
		places += float64(b.from-i*period) / float64(period-burst) / n
	}
	if math.Abs(places-0.5) > 3.29*math.Sqrt(1./12/n) {
		t.Errorf("bursts begin at %.3f of their slack on the average, want 0.5", places)
	}
	if got := g.share(interval{0, n * period}); math.Abs(got-0.1) > 1e-9 {
		t.Errorf("on the air for %v of the time, want 0.1", got)
	}
	for _, during := range []interval{{5 * period, 6 * period}, {7*period + 1e8, 7*period + 2e8}, {1e9, 3e9 + 7}} {
		sampled, samples := 0, 0
		for at := during.from; at < during.to; at += time.Microsecond * 10 {
			if b := g.burst(at / period); b.from <= at && at < b.to {
				sampled++
			}
			samples++
		}
		if got, want := g.share(during), float64(sampled)/float64(samples); math.Abs(got-want) > 1e-3 {
			t.Errorf("on the air for %.4f of %v, sampled %.4f", got, during, want)
		}
	}
}

// TestBusyByInterferer: carrier sense finds a foreign burst of chirps while it lasts.
func TestBusyByInterferer(t *testing.T) {
	o := plain(1, 0)
	o.Interferers = []Interferer{{Level: level(-90), SpreadingFactor: 9, Burst: 30 * time.Millisecond, Duty: 0.1}}
	a := open(t, o)
	b := a.foreign[0].burst(0)
	blind := Sensing(of(9))
	for at, want := range map[time.Duration]bool{b.from + blind - 1: false, b.from + blind: true, b.to - 1: true, b.to: false} {
		if got := a.Busy(0, at, 0, of(9)); got != want {
			t.Errorf("a burst from %v to %v, at %v: busy %v", b.from, b.to, at, got)
		}
	}
	if a.Busy(0, b.from+blind, 0, of(8)) {
		t.Error("a burst of SF9 is a carrier of SF8")
	}
}
