package path

import "math"

// Building is how a building lets radio in.
type Building bool

// The two classes: an efficient one has metallised glass or foil-backed panels.
const (
	Traditional Building = false
	Efficient   Building = true
)

// entry are the coefficients r, s, t, u, v, w, x, y, z of ITU-R P.2109.
var entry = map[Building][9]float64{
	Traditional: {12.64, 3.72, 0.96, 9.6, 2.0, 9.1, -3.0, 4.5, -2.0},
	Efficient:   {28.19, -3.00, 8.48, 13.5, 3.8, 27.8, -2.9, 9.4, -2.1},
}

// BuildingEntry is the loss over a path outdoors for an antenna somewhere inside a building, that is not exceeded in a share of all
// buildings and places in them; so 0.5 is the median, and a plan that is to hold wants 0.9. elevation is that of the path at the
// building's face, degrees. Source: ITU-R P.2109-1 (2019), equations (1) to (10), as three public implementations have it. f is 80 MHz to
// 100 GHz, share 0.001 to 0.999, elevation -90 to 90.
func BuildingEntry(f, share, elevation float64, b Building) (float64, error) {
	if err := within("building entry (ITU-R P.2109)", value{"frequency", f, 80e6, 100e9, "Hz"}, value{"share", share, 0.001, 0.999, ""},
		value{"elevation", elevation, -90, 90, "degrees"}); err != nil {
		return 0, err
	}
	k, lf := entry[b], math.Log10(f/1e9)
	normal := math.Sqrt2 * math.Erfinv(2*share-1) // the inverse of the normal distribution
	a := normal*(k[3]+k[4]*lf) + k[0] + k[1]*lf + k[2]*lf*lf + 0.212*math.Abs(elevation)
	c := normal*(k[7]+k[8]*lf) + k[5] + k[6]*lf
	return 10 * math.Log10(math.Pow(10, 0.1*a)+math.Pow(10, 0.1*c)+math.Pow(10, -0.3)), nil
}
