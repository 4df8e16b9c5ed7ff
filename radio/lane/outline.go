package lane

import "slices"

// outline is an area's edges, made ready for many ways. Edges that follow each other lie near each other, so the boxes around runs of them, and around pairs of these, rule out most
// of a long outline at once: a way looks at the edges near it and no others. What it finds is what looking at all of them finds.
type outline struct {
	edges []edge // in the order of the rings
	runs  []box  // a binary tree: [0] is around all, [2i+1] and [2i+2] around the halves of [i]; a leaf has up to leafEdges
}

type edge struct{ p, q Point }

const leafEdges = 8

func outlineOf(a Area) *outline {
	o := new(outline)
	a.edges(func(p, q Point) { o.edges = append(o.edges, edge{p, q}) })
	var build func(node, from, to int) box
	build = func(node, from, to int) box {
		if more := node + 1 - len(o.runs); more > 0 {
			o.runs = append(o.runs, slices.Repeat([]box{nowhere}, more)...)
		}
		b := nowhere
		if to-from > leafEdges {
			half := (from + to) / 2
			left, right := build(2*node+1, from, half), build(2*node+2, half, to)
			b = left.with(right.min).with(right.max)
		} else {
			for _, e := range o.edges[from:to] {
				b = b.with(e.p).with(e.q)
			}
		}
		o.runs[node] = b
		return b
	}
	build(0, 0, len(o.edges))
	return o
}

func (o *outline) box() box { return o.runs[0] }

// near calls f with each edge in whose run's box there may be something, by may, and with some more.
func (o *outline) near(may func(box) bool, f func(edge)) { o.visit(0, 0, len(o.edges), may, f) }

func (o *outline) visit(node, from, to int, may func(box) bool, f func(edge)) {
	if !may(o.runs[node]) {
		return
	}
	if to-from <= leafEdges {
		for _, e := range o.edges[from:to] {
			f(e)
		}
		return
	}
	half := (from + to) / 2
	o.visit(2*node+1, from, half, may, f)
	o.visit(2*node+2, half, to, may, f)
}

// contains is Area.contains.
func (o *outline) contains(at Point) bool {
	const rounding = 1e-6 // m; where an edge is cut may come out a little east of it
	inside := false
	o.near(func(b box) bool {
		return at.North >= b.min.North && at.North <= b.max.North && at.East <= b.max.East+rounding
	}, func(e edge) {
		if e.eastOf(at) {
			inside = !inside
		}
	})
	return inside
}

// within gives the stretches of the segment p to q that are inside, as shares of its length, in order. cuts is scratch space.
func (o *outline) within(p, q Point, cuts []float64) (spans [][2]float64, _ []float64) {
	cuts = append(cuts[:0], 0, 1)
	d := Point{q.East - p.East, q.North - p.North}
	length2 := d.East*d.East + d.North*d.North
	o.near(func(b box) bool { return b.meets(p, q) }, func(e edge) {
		// On which side a corner lies is judged once and the same for both its edges, so that no way slips through between them.
		s, t := turn(p, q, e.p), turn(p, q, e.q)
		if (s > 0) == (t > 0) {
			return
		}
		x := e.p.between(e.q, s/(s-t))
		if at := ((x.East-p.East)*d.East + (x.North-p.North)*d.North) / length2; at > 0 && at < 1 {
			cuts = append(cuts, at)
		}
	})
	slices.Sort(cuts)
	for i := 1; i < len(cuts); i++ {
		from, to := cuts[i-1], cuts[i]
		if to <= from || !o.contains(p.between(q, (from+to)/2)) {
			continue
		}
		if n := len(spans); n > 0 && spans[n-1][1] == from {
			spans[n-1][1] = to
		} else {
			spans = append(spans, [2]float64{from, to})
		}
	}
	return spans, cuts
}
