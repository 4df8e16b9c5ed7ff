package path

import "math"

// Profile is the ground between two antennas. All of it is in metres above one level.
type Profile struct {
	Length float64
	// Ground is its height at evenly spaced points, both ends among them; 3 points or more.
	Ground []float64
	// From and To are how high the antennas are.
	From, To float64
}

func (p *Profile) check(formula string) error {
	if err := within(formula, distance(p.Length), value{"points of the profile", float64(len(p.Ground)), 3, math.Inf(1), ""},
		value{"antenna of the sender", p.From, p.first(0), 20_000, "m"}, value{"antenna of the receiver", p.To, p.first(len(p.Ground) - 1), 20_000, "m"}); err != nil {
		return err
	}
	for _, h := range p.Ground {
		const low, high = -11_000, 9_000
		if h >= low && h <= high { // what within asks, without its cost for each point
			continue
		}
		return within(formula, value{"ground", h, low, high, "m"})
	}
	return nil
}

// first is the height of a point: an antenna is not below it.
func (p *Profile) first(i int) float64 {
	if i < 0 || i >= len(p.Ground) {
		return 0
	}
	return p.Ground[i]
}

// points calls f with each point between the ends: its distances from them, and its height with the earth's bulge.
func (p *Profile) points(f func(d1, d2, h float64)) {
	n := len(p.Ground) - 1
	step := p.Length / float64(n)
	for i := 1; i < n; i++ {
		d1 := step * float64(i)
		d2 := p.Length - d1
		f(d1, d2, p.Ground[i]+Bulge(d1, d2))
	}
}

// ray is how high the straight line between the antennas is.
func (p *Profile) ray(d1 float64) float64 { return p.From + (p.To-p.From)*d1/p.Length }

// Clearance is how much room the direct ray has at the point of a profile where it has least, for what is to be seen there.
type Clearance struct {
	At     float64 // m from the first antenna
	Height float64 // of the ray above the ground, m; below 0 if the ground is higher
	Radius float64 // of the first Fresnel ellipsoid there, m
}

// Share is Height in Radii. Common practice asks for 0.6 or more (no source beyond practice); ITU-R P.526, section 2.1, for 1.
func (c Clearance) Share() float64 { return c.Height / c.Radius }

// LeastClearance finds the point of a profile at which the ray has the least room, counted in Fresnel radii, over the earth's bulge.
func LeastClearance(f float64, p *Profile) (least Clearance, err error) {
	const formula = "Fresnel clearance (ITU-R P.526)"
	if err := within(formula, frequency(f)); err != nil {
		return least, err
	}
	if err := p.check(formula); err != nil {
		return least, err
	}
	first := true
	p.points(func(d1, d2, h float64) {
		c := Clearance{d1, p.ray(d1) - h, math.Sqrt(Wavelength(f) * d1 * d2 / p.Length)}
		if first || c.Share() < least.Share() {
			least, first = c, false
		}
	})
	return least, nil
}

// Nu is the diffraction parameter of an edge that stands h above the direct ray, or -h below it, d1 and d2 from the ends:
// h sqrt(2 (d1 + d2) / (lambda d1 d2)). Source: ITU-R P.526-15, section 4.1 (the number of
// the equation differs by edition).
func Nu(f, h, d1, d2 float64) (float64, error) {
	if err := within("knife edge (ITU-R P.526)", frequency(f), value{"height of the edge", h, -20_000, 20_000, "m"},
		value{"distance from one end", d1, Wavelength(f), longest, "m"}, value{"distance from the other end", d2, Wavelength(f), longest, "m"}); err != nil {
		return 0, err
	}
	return nu(Wavelength(f), h, d1, d2), nil
}

func nu(lambda, h, d1, d2 float64) float64 { return h * math.Sqrt(2*(d1+d2)/(lambda*d1*d2)) }

// KnifeEdge is the loss over free space behind a single edge of the parameter v (see Nu): for v above -0.78,
// 6.9 + 20 log10(sqrt((v-0.1)² + 1) + v - 0.1), else 0. Source: ITU-R P.526-15, equation (31). From v = -0.5 to 10 it stays within 0.13 dB of
// the exact Fresnel integral; below -0.78 that goes up and down between a gain of 1.4 dB and a loss of 1.1. v is a number, -100 to 100.
func KnifeEdge(v float64) (float64, error) {
	if err := within("knife edge (ITU-R P.526)", value{"v", v, -100, 100, ""}); err != nil {
		return 0, err
	}
	return knifeEdge(v), nil
}

func knifeEdge(v float64) float64 {
	if v <= -0.78 {
		return 0
	}
	return max(6.9+20*math.Log10(math.Sqrt((v-0.1)*(v-0.1)+1)+v-0.1), 0)
}

// Edge is the one edge that Bullington's construction puts in the place of all that stands on a profile.
type Edge struct {
	At float64 // m from the first antenna
	V  float64 // see Nu
	// Single is the loss of that edge alone, KnifeEdge(V); Loss is with the correction of ITU-R P.526, which is for long paths over
	// general terrain, and about doubles what one clear edge costs: the cautious figure.
	Single, Loss float64
}

// Bullington is the diffraction over a profile by Bullington's construction: where no ground is in the way, the point with the
// greatest parameter; else the edge at which the steepest rays from both ends, over the ground, meet. The correction is
// (1 - exp(-Luc/6)) (10 + 0.02 d), d in km. Source: ITU-R P.526-15, section 4.5.1, which is equations (13) to (22) of ITU-R P.452-16, as its
// public reference code (dl_bull.m) has them; with the effective earth radius of Refraction. A ray that just touches the ground counts as
// free, since the construction is 0/0 there.
func Bullington(f float64, p *Profile) (e Edge, err error) {
	const formula = "Bullington (ITU-R P.526, section 4.5.1)"
	if err := within(formula, frequency(f)); err != nil {
		return e, err
	}
	if err := p.check(formula); err != nil {
		return e, err
	}
	lambda, direct := Wavelength(f), (p.To-p.From)/p.Length
	there, back := math.Inf(-1), math.Inf(-1) // the slopes of the steepest rays
	p.points(func(d1, d2, h float64) {
		if x := (h - p.From) / d1; x > there {
			there = x
		}
		if x := (h - p.To) / d2; x > back {
			back = x
		}
	})
	if there > direct {
		e.At = (p.To - p.From + back*p.Length) / (there + back)
		e.V = nu(lambda, p.From+there*e.At-p.ray(e.At), e.At, p.Length-e.At)
	} else { // V is not above 0, so the greatest has the least square
		least := math.Inf(1)
		p.points(func(d1, d2, h float64) {
			if room := h - p.ray(d1); room*room < least*(d1*d2) {
				least, e.At = room*room/(d1*d2), d1
			}
		})
		e.V = -math.Sqrt(2 * p.Length / lambda * least)
	}
	e.Single = knifeEdge(e.V)
	e.Loss = e.Single + (1-math.Exp(-e.Single/6))*(10+0.02*p.Length/1000)
	return e, nil
}
