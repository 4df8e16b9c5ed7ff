package lane

import (
	"cmp"
	"slices"
)

// Profile is the ground between two sites, and what stands on it. The earth's curve is not in it, nor is how the air bends the ray:
// both are for whoever reckons the loss.
type Profile struct {
	// Length is how far the two lie apart, m, as on a map.
	Length float64
	// Ground is the height of the ground, m above the datum, at evenly spaced points, both ends among them.
	Ground []float64
	// From and To are how high the antennas are, m above the datum.
	From, To float64
	// Cover is what stands on the way, in the order of where it begins.
	Cover []Span

	cuts []float64
}

// Span is a stretch of the way on which something stands.
type Span struct {
	*Cover
	Start, End float64 // m from the first site
	// Below is for how many metres of it the straight line between the antennas is lower than the cover's top. Where the ground is
	// in the way, that counts as well: what comes over the ground goes through what grows on it.
	Below float64
}

// Profile fills p with the way from one site to another at n points, 2 or more, and uses what p has allocated before. The sites
// must be of l, and p belongs to the caller.
func (l *Lane) Profile(p *Profile, from, to *Site, n int) {
	p.Length = from.At.Distance(to.At)
	p.Ground = slices.Grow(p.Ground[:0], n)[:n]
	l.Terrain.heights(p.Ground, from.At, to.At)
	p.From, p.To = p.Ground[0]+from.AntennaHeight, p.Ground[n-1]+to.AntennaHeight
	if from.Ground != nil {
		p.From = *from.Ground + from.AntennaHeight
	}
	if to.Ground != nil {
		p.To = *to.Ground + to.AntennaHeight
	}
	p.Cover = p.Cover[:0]
	for i := range l.Cover {
		c := &l.Cover[i]
		o := c.outline()
		if !o.box().meets(from.At, to.At) {
			continue
		}
		var shares [][2]float64
		shares, p.cuts = o.within(from.At, to.At, p.cuts)
		for _, s := range shares {
			span := Span{Cover: c, Start: s[0] * p.Length, End: s[1] * p.Length}
			span.Below = p.below(s[0], s[1], c.Height) * p.Length
			p.Cover = append(p.Cover, span)
		}
	}
	slices.SortStableFunc(p.Cover, func(a, b Span) int { return cmp.Compare(a.Start, b.Start) })
}

// below is the share of the way, between two shares of it, on which the straight line between the antennas is lower than height
// above the ground. Between its points the ground is taken to be straight.
func (p *Profile) below(from, to, height float64) (sum float64) {
	last := float64(len(p.Ground) - 1)
	depth := func(t float64) float64 { // of the line under the top
		i := min(int(t*last), len(p.Ground)-2)
		x := t*last - float64(i)
		return p.Ground[i]*(1-x) + p.Ground[i+1]*x + height - (p.From + t*(p.To-p.From))
	}
	for a, da := from, depth(from); a < to; {
		b := min((float64(int(a*last))+1)/last, to)
		if b <= a { // rounded down onto itself
			b = min((float64(int(a*last))+2)/last, to)
		}
		db := depth(b)
		switch {
		case da > 0 && db > 0:
			sum += b - a
		case da > 0 || db > 0:
			sum += (b - a) * max(da, db) / (max(da, db) - min(da, db))
		}
		a, da = b, db
	}
	return sum
}
