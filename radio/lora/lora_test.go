package lora

import (
	"math"
	"testing"
)

// The rows marked S1 are the chip vendor's calculator values as recorded in the unit tests of micropython-lib's LoRa
// driver; S2 to S6 are a public radio-driver library's golden data, a spreadsheet of AN1200.13, rfwireless-world.com's
// airtime page, a LoRa arithmetic crate's documentation test and an airtime script's unit tests.
func TestAirtimePublished(t *testing.T) {
	for _, c := range []struct {
		source string
		s      Settings
		n      int
		ms     float64
	}{
		{"S1", Settings{12, 500000, 5, 8, false, false}, 1, 206.848},
		{"S1", Settings{12, 500000, 5, 12, false, false}, 64, 649.216},
		{"S1", Settings{12, 500000, 5, 8, true, false}, 1, 165.888},
		{"S1", Settings{12, 500000, 5, 12, true, true}, 16, 280.576},
		{"S1", Settings{8, 125000, 6, 8, false, false}, 1, 53.760},
		{"S1", Settings{8, 125000, 6, 8, false, false}, 3, 66.048},
		{"S1", Settings{8, 125000, 6, 8, false, false}, 253, 827.904},
		{"S1", Settings{8, 125000, 6, 12, false, true}, 5, 61.952},
		{"S3", Settings{9, 125000, 5, 8, false, false}, 13, 164.864},
		{"S4", Settings{7, 125000, 5, 8, false, false}, 10, 41.216},
		{"S5", Settings{9, 125000, 5, 8, false, false}, 12, 144.384},
		{"S6", Settings{12, 125000, 5, 8, false, false}, 64, 2793.472},
		{"S6", Settings{7, 500000, 5, 8, false, false}, 255, 99.904},
	} {
		if got := float64(c.s.Airtime(c.n)) / 1e6; math.Abs(got-c.ms) > 0.001 {
			t.Errorf("%s: %+v.Airtime(%d) = %.3f ms, want %.3f", c.source, c.s, c.n, got, c.ms)
		}
	}
}

func TestRequiredSNR(t *testing.T) { // SX1261/2 datasheet
	for sf, want := range map[int]float64{7: -7.5, 8: -10, 9: -12.5, 10: -15, 11: -17.5, 12: -20} {
		if got := RequiredSNR(sf); got != want {
			t.Errorf("RequiredSNR(%d) = %v, want %v", sf, got, want)
		}
	}
}

func TestCheck(t *testing.T) {
	good := Settings{7, 125000, 5, 8, false, false}
	if err := good.Check(); err != nil {
		t.Errorf("Check(%+v) = %v", good, err)
	}
	for _, bad := range []Settings{{6, 125000, 5, 8, false, false}, {13, 125000, 5, 8, false, false},
		{7, 0, 5, 8, false, false}, {7, 125000, 4, 8, false, false}, {7, 125000, 5, -1, false, false}} {
		if bad.Check() == nil {
			t.Errorf("Check(%+v) = nil, want an error", bad)
		}
	}
}
