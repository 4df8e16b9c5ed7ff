package lora

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

func TestRegions(t *testing.T) {
	want := []string{"europe", "united-states", "australia", "new-zealand", "india", "japan"}
	if got := Regions(); !slices.Equal(got, want) {
		t.Errorf("Regions() = %v, want %v", got, want)
	}
	if got := Bands("atlantis"); got != nil {
		t.Errorf("Bands of no region: %v", got)
	}
	n := 0
	for _, region := range want {
		for _, b := range Bands(region) {
			n++
			if b.Region != region || b.Low >= b.High || b.Document == "" || b.Edition == "" || b.Date == "" {
				t.Errorf("row without region, range, document, edition or date: %+v", b)
			}
			if b.Low < 863e6 || b.High > 928.1e6 || b.Limit < -2 || b.Limit > 30.01 || b.DutyCycle < 0 || b.DutyCycle > 0.1 {
				t.Errorf("row out of all reason: %v", b)
			}
			if text := b.String(); !strings.Contains(text, b.Document) || !strings.Contains(text, b.Range()) {
				t.Errorf("String() = %q", text)
			}
		}
	}
	if n != len(bands) {
		t.Errorf("%d rows by region, the table has %d", n, len(bands))
	}
}

// The rows of REC 70-03 and EN 300 220-2 with their limits, written down a second time, and which of them were seen in a source.
func TestEurope(t *testing.T) {
	want := []string{
		"863-865 MHz 25 mW 3.6s any use false",
		"865-868 MHz 25 mW 36s any use false",
		"868-868.6 MHz 25 mW 36s any use true",
		"868.6-868.7 MHz 10 mW 36s alarms true",
		"868.7-869.2 MHz 25 mW 3.6s any use true",
		"869.2-869.25 MHz 10 mW 3.6s social alarms true",
		"869.25-869.3 MHz 10 mW 3.6s alarms true",
		"869.3-869.4 MHz 10 mW 36s alarms true",
		"869.4-869.65 MHz 500 mW 6m0s any use true",
		"869.65-869.7 MHz 25 mW 6m0s alarms true",
		"869.7-870 MHz 5 mW 1h0m0s any use false",
		"869.7-870 MHz 25 mW 36s any use false",
	}
	var got []string
	for _, b := range Bands("europe") {
		use := b.Use
		if use == "" {
			use = "any use"
		}
		got = append(got, strings.Join([]string{b.Range(), number(math.Pow(10, b.Limit/10)), "mW", b.Budget().String(), use,
			map[bool]string{true: "true", false: "false"}[b.Verified]}, " "))
		if b.As != ERP {
			t.Errorf("%v is not counted as ERP", b)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("europe:\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// The other regions' rows, likewise written down a second time.
func TestElsewhere(t *testing.T) {
	want := []string{
		"902-928 MHz 1000 mW conducted 6 dBi free, 8 dBm in 3 kHz, 500 kHz or more, verified false",
		"902-928 MHz 0.75 mW EIRP verified true",
		"915-928 MHz 1000 mW EIRP 14 dBm in 3 kHz, 500 kHz or more, verified false",
		"915-928 MHz 3 mW EIRP verified false",
		"920-928 MHz 1000 mW EIRP 14 dBm in 3 kHz, 500 kHz or more, verified false",
		"915-928 MHz 3 mW EIRP verified false",
		"865-867 MHz 1000 mW conducted 8.17 dBi free, at most 200 kHz, verified false",
		"865-868 MHz 1000 mW conducted 8.17 dBi free, at most 200 kHz, verified false",
		"920.5-923.5 MHz 20 mW conducted 3 dBi free, listen 5ms, send 4s, pause 50ms, 1h0m0s an hour, channels of 200 kHz, verified false",
		"922.3-928.1 MHz 20 mW conducted 3 dBi free, listen 128µs, send 400ms, pause 2ms, 6m0s an hour, channels of 200 kHz, verified false",
	}
	var got []string
	for _, b := range bands {
		if b.Region == "europe" {
			continue
		}
		s := fmt.Sprintf("%s %s mW %v ", b.Range(), number(math.Pow(10, b.Limit/10)), b.As)
		if b.As == Conducted {
			s += fmt.Sprintf("%v dBi free, ", b.GainFree)
		}
		if b.Density > 0 {
			s += fmt.Sprintf("%.0f dBm in 3 kHz, ", milliwatts(b.Density))
		}
		if b.Listen > 0 {
			s += fmt.Sprintf("listen %v, send %v, pause %v, %v an hour, ", b.Listen, b.LongestFrame, b.Pause, b.Budget())
		}
		if b.MinBandwidth > 0 {
			s += fmt.Sprintf("%d kHz or more, ", b.MinBandwidth/1000)
		}
		if b.MaxBandwidth > 0 {
			s += fmt.Sprintf("at most %d kHz, ", b.MaxBandwidth/1000)
		}
		if b.Channel > 0 {
			s += fmt.Sprintf("channels of %d kHz, ", b.Channel/1000)
		}
		got = append(got, s+fmt.Sprint("verified ", b.Verified))
	}
	if !slices.Equal(got, want) {
		t.Errorf("elsewhere:\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// EIRP = ERP + 2.15 dB. The figures are those commonly printed for these limits; own computation.
func TestPowerKinds(t *testing.T) {
	for _, c := range []struct{ mW, erp, eirp float64 }{{10, 10, 12.15}, {25, 13.98, 16.13}, {500, 26.99, 29.14}} {
		tx := Transmitter{Power: milliwatts(c.mW), AntennaGain: DipoleGain}
		if math.Abs(tx.ERP()-c.erp) > 0.005 || math.Abs(tx.EIRP()-c.eirp) > 0.005 {
			t.Errorf("%v mW: ERP %.3f, EIRP %.3f; want %v and %v dBm", c.mW, tx.ERP(), tx.EIRP(), c.erp, c.eirp)
		}
	}
	// 14 dBm, a cable of 0.5 dB, 2.15 dBi: the near end of a worked link budget.
	if got := (Transmitter{Power: 14, CableLoss: 0.5, AntennaGain: 2.15}).EIRP(); math.Abs(got-15.65) > 1e-9 {
		t.Errorf("EIRP = %v, want 15.65", got)
	}
	// 50 mV/m at 3 m: (E r)^2 / 30 watts EIRP in free space.
	if got := milliwatts(math.Pow(0.05*3, 2) / 30 * 1000); math.Abs(got-Bands("united-states")[1].Limit) > 1e-9 || math.Abs(got+1.25) > 0.005 {
		t.Errorf("50 mV/m at 3 m = %v dBm EIRP, the row says %v", got, Bands("united-states")[1].Limit)
	}
}

// Frames of 16 bytes in an hour at 0.1, 1 and 10 %, and the silence after one at SF12: own computation from the definition of
// duty cycle in EN 300 220-1, T_off = T_on (1/dc - 1).
func TestFramesPerHour(t *testing.T) {
	for sf, want := range map[int][3]int{7: {69, 699, 6996}, 9: {21, 218, 2183}, 12: {2, 27, 272}} {
		s := Settings{SpreadingFactor: sf, Bandwidth: 125000, CodingRate: 5, Preamble: 8}
		for i, duty := range []float64{0.001, 0.01, 0.1} {
			if got := (Band{DutyCycle: duty}).FramesPerHour(s, 16); got != want[i] {
				t.Errorf("SF%d at %v: %d frames an hour, want %d", sf, duty, got, want[i])
			}
		}
	}
	s := Settings{SpreadingFactor: 12, Bandwidth: 125000, CodingRate: 5, Preamble: 8}
	if got := (Band{DutyCycle: 0.01}).Silence(s.Airtime(16)); math.Abs(got.Seconds()-130.57) > 0.005 {
		t.Errorf("Silence = %v, want 130.57 s", got)
	}
	if got := (Band{Pause: time.Second}).Silence(time.Second); got != time.Second {
		t.Errorf("Silence under a rule of a pause alone = %v, want 1s", got)
	}
	if got := (Band{Pause: 9 * time.Second}).FramesPerHour(Settings{SpreadingFactor: 7, Bandwidth: 125000, CodingRate: 5, Preamble: 8}, 16); got != 397 {
		t.Errorf("with a pause of 9 s %d frames an hour, want 3600 / 9.051456 = 397", got)
	}
}

func TestBudget(t *testing.T) {
	for _, c := range []struct {
		b    Band
		want time.Duration
	}{
		{Band{}, time.Hour},
		{Band{DutyCycle: 0.001}, 3600 * time.Millisecond},
		{Band{PerHour: 360 * time.Second}, 6 * time.Minute},
		{Band{DutyCycle: 0.01, PerHour: 360 * time.Second}, 36 * time.Second},
	} {
		if got := c.b.Budget(); got != c.want {
			t.Errorf("%+v.Budget() = %v, want %v", c.b, got, c.want)
		}
	}
}

// The largest payloads within 400 ms at 125 kHz, 4/5, preamble 8: own computation. At SF11 an empty frame of 331.8 ms is all,
// at SF12 it lasts 663.6 ms.
func TestMaxPayload(t *testing.T) {
	for sf, want := range map[int]int{7: 255, 8: 138, 9: 66, 10: 24, 11: 0, 12: -1} {
		s := Settings{SpreadingFactor: sf, Bandwidth: 125000, CodingRate: 5, Preamble: 8}
		if got := (Band{LongestFrame: 400 * time.Millisecond}).MaxPayload(s); got != want {
			t.Errorf("SF%d: MaxPayload = %d, want %d", sf, got, want)
		}
		if got := (Band{}).MaxPayload(s); got != MaxFrame {
			t.Errorf("SF%d: MaxPayload where nothing limits it = %d", sf, got)
		}
	}
}
