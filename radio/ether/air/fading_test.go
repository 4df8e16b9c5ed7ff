package air

import (
	"math"
	"testing"
	"time"

	"longlane/radio/lora"
)

// availability sends a frame in each of n blocks, with so many dB of margin over the mean, and gives the share received.
func availability(t *testing.T, seed uint64, fading Fading, margin float64, n int) float64 {
	const sf = 7
	loss := -lora.RequiredSNR(sf) + 174 - 6 - 10*math.Log10(125000) - margin // of 0 dBm: this far above what can be read
	o := plain(2, loss)
	o.Seed, o.Fading = seed, fading
	a := open(t, o)
	heard := 0
	for i := range n {
		switch got := a.Heard(a.Send(frame(0, time.Duration(i)*fading.Coherence, time.Millisecond, 0, of(sf))), 1, 0); got.Loss {
		case Heard:
			heard++
		case map[bool]Loss{true: Faded, false: TooWeak}[margin >= 0]:
		default:
			t.Fatalf("a frame with %v dB of margin on the mean: %v", margin, got.Loss)
		}
	}
	return float64(heard) / float64(n)
}

// TestAvailability holds the share of frames received against the distributions, within the 99.9 % interval of a
// binomial. Rayleigh: exp(-10^(-M/10)) for a margin of M dB over the mean power, so 10 dB are worth 90.5 % and 20 dB
// 99.0 %. Rice: 1 - Q1(sqrt(2K), sqrt(2(K+1) 10^(-M/10))), Q1 being Marcum's, computed independently, to 0.01 %.
func TestAvailability(t *testing.T) {
	const n, seed = 150_000, 20
	t.Logf("seed %d, %d blocks each", seed, n)
	rayleigh := func(margin float64) float64 { return math.Exp(-math.Pow(10, -margin/10)) }
	if ten, twenty := rayleigh(10), rayleigh(20); math.Abs(ten-0.905) > 0.0005 || math.Abs(twenty-0.990) > 0.0005 {
		t.Fatalf("10 and 20 dB are worth %v and %v, want 0.905 and 0.990", ten, twenty)
	}
	for _, c := range []struct {
		fading Fading
		margin float64
		want   float64
		digits float64 // the published value's own error
	}{
		{Fading{Kind: Rayleigh}, -3, rayleigh(-3), 0}, // too weak, but for good moments
		{Fading{Kind: Rayleigh}, 3, rayleigh(3), 0},
		{Fading{Kind: Rayleigh}, 10, rayleigh(10), 0},
		{Fading{Kind: Rayleigh}, 20, rayleigh(20), 0},
		{Fading{Kind: Rayleigh}, 30, rayleigh(30), 0},
		{Fading{Kind: Rician, K: 3}, 3, 0.7087, 5e-5},
		{Fading{Kind: Rician, K: 3}, 10, 0.9538, 5e-5},
		{Fading{Kind: Rician, K: 3}, 15, 0.9865, 5e-5},
		{Fading{Kind: Rician, K: 6}, 5, 0.8992, 5e-5},
		{Fading{Kind: Rician, K: 6}, 10, 0.9835, 5e-5},
		{Fading{Kind: Rician, K: 10}, 5, 0.9762, 5e-5},
	} {
		c.fading.Coherence = time.Second
		got := availability(t, seed, c.fading, c.margin, n)
		if within := 3.29*math.Sqrt(c.want*(1-c.want)/n) + c.digits; math.Abs(got-c.want) > within {
			t.Errorf("%+v, margin %v dB: %.5f received, want %.5f within %.5f", c.fading, c.margin, got, c.want, within)
		}
	}
}

// TestRayleighCapture: of two frames at once, of one mean power and each with its own Rayleigh fading, one is stronger
// by a factor z with probability 1/(1+z): the ratio of two exponential variables. For 6 dB that is 0.2008.
func TestRayleighCapture(t *testing.T) {
	const n, seed = 50_000, 6
	t.Logf("seed %d", seed)
	o := plain(3, 60)
	o.Seed, o.Fading = seed, Fading{Kind: Rayleigh, Coherence: time.Second}
	a := open(t, o)
	heard := 0
	for i := range n {
		f := a.Send(frame(0, time.Duration(i)*time.Second, time.Millisecond, 14, of(9)))
		a.Send(frame(1, f.At, time.Millisecond, 14, of(9)))
		if a.Heard(f, 2, 0).Loss == Heard {
			heard++
		}
	}
	got, want := float64(heard)/n, 1/(1+math.Pow(10, 0.6))
	if within := 3.29 * math.Sqrt(want*(1-want)/n); math.Abs(got-want) > within {
		t.Errorf("%.4f captured, want %.4f within %.4f", got, want, within)
	}
}

