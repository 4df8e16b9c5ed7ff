package air

import (
	"math/rand/v2"
	"testing"
	"time"
)

// BenchmarkHeard judges the frames of 50 stations, a busy hour's load again and again, each at all of them. Its figures
// are for one judgement: a year of check-ins every 15 minutes, with as many answers, has 180 million.
func BenchmarkHeard(b *testing.B) {
	for _, c := range []struct {
		name   string
		fading Fading
		load   float64
	}{
		{"steady", Fading{}, 0.02},
		{"rayleigh", Fading{Kind: Rayleigh, Coherence: time.Second}, 0.02},
		{"rician", Fading{Kind: Rician, K: 6, Coherence: time.Second}, 0.02},
		{"crowded", Fading{Kind: Rayleigh, Coherence: time.Second}, 1},
	} {
		b.Run(c.name, func(b *testing.B) {
			const stations = 50
			r := rand.New(rand.NewPCG(1, 2))
			o := plain(stations, 0)
			o.Shadowing, o.Fading = 6, c.fading
			o.Loss = func(int, int) float64 { return 100 + 60*r.Float64() }
			a := open(b, o)
			var by [losses]int
			b.ReportAllocs()
			b.ResetTimer()
			drive(a, poisson(r, a, b.N/(stations-1)+1, stations, c.load, 0), func(f *Frame) {
				for to := range stations {
					if to != f.From {
						by[a.Heard(f, to, 0).Loss]++
					}
				}
			})
			b.ReportMetric(float64(by[Heard])/float64(b.N), "heard/op")
		})
	}
}
