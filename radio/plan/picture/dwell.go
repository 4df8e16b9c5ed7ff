//go:build !arm

package picture

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/plot/vg"

	"longlane/radio/beam"
	"longlane/radio/plan"
)

const (
	dwellRow  = 21.0
	dwellFoot = 102.0 // the scale, what the gateway takes a dwell for, and the key
)

// dwellOf draws what the beams at one height tell. Of several heights each picture bears its own in its name.
func dwellOf(p *plan.Plan, h plan.Height, alone bool) Picture {
	b := h.Beams[0]
	at := plan.Centimetres(h.Above)
	words := fmt.Sprintf("For how long whoever passes breaks a beam %s above the ground (%s).", at, h)
	for _, s := range b.Sights {
		words += fmt.Sprintf(" %s, seen: %s", s.Mover.Name, plan.Sees(s))
		if usual := plan.Dwells(s.Usual); usual != "" {
			words += ", as a rule " + usual
		}
		if all := plan.Dwells(s.Possible); all != "" {
			words += ", at all " + all
		}
		words += "."
	}
	words += " " + b.Minimal() + " What the gateway takes a dwell for:"
	for i, l := range p.Told() {
		if i > 0 {
			words += ";"
		}
		words += " " + plan.Dwells(l.Span) + ": " + plan.Taken(l)
	}
	words += "."
	name := "dwell"
	if !alone {
		name += "-" + plainName(fmt.Sprintf("%.4gcm", 100*h.Above))
	}
	high := 24 + 26 + dwellRow*float64(len(b.Sights)) + dwellFoot
	return Picture{name, "Who breaks a beam " + at + " above the ground, and for how long", words, drawing{wide, high, func(n *pen) { drawDwell(n, p, h, high) }}}
}

// decades is a scale of times, each decade as long as the next.
type decades struct{ x0, x1, low, high float64 } // low and high in s

func decadesOf(b *plan.Beam, x0, x1 float64) decades {
	d := decades{x0, x1, 0.01, 1}
	for _, s := range b.Sights {
		for _, span := range []beam.Span{s.Usual, s.Possible} {
			if span == (beam.Span{}) {
				continue
			}
			d.low = min(d.low, span.Least.Seconds())
			if span.Most < beam.Endless {
				d.high = max(d.high, span.Most.Seconds())
			}
		}
	}
	d.low, d.high = max(d.low*0.8, 0.0005), min(d.high*1.6, 1000)
	return d
}

// put is where a time stands; what is beyond the scale stands at its end.
func (d decades) put(t time.Duration) float64 {
	s := min(max(t.Seconds(), d.low), d.high)
	return d.x0 + (d.x1-d.x0)*math.Log(s/d.low)/math.Log(d.high/d.low)
}

// bar paints what a class looks like: no class is told by colour alone.
func (n *pen) bar(c beam.Class, box []at) {
	switch c {
	case beam.Debris:
		n.hatch(stroke{faint, 0.8, nil}, 45, 2.6, box)
	case beam.Walker:
		n.fill(blue, box)
	case beam.Vehicle:
		n.fill(sky, box)
		n.hatch(stroke{paper, 1, nil}, 90, 3.2, box)
	}
	n.line(stroke{ink, 0.7, nil}, closed(box)...)
}

func drawDwell(n *pen, p *plan.Plan, h plan.Height, high float64) {
	b := h.Beams[0]
	x0, x1 := edge+92.0, float64(wide-edge-6)
	d := decadesOf(b, x0, x1)
	n.text(edge, high-31, short(h.String(), 190, small), small, left, plain, faint)
	top := high - 50
	y := func(i int) float64 { return top - dwellRow*(float64(i)+0.5) }
	foot := top - dwellRow*float64(len(b.Sights)) - 2
	for _, s := range []float64{0.001, 0.01, 0.1, 1, 10, 100, 1000} {
		for m := 1.0; m < 10; m++ {
			t := time.Duration(m * s * float64(time.Second))
			if t.Seconds() < d.low || t.Seconds() > d.high {
				continue
			}
			x := d.put(t)
			if m > 1 {
				n.line(stroke{rule, 0.4, nil}, at{x, foot}, at{x, foot - 3})
				continue
			}
			n.line(stroke{rule, 0.6, nil}, at{x, top}, at{x, foot - 3})
			n.text(x, foot-9, scale(t), small, middle, plain, faint)
		}
	}
	for i, s := range b.Sights {
		n.sight(s, d, y(i))
	}
	x := d.put(b.Minimum.Set)
	n.line(stroke{paper, 3, nil}, at{x, top + 4}, at{x, foot})
	n.line(stroke{orange, 1.6, []vg.Length{5, 3}}, at{x, top + 4}, at{x, foot})
	for i, s := range b.Sights { // above the line
		if len(s.Views) == 0 || s.Whole() {
			continue
		}
		words := short(s.String(), d.x1-d.x0-8, 6.5)
		n.fill(paper, rectangle(d.x0+2, y(i)-10, d.x0+6+width(words, 6.5, plain), y(i)-3.2))
		n.text(d.x0+4, y(i)-6.5, words, 6.5, left, plain, faint)
	}
	words := "min_dwell " + plan.Milliseconds(b.Minimum.Set) + ": what is shorter is no trip"
	align, from := left, x-3
	if x-3+width(words, small, bold) > wide-edge {
		align, from = right, float64(wide-edge)
	}
	n.text(from, top+10, words, small, align, bold, ink)
	n.taken(p, d, foot-34)
	n.dwellKey(foot - 60)
}

