package air

import (
	"fmt"
	"math"
	"time"
)

// Fading is how the power of a path varies around its mean. The zero value is none.
type Fading struct {
	Kind      FadingKind
	K         float64       // Rician: power of the steady part over that of the scattered one, dB
	Coherence time.Duration // for how long a draw holds
}

// FadingKind is a distribution of the amplitude.
type FadingKind uint8

// The distributions.
const (
	NoFading FadingKind = iota
	Rayleigh            // no steady part: the power is exponentially distributed
	Rician
)

func (f Fading) check() error {
	switch {
	case f.Kind > Rician:
		return fmt.Errorf("kind %d: expected NoFading, Rayleigh or Rician", f.Kind)
	case f.Kind == NoFading:
		return nil
	case f.Coherence <= 0:
		return fmt.Errorf("coherence time %v: expected more than 0", f.Coherence)
	case f.Kind == Rician && (math.IsNaN(f.K) || math.IsInf(f.K, 0)):
		return fmt.Errorf("k-factor of %v dB: expected a number", f.K)
	}
	return nil
}

// fading is Fading made ready for many draws.
type fading struct {
	kind      FadingKind
	coherence time.Duration
	steady    float64 // amplitude
	scattered float64 // standard deviation of each of its two components
	peak      float64 // no draw is above it
}

func (f Fading) prepare() fading {
	out := fading{kind: f.Kind, coherence: f.Coherence, peak: 1}
	switch f.Kind {
	case Rayleigh:
		out.peak = -math.Log(0x1p-53)
	case Rician:
		k := linear(f.K)
		out.steady, out.scattered = math.Sqrt(k/(k+1)), math.Sqrt(1/(2*(k+1)))
		highest := out.steady + out.scattered*math.Sqrt(-2*math.Log(0x1p-53))
		out.peak = highest * highest
	}
	return out
}

func (f *fading) block(t time.Duration) uint64 {
	if f.kind == NoFading {
		return 0
	}
	return uint64(t / f.coherence)
}

// draw is the power of a block over the mean, of mean 1.
func (f *fading) draw(key, block uint64) float64 {
	if f.kind == NoFading {
		return 1
	}
	u := mix(key + block*golden)
	if f.kind == Rayleigh {
		return -math.Log(unit(u))
	}
	radius, angle := polar(u)
	scattered := f.scattered * radius
	return max(f.steady*f.steady+scattered*scattered+2*f.steady*scattered*math.Cos(angle), 0)
}

// What draws are for: each has its own stream.
const (
	drawShadow uint64 = 1 + iota
	drawFading
	drawBurst
)

const golden = 0x9e3779b97f4a7c15

// mix is the finalizer of SplitMix64: Steele, Lea and Flood, "Fast splittable pseudorandom number generators", OOPSLA
// 2014, with the constants of D. Stafford's variant 13. Each bit of the result depends on each of x.
func mix(x uint64) uint64 {
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// key is the beginning of a stream of draws.
func key(seed, purpose, what uint64) uint64 {
	return mix(mix(mix(seed+golden)+purpose*golden) + what*golden)
}

// unit makes a number above 0, up to 1.
func unit(u uint64) float64 { return float64(u>>11+1) * 0x1p-53 }

// polar is a point of a two-dimensional normal distribution of unit variances, by Box and Muller, 1958.
func polar(u uint64) (radius, angle float64) {
	return math.Sqrt(-2 * math.Log(unit(u))), 2 * math.Pi * unit(mix(u+golden))
}

func normal(u uint64) float64 {
	radius, angle := polar(u)
	return radius * math.Cos(angle)
}
