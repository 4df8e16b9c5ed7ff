//go:build !arm

package picture

import (
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"

	"longlane/radio/path"
	"longlane/radio/plan"
)

const profileHigh = 218

// section is a profile with the earth's bulge in it, so that the ray is straight. All in metres.
type section struct {
	length   float64
	ground   []at // x from the first site, y above the datum
	cover    [][]at
	from, to at   // the antennas
	fresnel  []at // the first ellipsoid, all around
	clear    []at // six tenths of it
	p        *plan.Plan
	l        *plan.Link
}

func sectionOf(p *plan.Plan, l *plan.Link) (*section, error) {
	q := p.Profile(l.Way)
	s := &section{length: q.Length, from: at{0, q.From}, to: at{q.Length, q.To}, p: p, l: l}
	n := len(q.Ground) - 1
	for i, h := range q.Ground {
		x := q.Length * float64(i) / float64(n)
		s.ground = append(s.ground, at{x, h + path.Bulge(x, q.Length-x)})
	}
	for _, c := range q.Cover {
		foot := []at{{c.Start, s.height(c.Start)}}
		for _, g := range s.ground {
			if g.x > c.Start && g.x < c.End {
				foot = append(foot, g)
			}
		}
		foot = append(foot, at{c.End, s.height(c.End)})
		ring := foot
		for i := len(foot) - 1; i >= 0; i-- {
			ring = append(ring, at{foot[i].x, foot[i].y + c.Height})
		}
		s.cover = append(s.cover, ring)
	}
	for i := range n + 1 {
		x := q.Length * float64(i) / float64(n)
		r, err := path.FresnelRadius(1, l.Frequency, x, q.Length-x)
		if err != nil {
			return nil, fmt.Errorf("%s to %s: %w", l.From.Name, l.To.Name, err)
		}
		y := s.ray(x)
		s.fresnel, s.clear = append(s.fresnel, at{x, y + r}), append(s.clear, at{x, y + 0.6*r})
	}
	for i := n - 1; i > 0; i-- {
		x := s.fresnel[i].x
		s.fresnel, s.clear = append(s.fresnel, at{x, 2*s.ray(x) - s.fresnel[i].y}), append(s.clear, at{x, 2*s.ray(x) - s.clear[i].y})
	}
	return s, nil
}

func (s *section) ray(x float64) float64 { return s.from.y + (s.to.y-s.from.y)*x/s.length }

// height is that of the ground between its points.
func (s *section) height(x float64) float64 {
	n := float64(len(s.ground) - 1)
	i := min(max(int(x/s.length*n), 0), len(s.ground)-2)
	t := x/s.length*n - float64(i)
	return s.ground[i].y*(1-t) + s.ground[i+1].y*t
}

func profileOf(p *plan.Plan, l *plan.Link) (Picture, error) {
	s, err := sectionOf(p, l)
	if err != nil {
		return Picture{}, err
	}
	words := fmt.Sprintf("Ground and cover from %s to %s, %.0f m, with the straight ray and the first Fresnel zone around it. %s.", l.From.Name, l.To.Name, l.Length, s.room())
	for _, b := range l.Blocked {
		words += " In the way: " + b + "."
	}
	title := fmt.Sprintf("%s to %s: %s on the way", l.From.Name, l.To.Name, meters(math.Round(l.Length)))
	return Picture{Title: short(title, wide-2*edge-20, 10), Words: words, drawing: drawing{wide, profileHigh, s.draw}}, nil
}

// room says where the ray has the least.
func (s *section) room() string {
	c := s.l.Least
	if c.Height < 0 {
		return fmt.Sprintf("least room at %.0f m: the ray is %.1f m too low, %.1f Fresnel radii below the top", c.At, -c.Height, -c.Share())
	}
	return fmt.Sprintf("least room at %.0f m: %.1f m, %.1f of the Fresnel radius", c.At, c.Height, c.Share())
}

