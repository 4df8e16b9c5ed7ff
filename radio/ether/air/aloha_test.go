package air

import (
	"flag"
	"image/color"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

var plotTo = flag.String("plot", "", "write ALOHA's curve, simulated against theory, to this file (.svg, .png)")

// throughput simulates pure ALOHA at an offered load of g frames a frame's length: senders beyond number (64, of which
// those that are silent take turns), all of one strength, and no capture. It gives the frames received a frame's
// length, and half the width of its 99.9 % interval, from the means of batches: neighbours share their fate.
func throughput(t *testing.T, seed uint64, g float64) (s, within float64) {
	const batches, each, senders = 50, 2400, 64
	o := plain(senders+1, 100)
	o.Capture = aloha()
	a := open(t, o)
	long := of(9).Airtime(20)
	r := rand.New(rand.NewPCG(seed, math.Float64bits(g)))
	var means []float64
	var heard, frames int
	var since time.Duration
	drive(a, poisson(r, a, batches*each, senders, g, 1), func(f *Frame) {
		frames++
		if a.Heard(f, 0, 0).Loss == Heard {
			heard++
		}
		if frames == each {
			means = append(means, float64(heard)*float64(long)/float64(f.At-since))
			heard, frames, since = 0, 0, f.At
		}
	})
	if len(means) != batches {
		t.Fatalf("%d batches, want %d", len(means), batches)
	}
	var squares float64
	for _, m := range means {
		s += m / batches
	}
	for _, m := range means {
		squares += (m - s) * (m - s)
	}
	const student = 3.50 // 49 degrees of freedom, 99.9 % on both sides
	return s, student * math.Sqrt(squares/(batches-1)/batches)
}

// TestALOHA holds the throughput against S = G exp(-2G), whose maximum is 1/(2e) at G = 0.5. Source: N. Abramson, "The
// ALOHA system", 1970.
func TestALOHA(t *testing.T) {
	const seed = 1970
	t.Logf("seed %d", seed)
	for _, c := range []struct{ g, s float64 }{{0.01, 0.009802}, {0.05, 0.045242}, {0.1, 0.081873}, {0.5, 0.183940}, {1, 0.135335}} {
		s, within := throughput(t, seed, c.g)
		t.Logf("G = %v: S = %.6f within %.6f, theory %.6f", c.g, s, within, c.s)
		if math.Abs(s-c.s) > within {
			t.Errorf("G = %v: S = %.6f within %.6f, want %.6f", c.g, s, within, c.s)
		}
		if within > 0.03*c.s {
			t.Errorf("G = %v: the interval of %.6f around %.6f says nothing", c.g, within, s)
		}
	}
	if *plotTo != "" {
		plotALOHA(t, seed)
	}
}

// measured is the curve with its intervals.
type measured struct {
	plotter.XYs
	plotter.YErrors
}

func plotALOHA(t *testing.T, seed uint64) {
	var m measured
	for i := 1; i <= 30; i++ {
		g := float64(i) / 15
		s, within := throughput(t, seed, g)
		m.XYs = append(m.XYs, plotter.XY{X: g, Y: s})
		m.YErrors = append(m.YErrors, struct{ Low, High float64 }{within, within})
	}
	p := plot.New()
	p.Title.Text = "Pure ALOHA on the simulated channel, without capture"
	p.X.Label.Text = "frames offered per frame length, G"
	p.Y.Label.Text = "frames received per frame length, S"
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, 2, 0, 0.24
	p.Add(plotter.NewGrid())
	theory := plotter.NewFunction(func(g float64) float64 { return g * math.Exp(-2*g) })
	theory.Samples, theory.Width, theory.Color = 400, vg.Points(1.5), color.RGBA{R: 0xd0, G: 0x5a, A: 0xff}
	points, err := plotter.NewScatter(m)
	if err != nil {
		t.Fatal(err)
	}
	points.GlyphStyle = draw.GlyphStyle{Color: color.RGBA{G: 0x40, B: 0x90, A: 0xff}, Radius: vg.Points(2), Shape: draw.CircleGlyph{}}
	bars, err := plotter.NewYErrorBars(m)
	if err != nil {
		t.Fatal(err)
	}
	bars.Color = points.Color
	p.Add(theory, bars, points)
	p.Legend.Top = true
	p.Legend.Padding, p.Title.Padding = vg.Points(3), vg.Points(6)
	p.Legend.Add("theory, S = G exp(-2G)", theory)
	p.Legend.Add("simulated, 99.9 % intervals", points)
	if err := p.Save(16*vg.Centimeter, 10*vg.Centimeter, *plotTo); err != nil {
		t.Fatal(err)
	}
}