// TestMeanPower: fading takes and gives, but on the average nothing.
func TestMeanPower(t *testing.T) {
	const n = 300_000
	for _, f := range []Fading{{Kind: Rayleigh, Coherence: 1}, {Kind: Rician, K: 0, Coherence: 1}, {Kind: Rician, K: 9, Coherence: 1}} {
		p := f.prepare()
		var sum, squares float64
		for i := range uint64(n) {
			v := p.draw(key(1, drawFading, 1), i)
			if v > p.peak {
				t.Fatalf("%+v: a draw of %v, above the peak of %v", f, v, p.peak)
			}
			sum, squares = sum+v, squares+v*v
		}
		mean := sum / n
		if within := 3.29 * math.Sqrt((squares/n-mean*mean)/n); math.Abs(mean-1) > within {
			t.Errorf("%+v: mean power %.5f, want 1 within %.5f", f, mean, within)
		}
	}
}

// signal is how strong 14 dBm of from come to to at a moment.
func signal(a *Air, from, to int, at time.Duration) float64 {
	return a.Heard(a.Send(frame(from, at, time.Millisecond, 14, of(7))), to, 0).Signal()
}

// TestBlocks: one draw holds for the coherence time, both ways; the next is another, unlike its neighbours in time and
// place.
func TestBlocks(t *testing.T) {
	const coherence, n, seed = 200 * time.Millisecond, 20_000, 4
	t.Logf("seed %d", seed)
	o := plain(3, 60)
	o.Seed, o.Fading = seed, Fading{Kind: Rayleigh, Coherence: coherence}
	a := open(t, o)
	var here, there []float64
	for i := range n {
		begin := time.Duration(i) * coherence
		first := signal(a, 0, 1, begin)
		other := signal(a, 0, 2, begin+time.Millisecond)
		back := signal(a, 1, 0, begin+2*time.Millisecond)
		last := signal(a, 0, 1, begin+coherence-time.Millisecond)
		if back != first || last != first {
			t.Fatalf("block %d: %v dBm, back %v, at its end %v: want all the same", i, first, back, last)
		}
		here, there = append(here, linear(first+46)-1), append(there, linear(other+46)-1) // of mean 0, variance 1
	}
	correlation := func(x, y []float64) (sum float64) {
		for i := range y {
			sum += x[i] * y[i]
		}
		return sum / float64(len(y))
	}
	for what, c := range map[string]float64{"a block and the next": correlation(here, here[1:]), "two pairs": correlation(here, there),
		"two pairs, a block apart": correlation(here, there[1:])} {
		if within := 3.29 / math.Sqrt(n); math.Abs(c) > within {
			t.Errorf("correlation of %s: %.4f, want 0 within %.4f", what, c, within)
		}
	}
}

// TestShadowing: drawn once for each pair, the same both ways and in a year, with the deviation asked for.
func TestShadowing(t *testing.T) {
	const stations, sigma, seed, year = 150, 6.0, 3, 365 * 24 * time.Hour
	t.Logf("seed %d", seed)
	o := plain(stations, 60)
	o.Seed, o.Shadowing = seed, sigma
	a := open(t, o)
	var sum, squares, n float64
	var shadows []float64
	var at time.Duration
	for from := range stations {
		for to := range from {
			at += time.Second
			shadow := signal(a, from, to, at) + 46
			shadows = append(shadows, shadow)
			sum, squares, n = sum+shadow, squares+shadow*shadow, n+1
		}
	}
	at += year
	for from := range stations {
		for to := range from {
			at += time.Second
			if then, now := shadows[0]-46, signal(a, to, from, at); then != now {
				t.Fatalf("from %d to %d: %v dBm, and a year later, back, %v", from, to, then, now)
			}
			shadows = shadows[1:]
		}
	}
	mean := sum / n
	deviation := math.Sqrt(squares/n - mean*mean)
	if math.Abs(mean) > 3.29*sigma/math.Sqrt(n) || math.Abs(deviation-sigma) > 3.29*sigma/math.Sqrt(2*n) {
		t.Errorf("%v pairs: mean %.3f dB, deviation %.3f dB; want 0 and %v", n, mean, deviation, sigma)
	}
}
