package lane

import (
	"errors"
	"fmt"
	"math"
)

// Terrain is how high the ground is, everywhere. It is made by Flat, FromSpots or FromTiles; Hills are added to what these say.
type Terrain struct {
	Hills []Hill

	flat  float64
	spots *spots
	tiles *tiles
}

// Hill is a round mound on the ground around it, for what nobody has measured: its height above that is
// Height/2 (1 + cos(pi r / Radius)) at the distance r from its top, and nothing beyond Radius.
type Hill struct {
	At     Point
	Height float64 // of the top, m; above 0, up to 3000 and up to MaxSlope times Radius
	Radius float64 // m; above 0, up to Reach
}

// Flat is ground of one height, m.
func Flat(height float64) Terrain { return Terrain{flat: height} }

// Spot is a place whose height is known.
type Spot struct {
	At     Point
	Height float64 // m
}

// MaxSpots is how many spots a terrain may have: setting them up takes time with the third power of them.
const MaxSpots = 500

// FromSpots is the ground that goes through some spots, 1 to MaxSpots at different places. Between them it is as the linear
// kriging of a regionalised variable with a linear variogram has it:
//
//	h(p) = c + sum of w[i] |p - p[i]|, where h(p[i]) is the height of spot i and all w together are 0
//
// so it meets each spot, is straight between spots along a line, has no bumps or dips that no spot says, and levels out towards
// the mean far away. Source: N. Cressie, Statistics for Spatial Data, rev. ed. 1993, section 3.2 (ordinary kriging, dual form in
// 3.4.5), from memory; TestSpots holds it against SciPy's RBFInterpolator of kernel "linear" and degree 0, which is the same.
func FromSpots(list []Spot) (Terrain, error) {
	if len(list) == 0 || len(list) > MaxSpots {
		return Terrain{}, fmt.Errorf("%d spots, not 1 to %d", len(list), MaxSpots)
	}
	s := &spots{at: make([]Point, len(list))}
	z := make([]float64, len(list)+1)
	for i, spot := range list {
		s.at[i], z[i] = spot.At, spot.Height
	}
	n := len(list)
	scale := 1.0 // so that the rows are of one size
	for _, p := range s.at {
		scale = max(scale, p.Distance(s.at[0]))
	}
	m := make([][]float64, n+1)
	for i := range m {
		m[i] = make([]float64, n+1)
		for j := range m[i] {
			switch {
			case i < n && j < n:
				m[i][j] = s.at[i].Distance(s.at[j]) / scale
			case i < n || j < n:
				m[i][j] = 1
			}
		}
	}
	if !solve(m, z) {
		return Terrain{}, errors.New("two spots at one place")
	}
	for i := range s.at {
		z[i] /= scale
	}
	s.weight, s.level = z[:n], z[n]
	return Terrain{spots: s}, nil
}

// solve puts the solution of m x = z into z, by Gauss's elimination with pivots; false if there is not one.
func solve(m [][]float64, z []float64) bool {
	n := len(m)
	for c := range n {
		p := c
		for r := c + 1; r < n; r++ {
			if math.Abs(m[r][c]) > math.Abs(m[p][c]) {
				p = r
			}
		}
		if math.Abs(m[p][c]) < 1e-12 {
			return false
		}
		m[c], m[p], z[c], z[p] = m[p], m[c], z[p], z[c]
		for r := c + 1; r < n; r++ {
			f := m[r][c] / m[c][c]
			if f == 0 {
				continue
			}
			for k := c; k < n; k++ {
				m[r][k] -= f * m[c][k]
			}
			z[r] -= f * z[c]
		}
	}
	for c := n - 1; c >= 0; c-- {
		for k := c + 1; k < n; k++ {
			z[c] -= m[c][k] * z[k]
		}
		z[c] /= m[c][c]
	}
	return true
}

// spots are the sum that FromSpots is about.
type spots struct {
	at     []Point
	weight []float64
	level  float64
}

func (s *spots) height(p Point) float64 {
	h := s.level
	for i, q := range s.at {
		e, n := p.East-q.East, p.North-q.North
		h += s.weight[i] * math.Sqrt(e*e+n*n)
	}
	return h
}

// FromTiles is the ground that tiles have, around the origin of a plane.
func FromTiles(list []*Tile, plane *Plane) Terrain {
	return Terrain{tiles: &tiles{list: list, plane: plane}}
}

// Height is that of the ground at a point, m; NaN where no tile knows it.
func (t *Terrain) Height(p Point) float64 {
	var one [1]float64
	t.heights(one[:], p, p)
	return one[0]
}

// heights fills out with the heights at evenly spaced points from a to b, the ends among them; at a alone if out has one element.
func (t *Terrain) heights(out []float64, a, b Point) {
	step := 0.0
	if len(out) > 1 {
		step = 1 / float64(len(out)-1)
	}
	switch {
	case t.spots != nil:
		for i := range out {
			out[i] = t.spots.height(a.between(b, float64(i)*step))
		}
	case t.tiles != nil:
		t.tiles.heights(out, a, b)
	default:
		for i := range out {
			out[i] = t.flat
		}
	}
	for _, hill := range t.Hills {
		r := Point{hill.Radius, hill.Radius}
		around := box{Point{hill.At.East - r.East, hill.At.North - r.North}, Point{hill.At.East + r.East, hill.At.North + r.North}}
		if !around.meets(a, b) {
			continue
		}
		for i := range out {
			out[i] += hill.above(a.between(b, float64(i)*step))
		}
	}
}

func (h *Hill) above(p Point) float64 {
	r := h.At.Distance(p)
	if r >= h.Radius {
		return 0
	}
	return h.Height / 2 * (1 + math.Cos(math.Pi*r/h.Radius))
}
