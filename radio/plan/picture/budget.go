//go:build !arm

package picture

import (
	"fmt"
	"math"

	"longlane/radio/plan"
)

// step is a bar of a budget: from one level to another, dBm.
type step struct {
	words    string
	from, to float64
	value    string
	kind     kind
}

type kind int

const (
	gain kind = iota
	loss
	level // from the left edge
	rest  // the margin
)

// steps are a hop's terms one by one, then what is needed, and the margin between the two.
func steps(h *plan.Hop) (list []step) {
	now := 0.0
	for _, t := range h.Terms {
		value := fmt.Sprintf("%+.1f %s", t.Value, t.Unit)
		switch {
		case t.Unit == "dBm":
			value = fmt.Sprintf("%.1f dBm", t.Value)
			now = t.Value
			list = append(list, step{t.Name, math.Inf(-1), now, value, level})
		case t.Value < 0:
			list = append(list, step{t.Name, now, now + t.Value, value, loss})
			now += t.Value
		default:
			list = append(list, step{t.Name, now, now + t.Value, value, gain})
			now += t.Value
		}
	}
	return append(list, step{"margin", now, now + h.Margin, fmt.Sprintf("%+.1f dB", h.Margin), rest})
}

const rowHigh = 15

func budgetOf(l *plan.Link) Picture {
	list := steps(l.Hop)
	high := 24 + rowHigh*float64(len(list)) + 50
	words := fmt.Sprintf("From the power at %s down to what is left at %s:", l.From.Name, l.To.Name)
	for i, s := range list {
		if i > 0 {
			words += ","
		}
		words += " " + s.words + " " + s.value
	}
	words += fmt.Sprintf(". The margin is known to within %.1f dB (one standard deviation); the goal asks %.1f dB of this hop.", l.Sigma, l.Asked)
	title := fmt.Sprintf("%s to %s: link budget", l.From.Name, l.To.Name)
	return Picture{Title: short(title, wide-2*edge-20, 10), Words: words, drawing: drawing{wide, high, func(n *pen) { drawBudget(n, l, list, high) }}}
}

func drawBudget(n *pen, l *plan.Link, list []step, high float64) {
	low, top := math.Inf(1), math.Inf(-1)
	for _, s := range list {
		low, top = min(low, s.to), max(top, s.to)
		if s.kind != level {
			low, top = min(low, s.from), max(top, s.from)
		}
	}
	need := l.Need
	top = max(top, l.Level+l.Sigma, need+l.Asked)
	low, top = low-6, top+4
	x0, x1 := edge+112.0, wide-edge-58.0
	put := func(v float64) float64 { return x0 + (x1-x0)*(v-low)/(top-low) }
	first := high - 24 - rowHigh/2.0
	y := func(i int) float64 { return first - rowHigh*float64(i) }
	foot := y(len(list)-1) - rowHigh/2.0
	for _, v := range round(low, top, 5) {
		n.line(stroke{rule, 0.5, nil}, at{put(v), first + 8}, at{put(v), foot})
		n.text(put(v), foot-7, number(v), small, middle, plain, faint)
	}
	n.text(x1+6, foot-7, "dBm", small, left, plain, faint)
	const half = 4.6
	for i, s := range list {
		from := put(max(s.from, low))
		to := put(s.to)
		box := rectangle(min(from, to), y(i)-half, max(from, to), y(i)+half)
		weight := plain
		switch s.kind {
		case level:
			weight = bold
			n.fill(walled, box)
			n.line(stroke{ink, 0.8, nil}, closed(box)...)
			n.line(stroke{ink, 2, nil}, at{to, y(i) - half}, at{to, y(i) + half})
		case gain:
			n.fill(sky, box)
			n.line(stroke{ink, 0.6, nil}, closed(box)...)
		case loss:
			n.hatch(stroke{vermeil, 0.8, nil}, 45, 3, box)
			n.line(stroke{vermeil, 0.8, nil}, closed(box)...)
		case rest:
			weight = bold
			if s.to >= s.from {
				n.fill(blue, box)
			} else {
				n.hatch(stroke{vermeil, 1.2, nil}, -45, 2.4, box)
			}
			n.line(stroke{ink, 0.8, nil}, closed(box)...)
			a, b := put(l.Level-l.Sigma), put(min(l.Level+l.Sigma, top))
			for _, s := range []stroke{{paper, 3, nil}, {ink, 1, nil}} { // with a light edge, to be seen on the bar
				n.lines(s, []at{{a, y(i)}, {b, y(i)}}, []at{{a, y(i) - 3}, {a, y(i) + 3}}, []at{{b, y(i) - 3}, {b, y(i) + 3}})
			}
			x := put(need + l.Asked)
			n.line(stroke{orange, 2, nil}, at{x, y(i) - half - 2}, at{x, y(i) + half + 2})
		}
		if i+1 < len(list) && list[i+1].kind != level {
			n.line(stroke{faint, 0.5, nil}, at{to, y(i) - half}, at{to, y(i+1) + half})
		}
		n.text(x0-6, y(i), short(s.words, 110, small), small, right, weight, ink)
		n.text(wide-edge, y(i), s.value, small, right, weight, ink)
	}
	n.text(edge, 24, bearer(l.Hop)+", in leaf, the weaker direction", small, left, plain, faint)
	n.line(stroke{orange, 2, nil}, at{edge + 2, 6}, at{edge + 2, 16})
	n.text(edge+8, 11, fmt.Sprintf("the goal asks %.1f dB of margin", l.Asked), small, left, plain, ink)
	n.line(stroke{ink, 1, nil}, at{edge + 136, 11}, at{edge + 152, 11})
	for _, x := range []float64{edge + 136, edge + 152} {
		n.line(stroke{ink, 1, nil}, at{x, 8}, at{x, 14})
	}
	n.text(edge+157, 11, fmt.Sprintf("give or take %.1f dB (one standard deviation)", l.Sigma), small, left, plain, ink)
}
