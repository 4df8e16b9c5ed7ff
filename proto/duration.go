package proto

import "time"

// A logarithmic duration code of b bits has a 4-bit exponent e and b-4 bits of mantissa m: m units if e is 0, else
// (2^(b-4)+m) * 2^(e-1) units. It is the layout of an unsigned floating-point number with gradual underflow: exact at
// first, then with a constant relative error. The top code means "this long or longer".

// Dur8 is a duration in one byte, in units of 20 ms: exact up to 0.62 s, then within 1/32 (3.2 %), up to 2.8 hours.
type Dur8 uint8

// Dur8Max means 2.8 hours or more.
const Dur8Max Dur8 = 255

const dur8Unit = 20 * time.Millisecond

// EncodeDur8 gives the code nearest to d; what is negative counts as zero.
func EncodeDur8(d time.Duration) Dur8 { return Dur8(encodeLog(d, dur8Unit, 4)) }

// Duration is the code's value.
func (c Dur8) Duration() time.Duration { return decodeLog(uint(c), dur8Unit, 4) }

// Dur16 is a duration in two bytes, in milliseconds: exact up to 8.19 s, then within 1/8192, up to 37 hours.
type Dur16 uint16

// Dur16Max means 37 hours or more, or a dwell that is not known.
const Dur16Max Dur16 = 65535

// EncodeDur16 gives the code nearest to d; what is negative counts as zero.
func EncodeDur16(d time.Duration) Dur16 { return Dur16(encodeLog(d, time.Millisecond, 12)) }

// Duration is the code's value.
func (c Dur16) Duration() time.Duration { return decodeLog(uint(c), time.Millisecond, 12) }

// encodeLog finds the finest scale on which d, rounded once to the nearest step, fits.
func encodeLog(d, unit time.Duration, mantissa uint) uint {
	d = max(d, 0)
	for shift := uint(0); shift < 15; shift++ {
		step := unit << shift
		n := d / step
		if d%step >= step-step/2 {
			n++
		}
		if n < 2<<mantissa {
			return shift<<mantissa + uint(n)
		}
	}
	return 1<<(mantissa+4) - 1
}

func decodeLog(code uint, unit time.Duration, mantissa uint) time.Duration {
	e, m := code>>mantissa, code&(1<<mantissa-1)
	if e == 0 {
		return time.Duration(m) * unit
	}
	return time.Duration((1<<mantissa|m)<<(e-1)) * unit
}
