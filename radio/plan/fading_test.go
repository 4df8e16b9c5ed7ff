package plan

import (
	"math"
	"testing"
	"time"

	"longlane/radio/lora"
)

// TestFadingShares: against shares that are published. Rayleigh's 10 dB for each nine is the rule of the trade (T. Rappaport, Wireless
// Communications, 2nd ed. 2002, section 5.6.1; 90.48, 99.005 and 99.900 % by the formula there); those of the log-normal law are the
// quantiles of the normal distribution (NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.1: 1.282, 1.645, 2.326, 3.090).
func TestFadingShares(t *testing.T) {
	for _, c := range []struct{ margin, want float64 }{{3, 0.6058}, {5, 0.7289}, {10, 0.9048}, {15, 0.9689}, {20, 0.99005}, {25, 0.99684}, {30, 0.99900}} {
		if got := Rayleigh(c.margin); math.Abs(got-c.want) > 5e-5 {
			t.Errorf("Rayleigh(%v) = %.5f, want %.5f", c.margin, got, c.want)
		}
	}
	for _, c := range []struct{ z, want float64 }{{0, 0.5}, {1.28155, 0.9}, {1.64485, 0.95}, {2.32635, 0.99}, {3.09023, 0.999}} {
		for _, sigma := range []float64{4, 6, 8, 8.7} {
			if got := LogNormal(c.z*sigma, sigma); math.Abs(got-c.want) > 5e-6 {
				t.Errorf("LogNormal(%v, %v) = %.6f, want %.6f", c.z*sigma, sigma, got, c.want)
			}
		}
	}
}

// TestTimingIsTheRehearsals: what is reckoned for four hops of 10 dB is what the rehearsal of them measures, in which nodes and relays
// run by their own code: 99.22 % within 3 s, half within 0.58 s, and 99.99 % with 15 dB (README, What the mesh does).
func TestTimingIsTheRehearsals(t *testing.T) {
	s := lora.Settings{SpreadingFactor: 7, Bandwidth: 125_000, CodingRate: 5, Preamble: 8}
	four := func(m float64) []float64 { return []float64{m, m, m, m} }
	for _, c := range []struct {
		margin      float64
		limit       time.Duration
		want, error float64
	}{
		{10, 3 * time.Second, 0.9922, 0.008},
		{10, 580*time.Millisecond + dwell + house, 0.5, 0.25},
		{15, 3 * time.Second, 0.9999, 0.0015},
		{20, 3 * time.Second, 0.9998, 0.0003},
	} {
		if got := within(byLoRa(&s), four(c.margin), c.limit, coherence); math.Abs(got-c.want) > c.error {
			t.Errorf("four hops of %v dB: %.4f within %v, the rehearsal has %.4f", c.margin, got, c.limit, c.want)
		} else {
			t.Logf("four hops of %v dB: %.4f within %v, the rehearsal has %.4f", c.margin, got, c.limit, c.want)
		}
	}
}

// TestNeededMargin: it is enough, and half a dB less is not; more hops need more, and a setting whose frames are too long never gets there.
func TestNeededMargin(t *testing.T) {
	o := (Options{NoiseRise: -1, SunHours: 1}).complete(nil)
	s := lora.Settings{SpreadingFactor: 7, Bandwidth: 125_000, CodingRate: 5, Preamble: 8}
	last := 0.0
	for hops := 1; hops <= MaxHops; hops++ {
		m := neededMargin(byLoRa(&s), hops, o)
		all := func(m float64) (list []float64) {
			for range hops {
				list = append(list, m)
			}
			return list
		}
		if enough, less := timing(byLoRa(&s), all(m), o), timing(byLoRa(&s), all(m-0.5), o); enough < o.Goal.Share || less >= o.Goal.Share {
			t.Errorf("%d hops need %.1f dB: %.5f with it, %.5f with 0.5 dB less", hops, m, enough, less)
		}
		if m < last {
			t.Errorf("%d hops need %.1f dB, one less %.1f", hops, m, last)
		}
		last = m
	}
	s.SpreadingFactor = 12
	if m := neededMargin(byLoRa(&s), 2, o); !math.IsInf(m, 1) {
		t.Errorf("two hops at spreading factor 12 need %.1f dB, but last longer than 2 s", m)
	}
}

