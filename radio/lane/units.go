package lane

import (
	"errors"
	"math"
	"strconv"
	"strings"
)

// Foot is the international foot in metres, exact. Source: Federal Register notice of 30 June 1959 (24 FR 5348).
const Foot = 0.3048

// DipoleGain is the gain of a half-wave dipole over an isotropic radiator, dB: what dBd lies above dBi. Source: as in radio/lora.
const DipoleGain = 2.15

// units are those of a Length, in metres.
var units = map[string]float64{"cm": 0.01, "m": 1, "km": 1000, "ft": Foot}

// Length is a length, a height or a distance in metres that is written with its unit.
type Length float64

// UnmarshalText reads a number and cm, m, km or ft.
func (l *Length) UnmarshalText(text []byte) error {
	v, err := measure(string(text), units)
	*l = Length(v)
	return err
}

// MarshalText writes what UnmarshalText reads.
func (l Length) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

func (l Length) String() string { return decimal(float64(l)) + " m" }

// Expected says what UnmarshalText accepts.
func (Length) Expected() string {
	return `a length with its unit in quotes, such as "120 m", "1.2 km", "80 cm" or "35 ft"`
}

// Gain is an antenna's gain over an isotropic radiator, dBi.
type Gain float64

// UnmarshalText reads a number and dBi, or dBd, which is over a half-wave dipole.
func (g *Gain) UnmarshalText(text []byte) error {
	s := string(text)
	v, err := measure(s, map[string]float64{"dBi": 1, "dBd": 1})
	if strings.HasSuffix(s, "dBd") {
		v += DipoleGain
	}
	*g = Gain(v)
	return err
}

// MarshalText writes what UnmarshalText reads.
func (g Gain) MarshalText() ([]byte, error) { return []byte(g.String()), nil }

func (g Gain) String() string { return decimal(float64(g)) + " dBi" }

// Expected says what UnmarshalText accepts.
func (Gain) Expected() string {
	return `a gain with its unit in quotes, such as "2.15 dBi" (or "0 dBd": over a dipole)`
}

// Loss is what a cable takes, dB.
type Loss float64

// UnmarshalText reads a number and dB.
func (l *Loss) UnmarshalText(text []byte) error {
	v, err := measure(string(text), map[string]float64{"dB": 1})
	*l = Loss(v)
	return err
}

// MarshalText writes what UnmarshalText reads.
func (l Loss) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

func (l Loss) String() string { return decimal(float64(l)) + " dB" }

// Expected says what UnmarshalText accepts.
func (Loss) Expected() string { return `a loss with its unit in quotes, such as "1.5 dB"` }

// Place is where something is: in metres from the origin of the lane, or on the globe. Exactly one of Local and Globe is set,
// unless nothing has been read into it.
type Place struct {
	Local *Point
	Globe *LatLon
}

// UnmarshalText reads two distances, or two angles in degrees, each with the letter of its direction and parted by a comma, in
// either order: "120 m E, 35 m N" or "44.50120 N, 30.49830 W". The letters tell latitude from longitude, which numbers alone do
// not: exchanged by mistake they would be another place.
func (p *Place) UnmarshalText(text []byte) error {
	first, second, ok := strings.Cut(string(text), ",")
	if !ok {
		return errForm
	}
	a, err := parseBearing(first)
	if err != nil {
		return err
	}
	b, err := parseBearing(second)
	if err != nil {
		return err
	}
	if a.vertical == b.vertical || a.degrees != b.degrees {
		return errForm
	}
	if b.vertical {
		a, b = b, a
	}
	if a.degrees {
		at := LatLon{Lat: a.value, Lon: b.value}
		if !at.Valid() {
			return errForm
		}
		p.Globe = &at
		return nil
	}
	p.Local = &Point{East: b.value, North: a.value}
	return nil
}

// Expected says what UnmarshalText accepts.
func (Place) Expected() string {
	return `a place such as "120 m E, 35 m N" (from the origin) or "44.50120 N, 30.49830 W" (in degrees, WGS 84)`
}

// bearing is a distance, m, or an angle, degrees, towards north or east.
type bearing struct {
	value    float64
	vertical bool // north or south
	degrees  bool
}

func parseBearing(s string) (b bearing, err error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return b, errForm
	}
	sign := 1.0
	switch s[len(s)-1] {
	case 'N':
		b.vertical = true
	case 'S':
		b.vertical, sign = true, -1
	case 'E':
	case 'W':
		sign = -1
	default:
		return b, errForm
	}
	s = strings.TrimSpace(s[:len(s)-1])
	if b.value, err = Decimal(strings.TrimSpace(strings.TrimSuffix(s, "°"))); err == nil {
		b.degrees = true
	} else if b.value, err = measure(s, units); err != nil {
		return b, err
	}
	b.value *= sign
	return b, nil
}

var errForm = errors.New("not of this form")

// measure reads a number and one of the units, with or without a space between them.
func measure(s string, units map[string]float64) (float64, error) {
	end := strings.LastIndexFunc(s, func(r rune) bool { return r >= '0' && r <= '9' || r == '.' }) + 1
	factor, ok := units[strings.TrimPrefix(s[end:], " ")]
	if !ok {
		return 0, errForm
	}
	v, err := Decimal(s[:end])
	return v * factor, err
}

// Decimal reads a plain decimal number: what strconv accepts beyond that (NaN, Inf, exponents, hexadecimal) is no length.
func Decimal(s string) (float64, error) {
	digits := strings.TrimPrefix(strings.TrimPrefix(s, "-"), "+")
	if len(s)-len(digits) > 1 || len(digits) > 20 || strings.Trim(digits, "0123456789.") != "" {
		return 0, errForm
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, errForm
	}
	return v, nil
}

func decimal(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
