package survey

import (
	"math"
	"reflect"
	"testing"

	"longlane/radio/lora"
)

var sf7 = lora.Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8}

func near(a, b, by float64) bool { return math.Abs(a-b) <= by }

// TestFadingLoss: shares of frames lost under Rayleigh fading, of margins over the mean. Source: Goldsmith, Wireless Communications
// (from memory): outage 1 - exp(-10^(-M/10)); 3 dB 39.42 %, 5 dB 27.11 %, 10 dB 9.52 %, 20 dB 0.995 %, 30 dB 0.100 %.
func TestFadingLoss(t *testing.T) {
	for m, percent := range map[float64]float64{3: 39.42, 5: 27.11, 10: 9.52, 15: 3.11, 20: 0.995, 30: 0.100} {
		if got := 100 * FadingLoss(m); !near(got, percent, 0.006) {
			t.Errorf("at %v dB %.3f %% are lost, want %v", m, got, percent)
		}
	}
	// What MountWorst says of the worst tenth, and what the shares that must be answered come from.
	if got := FadingLoss(MountMargin - MountWorst); !near(got, 0.1, 0.006) {
		t.Errorf("under Rayleigh fading a share of %.3f lies below MountWorst at MountMargin, want a tenth", got)
	}
	for _, c := range []struct{ margin, answered float64 }{{MountMargin, MountAnswered}, {StepMargin, StepAnswered}} {
		if both := math.Pow(1-FadingLoss(c.margin), 2); both < c.answered || both > c.answered+0.04 {
			t.Errorf("at %v dB each way %.3f get there and back, and %v are asked for", c.margin, both, c.answered)
		}
	}
}

// TestMargin: by SNR, unless there is none or it has saturated. Published: SNR limits of the SX1261/2 datasheet (-7.5 dB at SF7, -20 dB at SF12),
// thermal noise -174 dBm/Hz and 6 dB of noise figure (AN1200.22).
func TestMargin(t *testing.T) {
	sf12 := sf7
	sf12.SpreadingFactor = 12
	nan := math.NaN()
	for _, c := range []struct {
		s               lora.Settings
		rssi, snr, want float64
	}{
		{sf7, -110, 5, 12.5},
		{sf7, -60, 5, 12.5}, // however strong: the place is noisy
		{sf7, -122, -7.5, 0},
		{sf7, -122, -10, -2.5},
		{sf12, -130, -14, 6},
		{sf7, -110, nan, 14.53}, // sensitivity -124.53 dBm
		{sf7, -90, 9.5, 34.53},
		{sf7, -115, 9.5, 17},
		{sf7, nan, 9.5, 17},
		{sf7, nan, nan, nan},
	} {
		if got := margin(c.s, c.rssi, c.snr); !near(got, c.want, 0.005) && !(math.IsNaN(got) && math.IsNaN(c.want)) {
			t.Errorf("SF%d, %v dBm, %v dB: margin %.2f, want %v", c.s.SpreadingFactor, c.rssi, c.snr, got, c.want)
		}
	}
	if got := noise(sf7, -100, 2); !near(got, 15.03, 0.005) {
		t.Errorf("noise %v, want 15.03 dB", got)
	}
	for _, snr := range []float64{-0.25, saturated, nan} {
		if got := noise(sf7, -100, snr); !math.IsNaN(got) {
			t.Errorf("at an SNR of %v dB noise shows as %v", snr, got)
		}
	}
}

// TestSpread: the median, and by nearest rank what nine of ten are better than; what was not measured counts not at all.
func TestSpread(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		of   []float64
		want *Spread
	}{
		{nil, nil},
		{[]float64{nan, nan}, nil},
		{[]float64{-3}, &Spread{-3, -3}},
		{[]float64{nan, 4, 2}, &Spread{3, 2}},
		{[]float64{9, 1, 2, 3, 4, 5, 6, 7, 8, 10}, &Spread{5.5, 1}},
		{[]float64{11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1}, &Spread{6, 2}},
		{[]float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20}, &Spread{10.5, 2}},
	} {
		if got := spreadOf(c.of); !reflect.DeepEqual(got, c.want) {
			t.Errorf("spread of %v: %+v, want %+v", c.of, got, c.want)
		}
	}
}

