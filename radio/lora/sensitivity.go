package lora

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
)

// RequiredSNR is the least signal-to-noise ratio, in dB, at which a frame of spreading factor sf can be demodulated:
// -2.5 dB at 5, 2.5 dB less for each step. Source: SX1261/2 datasheet, table of demodulator SNR.
func RequiredSNR(sf int) float64 { return -2.5 * float64(sf-4) }

// noiseDensity is kT at 290 K in dBm/Hz, rounded as the trade rounds it (-173.975). Between -20 C and +40 C it changes by
// 0.9 dB, which is less than receivers do.
const noiseDensity = -174

// ThermalNoise is the power of thermal noise, in dBm, that a receiver without noise of its own hears in a bandwidth of so
// many Hz.
func ThermalNoise(bandwidth int) float64 { return noiseDensity + 10*math.Log10(float64(bandwidth)) }

// Sensitivity is the weakest signal, in dBm, that a receiver of that noise figure (in dB) can demodulate:
// thermal noise + noise figure + RequiredSNR. Source: AN1200.22, which takes 6 dB for the noise figure. Datasheets are up to
// 1.5 dB worse than that at 125 kHz, and 2.5 dB at 500 kHz: see DatasheetSensitivity.
func Sensitivity(s Settings, noiseFigure float64) float64 {
	return ThermalNoise(s.Bandwidth) + noiseFigure + RequiredSNR(s.SpreadingFactor)
}

// usualNoise is AN1200.22's noise figure, dB. It stands in where a receiver tells RSSI but no SNR.
const usualNoise = 6

// Margin is by how many dB a signal was above what its spreading factor needs, from RSSI in dBm and SNR in dB, each not a number
// if it was not measured. SNR decides, since it knows the noise of the place; without it RSSI is held against Sensitivity.
// With neither it is not a number.
func Margin(s Settings, rssi, snr float64) float64 {
	if !math.IsNaN(snr) {
		return snr - RequiredSNR(s.SpreadingFactor)
	}
	return rssi - Sensitivity(s, usualNoise)
}

var (
	sx1276  = Source{"SX1276/77/78/79 datasheet, RFS_L_HF, band 1, LNA boost", "Rev 7", "2020-05", true}
	sx1276m = Source{sx1276.Document, sx1276.Edition, sx1276.Date, false}
	sx1272  = Source{"SX1272/73 datasheet, RFS_L, page 19", "Rev 2", "2014-07", true}
	sx1262  = Source{"SX1261/2 datasheet, table 3-8, RXS_LB, boosted", "Rev 2.2", "2024-12", true}
	sx1302  = Source{"SX1302 datasheet, table 3-6, reference design with SX1250 and an amplifier of 18 dB, noise figure 1.5 dB", "Rev 1.0", "date not known", true}
)

// sheets are the datasheets' sensitivities in dBm, by spreading factor.
var sheets = []struct {
	chip      string
	bandwidth int
	dBm       map[int]float64
	source    Source
}{
	{"SX1276", 125000, map[int]float64{7: -123, 8: -126, 9: -129, 10: -132, 11: -133, 12: -136}, sx1276},
	{"SX1276", 250000, map[int]float64{7: -120, 8: -123, 9: -125, 10: -128, 11: -130, 12: -133}, sx1276},
	{"SX1276", 500000, map[int]float64{7: -116, 8: -119, 9: -122, 10: -125, 11: -128, 12: -130}, sx1276},
	{"SX1276", 125000, map[int]float64{6: -118}, sx1276m},
	{"SX1276", 250000, map[int]float64{6: -115}, sx1276m},
	{"SX1276", 500000, map[int]float64{6: -111}, sx1276m},
	{"SX1272", 125000, map[int]float64{6: -121, 7: -124, 8: -127, 9: -130, 10: -133, 11: -135, 12: -137}, sx1272},
	{"SX1272", 250000, map[int]float64{6: -118, 7: -122, 8: -125, 9: -128, 10: -130, 11: -132, 12: -135}, sx1272},
	{"SX1272", 500000, map[int]float64{6: -111, 7: -116, 8: -119, 9: -122, 10: -125, 11: -128, 12: -129}, sx1272},
	{"SX1261/2", 10420, map[int]float64{7: -134, 12: -148}, sx1262},
	{"SX1261/2", 125000, map[int]float64{7: -124, 12: -137}, sx1262},
	{"SX1261/2", 250000, map[int]float64{7: -121, 12: -134}, sx1262},
	{"SX1261/2", 500000, map[int]float64{7: -117, 12: -129}, sx1262},
	{"SX1302", 125000, map[int]float64{7: -127, 8: -129, 9: -132.5, 10: -135.5, 11: -138, 12: -141}, sx1302},
}

// Chips names those that DatasheetSensitivity has figures for.
func Chips() []string {
	var names []string
	for _, s := range sheets {
		if !slices.Contains(names, s.chip) {
			names = append(names, s.chip)
		}
	}
	return names
}

// DatasheetSensitivity is the weakest signal, in dBm, at which chip's datasheet says that frames are read. The SX1272 and
// SX1276 were measured with 10 bytes at coding rate 4/6, 1 % of them lost, 3.3 V, 25 C; the SX1302 with 12 bytes, 10 % of them
// lost: the two do not compare. An error says what the table has instead; Sensitivity estimates the rest.
func DatasheetSensitivity(chip string, sf, bandwidth int) (float64, Source, error) {
	var has []string
	for _, s := range sheets {
		if s.chip != chip {
			continue
		}
		if dBm, ok := s.dBm[sf]; ok && s.bandwidth == bandwidth {
			return dBm, s.source, nil
		}
		for _, sf := range slices.Sorted(maps.Keys(s.dBm)) {
			has = append(has, fmt.Sprintf("SF%d at %s kHz", sf, kilohertz(s.bandwidth)))
		}
	}
	if has == nil {
		return 0, Source{}, fmt.Errorf("no datasheet of chip %q in the table: expected one of %s", chip, strings.Join(Chips(), ", "))
	}
	return 0, Source{}, fmt.Errorf("the table has no sensitivity of %s for SF%d at %s kHz: it has %s", chip, sf, kilohertz(bandwidth),
		strings.Join(has, ", "))
}
