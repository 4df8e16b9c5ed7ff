package path

import "math"

// Polarisation is how the antennas stand.
type Polarisation bool

// The polarisations: a whip that stands upright is vertical.
const (
	Vertical   Polarisation = false
	Horizontal Polarisation = true
)

// Electrical constants of ground: relative permittivity, and conductivity in S/m. Source: ITU-R P.452, as in its reference code ("land").
const (
	permittivity = 22.0
	conductivity = 0.003
)

// Delta is the diffraction over a profile by the delta-Bullington method: Bullington's construction over the true ground, and what the
// curved and conducting earth takes beyond that construction over a smooth ground with the same antennas. Low antennas over open ground lose to
// the ground what one edge cannot tell. Source: ITU-R P.526-15, section 4.5.2 with 3.1 and 3.2, which is section 4.2 of ITU-R
// P.452-16 (both from memory; the tests hold it against results of that recommendation's public reference code). f is 100 MHz to 50 GHz, the range of P.452.
// It is for general terrain: one clear hill costs less (see Edge).
func Delta(f float64, p *Profile, pol Polarisation) (float64, error) {
	const formula = "delta-Bullington (ITU-R P.526, section 4.5.2)"
	if err := within(formula, value{"frequency", f, 100e6, 50e9, "Hz"}); err != nil {
		return 0, err
	}
	actual, err := Bullington(f, p)
	if err != nil {
		return 0, err
	}
	from, to := p.smooth()
	flat := &Profile{Length: p.Length, Ground: make([]float64, len(p.Ground)), From: p.From - from, To: p.To - to}
	smooth, err := Bullington(f, flat)
	if err != nil {
		return 0, err
	}
	sphere := spherical(f, Refraction*EarthRadius, p.Length, flat.From, flat.To, pol)
	return actual.Loss + max(sphere-smooth.Loss, 0), nil
}

// smooth are the heights at both ends of a straight ground that stands for the whole profile: the line of least squares, lowered where
// something stands above the direct ray. Source: ITU-R P.452-16, Attachment 2, section 5.1.6, from memory.
func (p *Profile) smooth() (from, to float64) {
	n := len(p.Ground) - 1
	d := p.Length
	at := func(i int) float64 { return d * float64(i) / float64(n) }
	v1, v2 := 0.0, 0.0
	for i := 1; i <= n; i++ {
		x, y := at(i-1), at(i)
		v1 += (y - x) * (p.Ground[i] + p.Ground[i-1])
		v2 += (y - x) * (p.Ground[i]*(2*y+x) + p.Ground[i-1]*(y+2*x))
	}
	from, to = (2*v1*d-v2)/(d*d), (v2-v1*d)/(d*d)
	above, fromFirst, fromLast := math.Inf(-1), math.Inf(-1), math.Inf(-1)
	for i := 1; i < n; i++ {
		h := p.Ground[i] - p.ray(at(i))
		above, fromFirst, fromLast = max(above, h), max(fromFirst, h/at(i)), max(fromLast, h/(d-at(i)))
	}
	if above > 0 {
		from -= above * fromFirst / (fromFirst + fromLast)
		to -= above * fromLast / (fromFirst + fromLast)
	}
	return min(from, p.Ground[0]), min(to, p.Ground[n])
}

// spherical is the diffraction over a smooth earth of a radius, over land. Source: ITU-R P.526-15, section 3.2; P.452-16, section 4.2.2. In
// the source's units: km for distances and the radius, m for heights, GHz.
func spherical(f, radius, length, ht, hr float64, pol Polarisation) float64 {
	d, a, lambda := length/1000, radius/1000, Wavelength(f)
	if d >= math.Sqrt(2*a)*(math.Sqrt(0.001*ht)+math.Sqrt(0.001*hr)) { // beyond the horizon
		return firstTerm(f, a, d, ht, hr, pol)
	}
	c, m := (ht-hr)/(ht+hr), 250*d*d/(a*(ht+hr))
	// Within [-1, 1] but for rounding.
	turned := min(max(3*c/2*math.Sqrt(3*m/math.Pow(m+1, 3)), -1), 1)
	b := 2 * math.Sqrt((m+1)/(3*m)) * math.Cos(math.Pi/3+math.Acos(turned)/3)
	d1 := d / 2 * (1 + b)
	d2 := d - d1
	room := ((ht-500*d1*d1/a)*d2 + (hr-500*d2*d2/a)*d1) / d
	need := 17.456 * math.Sqrt(d1*d2*lambda/d)
	share := 0.0
	if need > 0 { // else an antenna is on the ground and the ray touches there: room goes to 0 faster than need does
		share = room / need
	}
	grazing := 500 * math.Pow(d/(math.Sqrt(ht)+math.Sqrt(hr)), 2) // the radius at which the ray would just touch
	return max((1-share)*max(firstTerm(f, grazing, d, ht, hr, pol), 0), 0)
}

// firstTerm is the first term of the series for a smooth earth. Source: ITU-R P.526-15, section 3.1.1; P.452-16, section 4.2.2.1.
func firstTerm(f, a, d, ht, hr float64, pol Polarisation) float64 {
	ghz := f / 1e9
	loss := 18 * conductivity / ghz
	k := 0.036 * math.Pow(a*ghz, -1.0/3) * math.Pow((permittivity-1)*(permittivity-1)+loss*loss, -0.25)
	if pol == Vertical {
		k *= math.Sqrt(permittivity*permittivity + loss*loss)
	}
	k2 := k * k
	beta := (1 + 1.6*k2 + 0.67*k2*k2) / (1 + 4.5*k2 + 1.53*k2*k2)
	x := 21.88 * beta * math.Cbrt(ghz/(a*a)) * d
	fx := -20*math.Log10(x) - 5.6488*math.Pow(x, 1.425)
	if x >= 1.6 {
		fx = 11 + 10*math.Log10(x) - 17.6*x
	}
	gain := func(h float64) float64 {
		b := beta * (0.9575 * beta * math.Cbrt(ghz*ghz/a) * h)
		g := 20 * math.Log10(b+0.1*b*b*b)
		if b > 2 {
			g = 17.6*math.Sqrt(b-1.1) - 5*math.Log10(b-1.1) - 8
		}
		return max(g, 2+20*math.Log10(k))
	}
	return -fx - gain(ht) - gain(hr)
}
