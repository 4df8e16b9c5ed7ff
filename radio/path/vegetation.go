package path

import "math"

// Weissberger is the loss over free space through trees in leaf that stand in the way for d metres: 1.33 f^0.284 d^0.588 beyond 14 m
// and 0.45 f^0.284 d up to there, f in GHz. Source: M. Weissberger, An initial critical summary of models for predicting the attenuation of
// radio waves by trees, ECAC-TR-81-101, 1982, as quoted in public. It is for dense, dry trees of a temperate climate, in leaf, 230 MHz to 95 GHz,
// 0 to 400 m. At 14 m it steps down by 0.02 dB. It gives about twice what Woodland does: the two are a range.
func Weissberger(f, d float64) (float64, error) {
	if err := within("Weissberger (ECAC-TR-81-101)", value{"frequency", f, 230e6, 95e9, "Hz"}, value{"way through trees", d, 0, 400, "m"}); err != nil {
		return 0, err
	}
	ghz := math.Pow(f/1e9, 0.284)
	if d <= 14 {
		return 0.45 * ghz * d, nil
	}
	return 1.33 * ghz * math.Pow(d, 0.588), nil
}

// woodland is table 1 of ITU-R P.833: frequency in Hz, specific attenuation in dB/m, greatest attenuation in dB.
var woodland = [...][3]float64{
	{105.9e6, 0.04, 9.4}, {466.475e6, 0.12, 18.0}, {949.0e6, 0.17, 26.5}, {1852.2e6, 0.30, 29.0}, {2117.5e6, 0.34, 34.1},
}

// Woodland is the loss over free space of a path that ends in a wood, after d metres in it: Am (1 - exp(-d gamma / Am)), where gamma is what a
// metre takes and Am what a wood takes at the most, since some goes over and round it. Source: ITU-R P.833-9 (2016), section 2.1, with the values
// of its table 1, which were measured near St Petersburg (trees 16 m high, antennas at 1.6 m, in a mixed wood), as transcribed in a public model; between its
// columns both go with straight lines over log f and log value, which is our rule. f is that of the table, 105.9 to 2117.5 MHz, d 0 to 10 km.
func Woodland(f, d float64) (float64, error) {
	first, last := woodland[0], woodland[len(woodland)-1]
	if err := within("woodland (ITU-R P.833, table 1)", value{"frequency", f, first[0], last[0], "Hz"}, value{"way through the wood", d, 0, 10e3, "m"}); err != nil {
		return 0, err
	}
	i := 0
	for i < len(woodland)-2 && f > woodland[i+1][0] {
		i++
	}
	a, b := woodland[i], woodland[i+1]
	x := math.Log(f/a[0]) / math.Log(b[0]/a[0])
	gamma, most := a[1]*math.Pow(b[1]/a[1], x), a[2]*math.Pow(b[2]/a[2], x)
	return most * (1 - math.Exp(-d*gamma/most)), nil
}