func from(id uint8, rssi, snr float64) Heard { return Heard{id, &rssi, &snr} }

// TestFigures: each probe counts once in each direction, each frame heard counts with its strength, and whoever hears this place
// best stands first.
func TestFigures(t *testing.T) {
	probes := []Probe{
		{Counter: 1, Sent: 1, Answered: 1.5, HeardBy: []Heard{from(3, -104, 2)}, Heard: []Heard{from(3, -101, 5), from(3, -103, 3), from(240, -121, -6)}},
		{Counter: 2, Sent: 6, HeardBy: []Heard{from(3, -106, 0)}},
		{Counter: 3, Sent: 11, Answered: 11.2, Heard: []Heard{from(240, -120, -5), from(9, -60, 7)}},
		{Counter: 4, Sent: 16, Answered: 17.2, HeardBy: []Heard{{Neighbour: 240}}, Heard: []Heard{from(240, -122, -7)}},
	}
	f := figures(sf7, probes)
	if f.Probes != 4 || f.Answered != 3 || !near(f.RoundTrip.Median, 0.5, 1e-9) || !near(f.RoundTrip.Worst, 1.2, 1e-9) {
		t.Errorf("whole way: %+v, %+v", f, f.RoundTrip)
	}
	want := []Neighbour{
		{3, Direction{4, 2, 0.5, &Spread{-105, -106}, &Spread{1, 0}, &Spread{8.5, 7.5}, 11.03}, Direction{4, 1, 0.75, &Spread{-102, -103}, &Spread{4, 3}, &Spread{11.5, 10.5}, 11.03}},
		{240, Direction{4, 1, 0.75, nil, nil, nil, 0}, Direction{4, 3, 0.25, &Spread{-121, -122}, &Spread{-6, -7}, &Spread{1.5, 0.5}, 0}},
		{9, Direction{4, 0, 1, nil, nil, nil, 0}, Direction{4, 1, 0.75, &Spread{-60, -60}, &Spread{7, 7}, &Spread{14.5, 14.5}, 50.03}},
	}
	for i := range f.Neighbours {
		n := &f.Neighbours[i]
		n.To.Noise, n.From.Noise = math.Round(n.To.Noise*100)/100, math.Round(n.From.Noise*100)/100
	}
	if !reflect.DeepEqual(f.Neighbours, want) {
		t.Errorf("neighbours\n%+v, want\n%+v", f.Neighbours, want)
	}
	if d, to := f.Neighbours[0].weak(); d != &f.Neighbours[0].To || !to {
		t.Error("of relay 3 the way there is the weak one")
	}
	if f := figures(sf7, nil); f.Probes != 0 || f.RoundTrip != nil || len(f.Neighbours) != 0 {
		t.Errorf("without probes: %+v", f)
	}
}

// TestHears: a gateway that answers hears this place although it does not tell how, unless a relay may have brought it what it
// answers.
func TestHears(t *testing.T) {
	answered := Probe{Sent: 1, Answered: 2, Heard: []Heard{from(240, -100, 5)}}
	for _, c := range []struct {
		what   string
		probes []Probe
		want   uint8 // the best; 0: nobody
	}{
		{"the gateway alone", []Probe{answered}, 240},
		{"the gateway is heard, and answers nothing", []Probe{{Sent: 1, Heard: answered.Heard}}, 0},
		{"a relay carries", []Probe{answered, {Sent: 3, HeardBy: []Heard{from(3, -120, -6)}}}, 3},
		{"a relay is heard, and hears nothing", []Probe{answered, {Sent: 3, Heard: []Heard{from(3, -70, 8)}}}, 240},
		{"the gateway tells", []Probe{answered, {Sent: 3, HeardBy: []Heard{from(3, -120, -6), from(240, -110, 2)}}}, 240},
		{"nobody", []Probe{{Sent: 1}}, 0},
	} {
		f := figures(sf7, c.probes)
		best := uint8(0)
		if n := f.best(); n != nil {
			best = n.ID
		}
		if best != c.want {
			t.Errorf("%s: the best is %d, want %d", c.what, best, c.want)
		}
	}
}