// scale tells a power of ten.
func scale(t time.Duration) string {
	if t < time.Second {
		return fmt.Sprintf("%d ms", t.Milliseconds())
	}
	return fmt.Sprintf("%.0f s", t.Seconds())
}

// sight is a mover's row: its name, and the bar of its usual dwell upon the line of what is possible.
func (n *pen) sight(s beam.Sight, d decades, y float64) {
	n.text(edge, y+2.5, short(s.Mover.Name, 88, normal), normal, left, bold, ink)
	if len(s.Views) == 0 {
		const unseen = "not seen at this height"
		n.fill(paper, rectangle(d.x0+2, y-2, d.x0+6+width(unseen, small, plain), y+7))
		n.text(d.x0+4, y+2.5, unseen, small, left, plain, faint)
		return
	}
	mid := y + 2.5
	a, z := d.put(s.Possible.Least), d.put(s.Possible.Most)
	n.line(stroke{ink, 0.9, nil}, at{a, mid}, at{z, mid})
	n.line(stroke{ink, 0.9, nil}, at{a, mid - 3}, at{a, mid + 3})
	if s.Possible.Most.Seconds() > d.high {
		n.line(stroke{ink, 0.9, nil}, at{z - 4, mid - 3}, at{z, mid}, at{z - 4, mid + 3})
	} else {
		n.line(stroke{ink, 0.9, nil}, at{z, mid - 3}, at{z, mid + 3})
	}
	if s.Usual != (beam.Span{}) {
		box := rectangle(d.put(s.Usual.Least), mid-4.2, d.put(s.Usual.Most), mid+4.2)
		n.fill(paper, box)
		n.bar(s.Mover.Class, box)
	}
}

// taken is a strip of what the gateway takes a dwell for.
func (n *pen) taken(p *plan.Plan, d decades, y float64) {
	n.text(edge, y, "the gateway's answer", small, left, bold, ink)
	const half = 6.5
	for _, l := range p.Told() {
		a, z := d.put(l.Least), d.put(l.Most)
		if z-a < 0.5 {
			continue
		}
		box := rectangle(a, y-half, z, y+half)
		mark := "?"
		switch {
		case len(l.Possible) == 0:
			continue
		case l.Confidence == beam.CannotTell:
			n.line(stroke{ink, 0.7, nil}, closed(box)...)
		default:
			n.bar(l.Class, box)
			if mark = "likely"; l.Confidence == beam.Sure {
				mark = "sure"
			}
		}
		room := width(mark, 6.5, bold)
		if room+5 > z-a {
			continue
		}
		x := (a + z) / 2
		n.fill(paper, rectangle(x-room/2-1.5, y-4, x+room/2+1.5, y+4))
		n.text(x, y, mark, 6.5, middle, bold, ink)
	}
}

func (n *pen) dwellKey(y float64) {
	x := float64(edge)
	for _, k := range []struct {
		class beam.Class
		words string
	}{{beam.Debris, "debris"}, {beam.Walker, "animal or person"}, {beam.Vehicle, "vehicle"}} {
		n.bar(k.class, rectangle(x, y-4, x+16, y+4))
		n.text(x+20, y, k.words, small, left, plain, ink)
		x += 30 + width(k.words, small, plain)
	}
	n.line(stroke{ink, 0.7, nil}, closed(rectangle(x, y-4, x+16, y+4))...)
	n.text(x+8, y, "?", 6.5, middle, bold, ink)
	n.text(x+20, y, "it cannot tell: they overlap", small, left, plain, ink)
	n.text(edge, y-15, "Bar: as a rule.  Line: at all; with an arrow, it may stand in the beam.", small, left, plain, faint)
	n.text(edge, y-27, "The gateway judges by bodies, and does not know how high a beam is.", small, left, plain, faint)
}
