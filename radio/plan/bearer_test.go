package plan

import (
	"math"
	"strings"
	"testing"
	"time"

	"longlane/radio/lane"
	"longlane/radio/lora"
)

// TestLawByAntenna: a site with a better antenna puts out less, so that what it radiates is lawful (in Europe 500 mW ERP, a dipole's
// gain below EIRP); its hop is reckoned by the weaker of its two directions; and a better antenna still hears better.
func TestLawByAntenna(t *testing.T) {
	p := func(gain, loss float64) *Hop {
		l := open()
		l.Site("gate").AntennaGain, l.Site("gate").CableLoss = gain, loss
		plan, err := Make(l, Options{Costs: Costs{Node: 1, WiFiNode: 1e6}})
		if err != nil {
			t.Fatal(err)
		}
		return plan.Zones[0].Hops[0]
	}
	usual, great, lossy := p(lane.DipoleGain, 0), p(29, 0), p(29, 15)
	for _, c := range []struct {
		h     *Hop
		power float64
	}{{usual, 14}, {great, 0}, {lossy, 14}} {
		s := c.h.Setting
		if got := s.power[c.h.From]; got != c.power {
			t.Errorf("a gain of %v dBi behind %v dB of cable: %v dBm, want %v", c.h.From.AntennaGain, c.h.From.CableLoss, got, c.power)
		}
		if s.power[c.h.To] != 14 {
			t.Errorf("the house has %v dBm, want 14: its antenna is the usual one", s.power[c.h.To])
		}
		if erp := s.power[c.h.From] + c.h.From.AntennaGain - c.h.From.CableLoss - lane.DipoleGain; erp > 27 {
			t.Errorf("%.2f dBm ERP, lawful are 27", erp)
		}
		if m := s.margin(c.h.Way); math.Abs(m-c.h.Margin) > 1e-9 {
			t.Errorf("the margin that decides is %.3f dB, the budget's %.3f", m, c.h.Margin)
		}
		if c.h.Terms[0].Value != c.power {
			t.Errorf("the budget begins with %v dBm, the weaker side has %v", c.h.Terms[0].Value, c.power)
		}
	}
	if got, want := great.Level-usual.Level, 29-lane.DipoleGain-14; math.Abs(got-want) > 1e-9 {
		t.Errorf("the great antenna brings %.2f dB, want %.2f", got, want)
	}
}

// TestRelaysMustBeLawful: a relay carries frames and receipts, so it needs more airtime than the gateway; a setting by which it has too
// little may be used for one hop alone.
func TestRelaysMustBeLawful(t *testing.T) {
	o := (Options{Goal: Goal{Within: 10 * time.Second}, TripsPerHour: 60, SunHours: 1}).complete(nil)
	l := open()
	all, err := settings(l, []*lane.Site{&l.Sites[0], &l.Sites[1]}, 5, o)
	if err != nil {
		t.Fatal(err)
	}
	alone := 0
	for _, s := range all {
		if s.Refused != "" {
			continue
		}
		frames := 5 * (2*60 + 4) * repeats
		trip, most := s.Airtime(receiptSize).Seconds()*frames, s.Airtime(receiptSize+(MaxHops-1)*hopSize).Seconds()*frames
		if math.Abs(s.Gateway.Seconds()-trip) > 1e-6 || math.Abs(s.Relay.Seconds()-trip-most) > 1e-6 {
			t.Errorf("%s: the gateway needs %v, a relay %v; want %.1f and %.1f s", s.Name(), s.Gateway, s.Relay, trip, trip+most)
		}
		if s.Relay > s.Budget {
			alone++
			if !s.usable(1) || s.usable(2) {
				t.Errorf("%s: a relay needs %v, allowed are %v; over one hop %v, over two %v", s.Name(), s.Relay, s.Budget, s.usable(1), s.usable(2))
			}
		}
	}
	if alone == 0 {
		t.Error("no setting leaves the gateway enough and a relay too little: nothing was tested")
	}
}

// TestBridgeIsLawful: a bridge radiates what ETSI EN 300 328 allows (20 dBm EIRP, from memory), and costs its two antennas.
func TestBridgeIsLawful(t *testing.T) {
	l := open()
	l.Site("gate").At.East = 150
	p, err := Make(l, Options{Costs: Costs{Modem: 40, Node: 1e6, WiFiNode: 50, Bridge: 140}})
	if err != nil {
		t.Fatal(err)
	}
	h := p.Zones[0].Hops[0]
	if h.Bearer != Bridge || p.Cost != 190 || h.Terms[0].Value > 20 || !strings.Contains(h.Terms[0].Name, "EIRP") || h.Terms[1].Value != bridgeGain {
		t.Errorf("%s for %v: %+v", h.Bearer, p.Cost, h.Terms)
	}
	l = open()
	l.Site("gate").At.East, l.Site("gate").Power = 150, lane.PowerBattery
	if p, err = Make(l, Options{Costs: Costs{Modem: 40, Node: 1e6, WiFiNode: 50, Bridge: 140}}); err != nil || p.Zones[0].Bearer != LoRa {
		t.Errorf("on a battery: %s, %v, want no bridge", p.Zones[0].Bearer, err)
	}
}

// TestSensitivity: thermal noise of -174 dBm in each hertz, the noise figure, the SNR that the spreading factor needs (SX1276 datasheet, table
// 13: -7.5 dB at 7, 2.5 less for each more), and what datasheets are worse; a place that is noisier needs so much more.
func TestSensitivity(t *testing.T) {
	l := open()
	for _, rise := range []float64{3, 9} {
		o := (Options{NoiseRise: rise, SunHours: 1}).complete(nil)
		all, err := settings(l, []*lane.Site{&l.Sites[0]}, 1, o)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range all {
			want := -174 + 10*math.Log10(float64(s.Bandwidth)) + 6 - 7.5 - 2.5*float64(s.SpreadingFactor-7) + implementation(s.Bandwidth) + rise
			if math.Abs(s.Need-want) > 0.05 || math.Abs(s.Noise-(lora.ThermalNoise(s.Bandwidth)+6+rise)) > 1e-9 {
				t.Errorf("%s: needs %.2f dBm over noise of %.2f, want %.2f", s.Name(), s.Need, s.Noise, want)
			}
		}
	}
	if implementation(125_000) != 1.5 || implementation(500_000) != 2.5 {
		t.Error("what datasheets are worse than the formula has changed: the README says 1.5 dB")
	}
}
