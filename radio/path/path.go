// Package path is how much of a signal is lost on its way: in free space, over flat ground, over the edge of a hill, through trees and
// into buildings. Each function is one published formula, with its source, its units and the range that its source gives it. Outside
// that range it returns a *RangeError and no number: an extrapolated loss looks like any other.
//
// Frequencies are in Hz, distances and heights in metres, losses in dB and above 0 where something is lost. FreeSpace and PlaneEarth
// are whole losses between isotropic antennas; all others are excess over free space. What of them to add up, and what would count a
// wood or a hill twice, is for whoever knows the place.
//
// These are planning figures: the recommendations themselves say that single paths differ from them by several dB.
package path

import (
	"fmt"
	"math"
)

// SpeedOfLight in m/s, exact. Source: BIPM, the SI Brochure, 9th ed. 2019, section 2.2.
const SpeedOfLight = 299_792_458.0

// RangeError says that a formula is not valid for a value.
type RangeError struct {
	Formula   string // and its source
	What      string
	Value     float64
	Low, High float64 // +Inf: no upper bound
	Unit      string
}

func (e *RangeError) Error() string {
	to := fmt.Sprintf("%v to %v %s", e.Low, e.High, e.Unit)
	if math.IsInf(e.High, 1) {
		to = fmt.Sprintf("%v %s or more", e.Low, e.Unit)
	}
	return fmt.Sprintf("%s: %s: found %v %s, expected %s", e.Formula, e.What, e.Value, e.Unit, to)
}

// value is one argument of a formula, with its range.
type value struct {
	what      string
	v         float64
	low, high float64
	unit      string
}

// within returns an error for the first of some values that is out of its range; NaN is out of any.
func within(formula string, values ...value) error {
	for _, x := range values {
		if !(x.v >= x.low && x.v <= x.high) || math.IsInf(x.v, 0) {
			return &RangeError{formula, x.what, x.v, x.low, x.high, x.unit}
		}
	}
	return nil
}

// The package's own bounds, where a source gives none: radio as the formulas know it, over ground.
const (
	lowFrequency, highFrequency = 30e6, 100e9
	shortest, longest           = 1.0, 100e3
)

func frequency(f float64) value { return value{"frequency", f, lowFrequency, highFrequency, "Hz"} }
func distance(d float64) value  { return value{"distance", d, shortest, longest, "m"} }

// height is an antenna's, above flat ground.
func height(what string, h float64) value { return value{what, h, 0.1, 1000, "m"} }

// Wavelength is that of a frequency, m.
func Wavelength(f float64) float64 { return SpeedOfLight / f }

// FreeSpace is the loss between two isotropic antennas with nothing around them: 20 log10(4 pi d / lambda). Source: ITU-R P.525-4
// (2019), equation (5); with the constant 32.4 of its equation (6) it comes out 0.048 dB lower. f is 30 MHz to 100 GHz, d 1 m to 100 km,
// and at least a wavelength: nearer there is no far field.
func FreeSpace(f, d float64) (float64, error) {
	const formula = "free space (ITU-R P.525)"
	if err := within(formula, frequency(f), distance(d)); err != nil {
		return 0, err
	}
	if err := within(formula, value{"distance", d, Wavelength(f), longest, "m"}); err != nil {
		return 0, err
	}
	return freeSpace(Wavelength(f), d), nil
}

func freeSpace(lambda, d float64) float64 { return 20 * math.Log10(4*math.Pi*d/lambda) }

// PlaneEarth is the loss between two isotropic antennas over flat, bare ground, whose heights are ht and hr: that of free space up to
// the break point, 4 pi ht hr / lambda, and 40 log10(d) - 20 log10(ht hr) beyond it, where the ray from the ground takes most of the
// direct one away. Source: T. Rappaport, Wireless Communications, 2nd ed. 2002, section 4.6, from memory. Near the break point the true
// loss goes up and down around this (PlaneEarthRays). Heights are 0.1 to 1000 m, and the distance at least ten times the greater of them,
// so that the ray grazes the ground; f and d are as for FreeSpace.
func PlaneEarth(f, d, ht, hr float64) (float64, error) {
	const formula = "plane earth (Rappaport, section 4.6)"
	if err := within(formula, frequency(f), distance(d), height("height of the sender", ht), height("height of the receiver", hr),
		value{"distance", d, 10 * max(ht, hr), longest, "m"}); err != nil {
		return 0, err
	}
	return max(freeSpace(Wavelength(f), d), 40*math.Log10(d)-20*math.Log10(ht*hr)), nil
}

// PlaneEarthRays is PlaneEarth as the sum of its two rays, the direct one and that from the ground, which is taken to reflect all with
// its phase turned about (a coefficient of -1, to which it tends at grazing angles):
//
//	L = -20 log10(lambda / 4 pi |exp(-jk r1)/r1 - exp(-jk r2)/r2|), r1² = d² + (ht-hr)², r2² = d² + (ht+hr)²
//
// Source and ranges as for PlaneEarth. Where the rays cancel the loss is without bound.
func PlaneEarthRays(f, d, ht, hr float64) (float64, error) {
	if _, err := PlaneEarth(f, d, ht, hr); err != nil {
		return 0, err
	}
	r1, r2 := math.Hypot(d, ht-hr), math.Hypot(d, ht+hr)
	// The difference of the ways, without that of two near numbers.
	phase := 2 * math.Pi / Wavelength(f) * (4 * ht * hr / (r1 + r2))
	sin, cos := math.Sincos(phase)
	field := math.Hypot(1/r1-cos/r2, sin/r2)
	return -20 * math.Log10(Wavelength(f)/(4*math.Pi)*field), nil
}

// BreakPoint is the distance, m, from which PlaneEarth counts the ground: 4 pi ht hr / lambda. Source and ranges as there.
func BreakPoint(f, ht, hr float64) (float64, error) {
	if err := within("break point (Rappaport, section 4.6)", frequency(f), height("height of the sender", ht), height("height of the receiver", hr)); err != nil {
		return 0, err
	}
	return 4 * math.Pi * ht * hr / Wavelength(f), nil
}

// FresnelRadius is the radius, m, of the n-th Fresnel ellipsoid around the direct ray, d1 from one end and d2 from the other:
// sqrt(n lambda d1 d2 / (d1 + d2)). Source: ITU-R P.526-15 (2019), equation (2). n is 1 or more, d1 and d2 0 to 100 km, not both 0.
func FresnelRadius(n int, f, d1, d2 float64) (float64, error) {
	if err := within("Fresnel radius (ITU-R P.526)", value{"number", float64(n), 1, 1000, ""}, frequency(f), value{"distance from one end", d1, 0, longest, "m"},
		value{"distance from the other end", d2, 0, longest, "m"}, value{"distance in all", d1 + d2, shortest, 2 * longest, "m"}); err != nil {
		return 0, err
	}
	return math.Sqrt(float64(n) * Wavelength(f) * d1 * d2 / (d1 + d2)), nil
}

// The earth as rays see it. EarthRadius is the mean one, m; Refraction is by how much the air's bending of rays makes it greater, in half
// of the time in a temperate climate. Source: ITU-R P.452 and P.526 (an effective radius of about 8500 km).
const (
	EarthRadius = 6_371_000.0
	Refraction  = 4.0 / 3
)

// Bulge is how far the earth stands up, m, between two ends that are d1 and d2 away: d1 d2 / (2 k a) with k = Refraction. It is 6 cm in
// the middle of 2 km.
func Bulge(d1, d2 float64) float64 { return d1 * d2 / (2 * Refraction * EarthRadius) }