// TestSun: FAO Irrigation and Drainage Paper 56, example 8: 32.2 MJ/m² at 20° south on 3 September; Duffie and Beckman, Solar Engineering
// of Thermal Processes, example 1.10.1: 33.8 MJ/m² at 43° north on 15 April (both from memory). In the polar night there is none.
func TestSun(t *testing.T) {
	for _, c := range []struct {
		latitude float64
		day      int
		want     float64 // MJ/m²
	}{{-20, 246, 32.2}, {43, 105, 33.8}} {
		if got := 3.6 * daily(c.latitude, c.day); math.Abs(got-c.want) > 0.05 {
			t.Errorf("at %v degrees on day %d: %.2f MJ/m², want %.1f", c.latitude, c.day, got, c.want)
		}
	}
	if got := WorstSun(80); got != 0 {
		t.Errorf("in the polar night there are %.2f sun hours", got)
	}
	if north, south := WorstSun(44.5), WorstSun(-44.5); math.Abs(north-south) > 0.1 || north < 0.5 || north > 2 {
		t.Errorf("in the darkest month %.2f sun hours in the north, %.2f in the south", north, south)
	}
}

// TestRepeatsDoNotHelpInAFade: 3 dB let 60.6 % through; a second try a third of a second later helps only where the fade is over by then. As
// if each try were drawn anew it would be 84 %.
func TestRepeatsDoNotHelpInAFade(t *testing.T) {
	s := lora.Settings{SpreadingFactor: 7, Bandwidth: 125_000, CodingRate: 5, Preamble: 8}
	if got := within(byLoRa(&s), []float64{3}, 700*time.Millisecond, coherence); got < 0.62 || got > 0.76 {
		t.Errorf("one hop of 3 dB: %.3f within 0.7 s, want between 0.62 and 0.76", got)
	}
	if once, later := within(byLoRa(&s), []float64{3}, 300*time.Millisecond, coherence), within(byLoRa(&s), []float64{3}, 3*time.Second, coherence); math.Abs(once-Rayleigh(3)) > 1e-9 || later < 0.85 {
		t.Errorf("one hop of 3 dB: %.3f at once, want %.3f; %.3f within 3 s", once, Rayleigh(3), later)
	}
}

// TestWiFiByItsOwnFrames: a goal that is over before any LoRa frame is leaves Wi-Fi the margin of a single try, 20 dB for 99 %
// (Rayleigh), and not that of LoRa, which is infinite; 6 Mbit/s carry the 90 bytes of a trip and what is around it in 144 µs (IEEE 802.11,
// clause 17.4.3: 20 µs, and 31 symbols of 4 µs). More time for more tries asks less.
func TestWiFiByItsOwnFrames(t *testing.T) {
	if got := byWiFi().air(tripSize); got != 144*time.Microsecond {
		t.Errorf("a trip lasts %v on Wi-Fi, want 144µs", got)
	}
	o := (Options{Goal: Goal{Share: 0.99, Within: 200 * time.Millisecond, Margin: 1}, SunHours: 1}).complete(nil)
	lora := lora.Settings{SpreadingFactor: 7, Bandwidth: 125_000, CodingRate: 5, Preamble: 8}
	if m := neededMargin(byLoRa(&lora), 1, o); !math.IsInf(m, 1) {
		t.Errorf("SF7 needs %.1f dB for 200 ms, but its frame lasts longer than what is left of them", m)
	}
	last := math.Inf(1)
	for i, within := range []time.Duration{200 * time.Millisecond, 2 * time.Second, 4 * time.Second} {
		o.Goal.Within = within
		m := wifiMargin(o)
		if i == 0 && math.Abs(m-19.98) > 0.05 || m >= last {
			t.Errorf("within %v Wi-Fi needs %.2f dB, want 19.98 for one try, and less for more; before it was %.2f", within, m, last)
		}
		last = m
	}
}

// TestLongFades: in a fade that outlasts all tries they are worth as much as one, exp(-10^(-margin/10)) of the trips; that one is over before the tries are
// happens as often as they are long beside it, so a fade of 10 s lies between that and one of 1 s.
func TestLongFades(t *testing.T) {
	for _, c := range []struct {
		name string
		pace pace
	}{{"SF7", byLoRa(&lora.Settings{SpreadingFactor: 7, Bandwidth: 125_000, CodingRate: 5, Preamble: 8})}, {"Wi-Fi", byWiFi()}} {
		short, long, endless := within(c.pace, []float64{8}, 3*time.Second, coherence), within(c.pace, []float64{8}, 3*time.Second, 10*time.Second), within(c.pace, []float64{8}, 3*time.Second, time.Hour)
		if math.Abs(endless-Rayleigh(8)) > 1e-9 || long <= endless || long >= short {
			t.Errorf("%s: %.4f in time with fades of 1 s, %.4f with 10 s, %.4f with an hour, want less and less down to %.4f", c.name, short, long, endless, Rayleigh(8))
		}
	}
}
