package lora

import "testing"

func TestRequiredSNR(t *testing.T) { // SX1261/2 datasheet
	for sf, want := range map[int]float64{5: -2.5, 6: -5, 7: -7.5, 8: -10, 9: -12.5, 10: -15, 11: -17.5, 12: -20} {
		if got := RequiredSNR(sf); got != want {
			t.Errorf("RequiredSNR(%d) = %v, want %v", sf, got, want)
		}
	}
}
