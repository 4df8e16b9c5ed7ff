//go:build !arm

package picture

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"longlane/radio/plan"
)

// row is a zone's weakest hop, or that of several.
type row struct {
	hop   *plan.Hop
	hops  int
	zones string
}

func rowsOf(p *plan.Plan) (list []row) {
	for i := range p.Zones {
		z := &p.Zones[i]
		h := z.Weakest()
		if h == nil || h.Setting == nil {
			continue
		}
		k := slices.IndexFunc(list, func(r row) bool { return r.hop.Way == h.Way && r.hops == len(z.Hops) })
		if k < 0 {
			list = append(list, row{h, len(z.Hops), z.Zone.Name})
			continue
		}
		list[k].zones += ", " + z.Zone.Name
	}
	return list
}

const settingsRow = 114

func settingsOf(p *plan.Plan) (Picture, bool) {
	rows := rowsOf(p)
	if rows == nil {
		return Picture{}, false
	}
	words := "Margin of the weakest hop of each zone by every spreading factor and bandwidth, and what the goal asks by each."
	for _, r := range rows {
		words += fmt.Sprintf(" %s, %s to %s:", r.zones, r.hop.From.Name, r.hop.To.Name)
		for i, s := range p.Settings {
			if i > 0 {
				words += ","
			}
			m, ok := s.Over(r.hop.Way)
			switch asked := s.Margin[r.hops-1]; {
			case s.Refused != "" || !ok:
				words += fmt.Sprintf(" %s refused", s.Name())
			case math.IsInf(asked, 1):
				words += fmt.Sprintf(" %s %.1f dB but too slow over %d hops", s.Name(), m, r.hops)
			default:
				words += fmt.Sprintf(" %s %.1f of %.1f dB", s.Name(), m, asked)
			}
		}
		words += "."
	}
	high := 24.0 + settingsRow*float64(len(rows)) + 34
	return Picture{"settings", "Margin by spreading factor, weakest hops", words, drawing{wide, high, func(n *pen) { drawSettings(n, p, rows, high) }}}, true
}

func drawSettings(n *pen, p *plan.Plan, rows []row, high float64) {
	x0, x1 := edge+24.0, float64(wide-edge)
	groups := 0
	for i, s := range p.Settings {
		if i == 0 || s.Bandwidth != p.Settings[i-1].Bandwidth {
			groups++
		}
	}
	const gap = 8
	slot := (x1 - x0 - gap*float64(groups-1)) / float64(len(p.Settings))
	group := func(i int) (g int) {
		for k := 1; k <= i; k++ {
			if p.Settings[k].Bandwidth != p.Settings[k-1].Bandwidth {
				g++
			}
		}
		return g
	}
	x := func(i int) float64 { return x0 + slot*(float64(i)+0.5) + gap*float64(group(i)) }
	for k, r := range rows {
		head := high - 24 - settingsRow*float64(k)
		y0, y1 := head-settingsRow+30, head-24
		n.text(edge, head-7, short(fmt.Sprintf("%s: %s to %s, over %s", r.zones, r.hop.From.Name, r.hop.To.Name, several(r.hops, "hop")), wide-2*edge, normal), normal, left, bold, ink)
		low, top := 0.0, 10.0
		for _, s := range p.Settings {
			if m, ok := s.Over(r.hop.Way); ok {
				low, top = min(low, m), max(top, m)
				if asked := s.Margin[r.hops-1]; s.Refused == "" && !math.IsInf(asked, 1) {
					top = max(top, asked)
				}
			}
		}
		top += 0.06 * (top - low)
		put := func(v float64) float64 { return y0 + (y1-y0)*(v-low)/(top-low) }
		for _, v := range round(low, top, 4) {
			n.line(stroke{rule, 0.5, nil}, at{x0, put(v)}, at{x1, put(v)})
			n.text(x0-4, put(v), number(v), small, right, plain, faint)
		}
		n.text(x0-4, y0-9, "SF", small, right, plain, faint)
		n.text(x0-4, y1+6, "dB", small, right, plain, faint)
		for i, s := range p.Settings {
			r.slot(n, p, s, x(i), slot, y0, y1, put)
			if i == 0 || group(i) != group(i-1) {
				last := i
				for last+1 < len(p.Settings) && group(last+1) == group(i) {
					last++
				}
				n.line(stroke{faint, 0.6, nil}, at{x(i) - slot/2, y0 - 15}, at{x(last) + slot/2, y0 - 15})
				n.text((x(i)+x(last))/2, y0-21, fmt.Sprintf("%d kHz", s.Bandwidth/1000), small, middle, plain, faint)
			}
		}
	}
	y := 22.0
	n.dot(at{edge + 4, y}, 3, blue, draw.CircleGlyph{})
	n.text(edge+11, y, "enough", small, left, plain, ink)
	n.dot(at{edge + 48, y}, 2.7, vermeil, draw.RingGlyph{})
	n.text(edge+55, y, "too little", small, left, plain, ink)
	asked(n, edge+104, y, 7)
	n.text(edge+115, y, "asked by the goal", small, left, plain, ink)
	n.hatch(stroke{faint, 0.5, nil}, 45, 3, rectangle(edge+186, y-4, edge+200, y+4))
	n.text(edge+204, y, "refused", small, left, plain, ink)
	n.text(edge+240, y, "×", 10, left, bold, vermeil)
	n.text(edge+249, y, "too slow for these hops", small, left, plain, ink)
	n.text(edge, 9, "Framed: the setting that is used.  Why one is refused stands in the report.", small, left, plain, faint)
}

func asked(n *pen, x, y, half float64) {
	n.line(stroke{ink, 2, nil}, at{x - half, y}, at{x + half, y})
}

// slot is a setting's place.
func (r row) slot(n *pen, p *plan.Plan, s *plan.Setting, x, wide, y0, y1 float64, put func(float64) float64) {
	n.text(x, y0-9, fmt.Sprint(s.SpreadingFactor), small, middle, plain, ink)
	if s == r.hop.Setting {
		n.line(stroke{ink, 1, nil}, closed(rectangle(x-wide/2+0.8, y0-14, x+wide/2-0.8, y1+2))...)
	}
	if s.Refused != "" {
		n.hatch(stroke{rule, 0.8, nil}, 45, 3, rectangle(x-wide/2+1, y0, x+wide/2-1, y1))
		n.fill(paper, rectangle(x-4.5, (y0+y1)/2-16, x+4.5, (y0+y1)/2+16))
		n.upright(x, (y0+y1)/2, "refused", small, faint)
		return
	}
	m, _ := s.Over(r.hop.Way)
	need := s.Margin[r.hops-1]
	zero := put(0)
	switch {
	case math.IsInf(need, 1):
		n.line(stroke{faint, 0.9, []vg.Length{2, 2}}, at{x, zero}, at{x, put(m)})
		n.text(x, put(m), "×", 10, middle, bold, vermeil)
		return
	case m >= need:
		n.line(stroke{blue, 1.6, nil}, at{x, zero}, at{x, put(m)})
		n.dot(at{x, put(m)}, 3, blue, draw.CircleGlyph{})
	default:
		n.line(stroke{vermeil, 1, []vg.Length{2, 2}}, at{x, zero}, at{x, put(m)})
		n.dot(at{x, put(m)}, 2.7, vermeil, draw.RingGlyph{})
	}
	asked(n, x, put(need), wide/2-2)
}

func several(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
