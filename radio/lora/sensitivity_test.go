package lora

import (
	"math"
	"strings"
	"testing"
)

func TestRequiredSNR(t *testing.T) { // SX1261/2 datasheet
	for sf, want := range map[int]float64{5: -2.5, 6: -5, 7: -7.5, 8: -10, 9: -12.5, 10: -15, 11: -17.5, 12: -20} {
		if got := RequiredSNR(sf); got != want {
			t.Errorf("RequiredSNR(%d) = %v, want %v", sf, got, want)
		}
	}
}

// Noise and sensitivity by AN1200.22's formula with a noise figure of 6 dB, computed elsewhere to a hundredth of a dB.
func TestSensitivity(t *testing.T) {
	for width, want := range map[int]struct {
		noise float64
		by    [8]float64 // SF5 to SF12
	}{
		125000: {-123.03, [8]float64{-119.53, -122.03, -124.53, -127.03, -129.53, -132.03, -134.53, -137.03}},
		250000: {-120.02, [8]float64{-116.52, -119.02, -121.52, -124.02, -126.52, -129.02, -131.52, -134.02}},
		500000: {-117.01, [8]float64{-113.51, -116.01, -118.51, -121.01, -123.51, -126.01, -128.51, -131.01}},
	} {
		if got := ThermalNoise(width); math.Abs(got-want.noise) > 0.005 {
			t.Errorf("ThermalNoise(%d) = %.3f, want %v", width, got, want.noise)
		}
		for i, want := range want.by {
			if got := Sensitivity(Settings{SpreadingFactor: 5 + i, Bandwidth: width}, 6); math.Abs(got-want) > 0.005 {
				t.Errorf("Sensitivity(SF%d, %d Hz, 6 dB) = %.3f, want %v", 5+i, width, got, want)
			}
		}
	}
}

// The documents are named in the table. NaN: the table has nothing.
func TestDatasheetSensitivity(t *testing.T) {
	none := math.NaN()
	for _, c := range []struct {
		chip  string
		width int
		by    [8]float64 // SF5 to SF12
	}{
		{"SX1276", 125000, [8]float64{none, -118, -123, -126, -129, -132, -133, -136}},
		{"SX1276", 250000, [8]float64{none, -115, -120, -123, -125, -128, -130, -133}},
		{"SX1276", 500000, [8]float64{none, -111, -116, -119, -122, -125, -128, -130}},
		{"SX1272", 125000, [8]float64{none, -121, -124, -127, -130, -133, -135, -137}},
		{"SX1272", 250000, [8]float64{none, -118, -122, -125, -128, -130, -132, -135}},
		{"SX1272", 500000, [8]float64{none, -111, -116, -119, -122, -125, -128, -129}},
		{"SX1261/2", 10420, [8]float64{none, none, -134, none, none, none, none, -148}},
		{"SX1261/2", 125000, [8]float64{none, none, -124, none, none, none, none, -137}},
		{"SX1261/2", 250000, [8]float64{none, none, -121, none, none, none, none, -134}},
		{"SX1261/2", 500000, [8]float64{none, none, -117, none, none, none, none, -129}},
		{"SX1302", 125000, [8]float64{none, none, -127, -129, -132.5, -135.5, -138, -141}},
		{"SX1302", 250000, [8]float64{none, none, none, none, none, none, none, none}},
	} {
		for i, want := range c.by {
			got, source, err := DatasheetSensitivity(c.chip, 5+i, c.width)
			switch {
			case math.IsNaN(want) != (err != nil) || err == nil && got != want:
				t.Errorf("DatasheetSensitivity(%s, %d, %d) = %v, %v; want %v", c.chip, 5+i, c.width, got, err, want)
			case err == nil && (source.Verified != (c.chip != "SX1276" || i != 1) || !strings.Contains(source.Document, "datasheet")):
				t.Errorf("DatasheetSensitivity(%s, %d, %d): source %v", c.chip, 5+i, c.width, source)
			}
		}
	}
	for want, ask := range map[string]struct {
		chip string
		sf   int
	}{
		"no sensitivity of SX1261/2 for SF9 at 125 kHz: it has SF7 at 10.42 kHz": {"SX1261/2", 9},
		"expected one of SX1276, SX1272, SX1261/2, SX1302":                       {"SX1301", 9},
	} {
		if _, _, err := DatasheetSensitivity(ask.chip, ask.sf, 125000); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("DatasheetSensitivity(%s, %d): %v, want an error that says %q", ask.chip, ask.sf, err, want)
		}
	}
}

// How far the SX1276's table is behind the formula at 125 kHz, computed elsewhere: a mistake in either shows.
func TestDatasheetBehindFormula(t *testing.T) {
	for i, want := range []float64{1.53, 1.03, 0.53, 0.03, 1.53, 1.03} {
		s := Settings{SpreadingFactor: 7 + i, Bandwidth: 125000}
		table, _, err := DatasheetSensitivity("SX1276", 7+i, 125000)
		if got := table - Sensitivity(s, 6); err != nil || math.Abs(got-want) > 0.005 {
			t.Errorf("SF%d: the table is %.3f dB behind, want %v (%v)", 7+i, got, want, err)
		}
	}
}

// By SNR if there is one, by RSSI over the sensitivity else: at SF12 and 125 kHz 20 dB below the noise suffice (SX1261/2 datasheet), and
// -137 dBm (AN1200.22).
func TestMargin(t *testing.T) {
	s, none := Settings{SpreadingFactor: 12, Bandwidth: 125000, CodingRate: 5, Preamble: 8}, math.NaN()
	for _, c := range []struct{ rssi, snr, want float64 }{
		{-100, 5, 25}, {none, -20, 0}, {-50, -21.5, -1.5}, {-137, none, 0}, {-127, none, 10}, {none, none, none},
	} {
		if got := Margin(s, c.rssi, c.snr); math.Abs(got-c.want) > 0.05 || math.IsNaN(got) != math.IsNaN(c.want) {
			t.Errorf("Margin(%v, %v) = %v, want %v", c.rssi, c.snr, got, c.want)
		}
	}
}
