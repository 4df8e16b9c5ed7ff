package lane

import (
	"cmp"
	"math"
	"slices"
)

// Area is a polygon, and further rings that are holes in it, or islands in these: inside is what an odd number of rings surrounds.
// A ring need not be closed, and may turn either way.
type Area [][]Point

// box is a rectangle along the axes.
type box struct{ min, max Point }

var nowhere = box{Point{math.Inf(1), math.Inf(1)}, Point{math.Inf(-1), math.Inf(-1)}}

func (b box) with(p Point) box {
	return box{Point{min(b.min.East, p.East), min(b.min.North, p.North)}, Point{max(b.max.East, p.East), max(b.max.North, p.North)}}
}

func (a Area) box() box {
	b := nowhere
	for _, ring := range a {
		for _, p := range ring {
			b = b.with(p)
		}
	}
	return b
}

// meets reports whether any point of the segment p to q may lie in b; it errs on the side of yes.
func (b box) meets(p, q Point) bool {
	if max(p.East, q.East) < b.min.East || min(p.East, q.East) > b.max.East ||
		max(p.North, q.North) < b.min.North || min(p.North, q.North) > b.max.North {
		return false
	}
	// Else b may still lie beside a slanting segment: then all its corners are on one side of it.
	d := Point{q.East - p.East, q.North - p.North}
	side := func(east, north float64) float64 { return d.East*(north-p.North) - d.North*(east-p.East) }
	s := side(b.min.East, b.min.North)
	for _, t := range [...]float64{side(b.max.East, b.min.North), side(b.min.East, b.max.North), side(b.max.East, b.max.North)} {
		if s*t <= 0 {
			return true
		}
	}
	return false
}

// clean drops points that repeat the one before them, the closing one among them.
func clean(ring []Point) []Point {
	ring = slices.CompactFunc(slices.Clone(ring), func(a, b Point) bool { return a == b })
	if n := len(ring); n > 1 && ring[0] == ring[n-1] {
		ring = ring[:n-1]
	}
	return ring
}

// edges calls f with each edge of each ring.
func (a Area) edges(f func(p, q Point)) {
	for _, ring := range a {
		for i, q := range ring {
			f(ring[(i+len(ring)-1)%len(ring)], q)
		}
	}
}

// contains reports whether a point is inside, by how many edges lie to the east of it. A point on an edge is on either side.
func (a Area) contains(at Point) bool {
	inside := false
	a.edges(func(p, q Point) {
		if (edge{p, q}).eastOf(at) {
			inside = !inside
		}
	})
	return inside
}

// eastOf reports whether e crosses the line from a point to the east.
func (e edge) eastOf(at Point) bool {
	return (e.p.North > at.North) != (e.q.North > at.North) && at.East < e.p.East+(at.North-e.p.North)/(e.q.North-e.p.North)*(e.q.East-e.p.East)
}

// Size is what the area covers, m².
func (a Area) Size() float64 {
	sum := 0.0
	for i, ring := range a {
		s := 0.0
		for j, q := range ring {
			s += turn(ring[0], ring[(j+len(ring)-1)%len(ring)], q) / 2
		}
		around := 0 // how many rings surround this one
		for j := range a {
			if j != i && a[j:j+1].contains(ring[0]) {
				around++
			}
		}
		if around%2 == 0 {
			sum += math.Abs(s)
		} else {
			sum -= math.Abs(s)
		}
	}
	return sum
}

// crossing finds two edges of the rings that cross or touch, but for neighbours at their common corner, and returns where; ok is
// false if the rings are simple and apart. It sorts the edges from west to east, so that only those that overlap are compared.
func (a Area) crossing() (at Point, ok bool) {
	type numbered struct {
		edge
		ring, i int
	}
	var list []numbered
	for r, ring := range a {
		for i, q := range ring {
			list = append(list, numbered{edge{ring[(i+len(ring)-1)%len(ring)], q}, r, i})
		}
	}
	west := func(e numbered) float64 { return min(e.p.East, e.q.East) }
	slices.SortFunc(list, func(x, y numbered) int { return cmp.Compare(west(x), west(y)) })
	for i, x := range list {
		for _, y := range list[i+1:] {
			if west(y) > max(x.p.East, x.q.East) {
				break
			}
			n := len(a[x.ring])
			if x.ring == y.ring && (x.i == (y.i+1)%n || y.i == (x.i+1)%n) {
				if at, ok := folded(x.p, x.q, y.p, y.q); ok {
					return at, true
				}
				continue
			}
			if at, ok := cross(x.p, x.q, y.p, y.q); ok {
				return at, true
			}
		}
	}
	return Point{}, false
}

// turn is positive if c lies to the left of the way from a to b, and 0 on it.
func turn(a, b, c Point) float64 {
	return (b.East-a.East)*(c.North-a.North) - (b.North-a.North)*(c.East-a.East)
}

// cross reports whether the segments a to b and c to d have a point in common, and one.
func cross(a, b, c, d Point) (Point, bool) {
	abc, abd, cda, cdb := turn(a, b, c), turn(a, b, d), turn(c, d, a), turn(c, d, b)
	if (abc > 0) != (abd > 0) && (cda > 0) != (cdb > 0) && abc*abd < 0 && cda*cdb < 0 {
		return c.between(d, abc/(abc-abd)), true
	}
	for _, t := range []struct {
		turn    float64
		p, q, x Point
	}{{abc, a, b, c}, {abd, a, b, d}, {cda, c, d, a}, {cdb, c, d, b}} {
		if t.turn == 0 && nowhere.with(t.p).with(t.q).holds(t.x) {
			return t.x, true
		}
	}
	return Point{}, false
}

func (b box) holds(p Point) bool {
	return p.East >= b.min.East && p.East <= b.max.East && p.North >= b.min.North && p.North <= b.max.North
}

// folded reports whether two edges that share a corner lie on each other.
func folded(a, b, c, d Point) (Point, bool) {
	if b != c { // the other way round
		a, b, c, d = c, d, a, b
	}
	if b != c || turn(a, b, d) != 0 {
		return Point{}, false
	}
	back := (a.East-b.East)*(d.East-b.East)+(a.North-b.North)*(d.North-b.North) > 0
	return b, back
}