func (s *section) draw(n *pen) {
	x0, x1, y0, y1 := edge+26.0, wide-edge-6.0, 50.0, profileHigh-36.0
	low, high := math.Inf(1), math.Inf(-1)
	for _, list := range append([][]at{s.ground, s.fresnel, {s.from, s.to}}, s.cover...) {
		for _, p := range list {
			low, high = min(low, p.y), max(high, p.y)
		}
	}
	low, high = low-0.06*(high-low)-1, high+0.04*(high-low)+1
	put := func(p at) at { return at{x0 + (x1-x0)*p.x/s.length, y0 + (y1-y0)*(p.y-low)/(high-low)} }
	all := func(list []at) (out []at) {
		for _, p := range list {
			out = append(out, put(p))
		}
		return out
	}
	for _, y := range round(low, high, 4) {
		q := put(at{0, y})
		n.line(stroke{rule, 0.5, nil}, q, at{x1, q.y})
		n.text(x0-4, q.y, number(y), small, right, plain, faint)
	}
	for _, x := range round(0, s.length, 5) {
		q := put(at{x, low})
		n.line(stroke{ink, 0.6, nil}, q, at{q.x, q.y - 3})
		n.text(q.x, y0-9, number(x), small, middle, plain, faint)
	}
	n.text(edge, y1+9, "m above the datum", small, left, plain, faint)
	n.text(x1+6, y0-19, "m from "+short(s.l.From.Name, 160, small), small, right, plain, faint)
	in := n.inside(x0, y0, x1, y1)
	q := s.p.Profile(s.l.Way)
	for i, ring := range s.cover {
		in.cover(q.Cover[i].Kind, all(ring))
	}
	below := append(all(s.ground), at{x1, y0}, at{x0, y0})
	in.fill(earth, below)
	in.line(stroke{ink, 1.1, nil}, all(s.ground)...)
	in.line(stroke{sky, 0.9, nil}, closed(all(s.fresnel))...)
	in.line(stroke{sky, 0.7, []vg.Length{2, 2}}, closed(all(s.clear))...)
	n.line(stroke{blue, 1.6, nil}, put(s.from), put(s.to))
	for _, end := range []struct {
		antenna at
		foot    float64
	}{{s.from, s.ground[0].y}, {s.to, s.ground[len(s.ground)-1].y}} {
		a := put(end.antenna)
		n.line(stroke{ink, 2.2, nil}, put(at{end.antenna.x, end.foot}), a)
		n.fill(ink, []at{{a.x - 3, a.y + 4}, {a.x + 3, a.y + 4}, {a.x, a.y - 1}})
	}
	w := crowd{x0: x0, y0: y0, x1: x1, y1: y1 + 4}
	for i, ring := range s.cover { // each cover by its name, once, where there is room
		name := q.Cover[i].Name
		r := all(ring)
		p := at{(r[0].x + r[len(r)/2].x) / 2, max(r[len(r)/2].y, r[len(r)-1].y) + 6}
		dx := width(name, small, plain)/2 + 2
		p.x, p.y = min(max(p.x, x0+dx), x1-dx), min(p.y, y1-1)
		if name == "" || i > 0 && q.Cover[i-1].Name == name || w.cost(p, dx, 4.5) > 0 {
			continue
		}
		w.take(p, dx, 4.5)
		n.fill(paper, rectangle(p.x-dx, p.y-4.5, p.x+dx, p.y+4.5))
		n.text(p.x, p.y, name, small, middle, plain, ink)
	}
	c := s.l.Least
	ray, top := put(at{c.At, s.ray(c.At)}), put(at{c.At, s.ray(c.At) - c.Height})
	n.line(stroke{vermeil, 1.3, nil}, ray, top)
	for _, p := range []at{ray, top} {
		n.line(stroke{vermeil, 1.3, nil}, at{p.x - 3.5, p.y}, at{p.x + 3.5, p.y})
	}
	y := 20.0
	n.line(stroke{blue, 1.6, nil}, at{edge, y}, at{edge + 16, y})
	n.text(edge+20, y, "ray", small, left, plain, ink)
	n.line(stroke{sky, 0.9, nil}, at{edge + 40, y}, at{edge + 56, y})
	n.text(edge+60, y, "first Fresnel zone", small, left, plain, ink)
	n.line(stroke{sky, 0.7, []vg.Length{2, 2}}, at{edge + 134, y}, at{edge + 150, y})
	n.text(edge+154, y, "six tenths of it", small, left, plain, ink)
	n.text(wide-edge, y, fmt.Sprintf("heights drawn %s times greater", number(twoDigits((y1-y0)/(high-low)/((x1-x0)/s.length)))), small, right, plain, faint)
	n.line(stroke{vermeil, 1.3, nil}, at{edge, 9}, at{edge + 16, 9})
	n.text(edge+20, 9, s.room(), small, left, plain, ink)
	n.text(x1+6, y1+9, fmt.Sprintf("antennas: %s m and %s m above the ground", number(s.l.From.AntennaHeight), number(s.l.To.AntennaHeight)), small, right, plain, faint)
}

// twoDigits rounds to as many that count.
func twoDigits(x float64) float64 {
	unit := math.Pow(10, math.Floor(math.Log10(x))-1)
	return math.Round(x/unit) * unit
}
