// Package lora is LoRa arithmetic: how long a frame is on the air and how weak a signal can still be read. Pure.
package lora

import (
	"fmt"
	"time"
)

// Settings are a LoRa modem's modulation and framing settings. The zero value is not usable; see Check.
type Settings struct {
	SpreadingFactor int // 7 to 12
	Bandwidth       int // Hz
	CodingRate      int // denominator of the rate 4/5 to 4/8: 5 to 8
	Preamble        int // programmed preamble, symbols
	NoCRC           bool
	ImplicitHeader  bool
}

// Check names what is wrong with s.
func (s Settings) Check() error {
	switch {
	case s.SpreadingFactor < 7 || s.SpreadingFactor > 12:
		return fmt.Errorf("spreading factor %d: expected 7 to 12", s.SpreadingFactor)
	case s.Bandwidth <= 0:
		return fmt.Errorf("bandwidth %d Hz: expected a positive number", s.Bandwidth)
	case s.CodingRate < 5 || s.CodingRate > 8:
		return fmt.Errorf("coding rate 4/%d: expected 4/5 to 4/8", s.CodingRate)
	case s.Preamble < 0:
		return fmt.Errorf("preamble of %d symbols: expected 0 or more", s.Preamble)
	}
	return nil
}

// symbol is 2^SF / bandwidth.
func (s Settings) symbol() time.Duration {
	return time.Duration(int64(time.Second) << s.SpreadingFactor / int64(s.Bandwidth))
}

// lowRate reports whether low-data-rate optimisation is on: where a symbol lasts 16 ms or longer.
func (s Settings) lowRate() bool { return s.symbol() >= 16*time.Millisecond }

// QuarterSymbols is the length on the air of a frame of n bytes, in quarters of a symbol, exact. Source: SX1276/77/78/79
// datasheet section 4.1.1.7; SX1261/2 datasheet section 6.1.4, the same for spreading factors 7 to 12.
func (s Settings) QuarterSymbols(n int) int64 {
	bits := 8*n - 4*s.SpreadingFactor + 28
	if !s.NoCRC {
		bits += 16
	}
	if s.ImplicitHeader {
		bits -= 20
	}
	per := 4 * s.SpreadingFactor
	if s.lowRate() {
		per -= 8
	}
	blocks := max((bits+per-1)/per, 0)
	return 4*int64(s.Preamble) + 17 + 4*(8+int64(blocks*s.CodingRate))
}

// Airtime is how long a frame of n bytes is on the air.
func (s Settings) Airtime(n int) time.Duration {
	return time.Duration(s.QuarterSymbols(n)) * s.symbol() / 4
}

// RequiredSNR is the least signal-to-noise ratio, in dB, at which a frame of spreading factor sf can be demodulated:
// -7.5 dB at 7, 2.5 dB less for each step. Source: SX1261/2 datasheet, table of demodulator SNR.
func RequiredSNR(sf int) float64 { return -7.5 - 2.5*float64(sf-7) }
