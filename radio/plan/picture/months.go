//go:build !arm

package picture

import (
	"fmt"
	"math"
	"time"

	"gonum.org/v1/plot/vg"

	"longlane/radio/plan"
)

// nines puts shares on a scale on which 90, 99 and 99.9 % are equally far apart: what matters are the last few trips. It ends at mostNines.
func nines(share float64) float64 { return min(-math.Log10(1-share), mostNines) }

const (
	mostNines = 4.3 // a little above 99.99 %: what is better cannot be told apart by this arithmetic
	monthsRow = 66
	emptyRow  = 18 // of a zone without months
)

// rowOfMonths is how high that of a zone is.
func rowOfMonths(z *plan.ZonePlan) float64 {
	if z.Wired || len(z.Hops) == 0 {
		return emptyRow
	}
	return monthsRow
}

func monthsOf(p *plan.Plan) Picture {
	words := fmt.Sprintf("Share of the trips that are heard within %v, by month.", p.Options.Goal.Within)
	for i := range p.Zones {
		z := &p.Zones[i]
		if z.Wired || len(z.Hops) == 0 {
			continue
		}
		worst, best := extremes(z)
		words += fmt.Sprintf(" %s: from %s in %v to %s in %v.", z.Zone.Name, plan.Percent(z.Months[worst]), time.Month(worst+1), plan.Percent(z.Months[best]), time.Month(best+1))
	}
	high := 24.0 + 16
	for i := range p.Zones {
		high += rowOfMonths(&p.Zones[i])
	}
	title := fmt.Sprintf("Trips heard within %v, by month", p.Options.Goal.Within)
	return Picture{"months", title, words, drawing{wide, high, func(n *pen) { drawMonths(n, p, high) }}}
}

// extremes are the first months of the least share and of the most.
func extremes(z *plan.ZonePlan) (worst, best int) {
	for m, x := range z.Months {
		if x < z.Months[worst] {
			worst = m
		}
		if x > z.Months[best] {
			best = m
		}
	}
	return worst, best
}

func drawMonths(n *pen, p *plan.Plan, high float64) {
	x0, x1 := edge+36.0, float64(wide-edge)
	slot := (x1 - x0) / 12
	goal := nines(p.Options.Goal.Share)
	head := high - 24
	for k := range p.Zones {
		z := &p.Zones[k]
		if k > 0 {
			head -= rowOfMonths(&p.Zones[k-1])
		}
		y0, y1 := head-monthsRow+16, head-16
		put := func(v float64) float64 { return y0 + (y1-y0)*v/mostNines }
		name := short(z.Zone.Name, 150, normal)
		n.text(edge, head-7, name, normal, left, bold, ink)
		note := ""
		switch worst, best := extremes(z); {
		case z.Wired:
			note = "at the gateway, by wire"
		case len(z.Hops) == 0:
			note = "no way at all"
		case plan.Percent(z.Months[worst]) == plan.Percent(z.Months[best]):
			note = plan.Percent(z.Months[worst]) + " in every month"
		default:
			note = fmt.Sprintf("%s in %s to %s in %s", plan.Percent(z.Months[worst]), time.Month(worst + 1).String()[:3], plan.Percent(z.Months[best]), time.Month(best + 1).String()[:3])
		}
		if !z.Served && len(z.Hops) > 0 {
			note = "NOT REACHED as the goal asks: " + note
		}
		n.text(x1, head-7, note, small, right, plain, ink)
		if z.Wired || len(z.Hops) == 0 {
			continue
		}
		for _, mark := range []struct {
			v     float64
			words string
		}{{0, "0 %"}, {1, "90 %"}, {2, "99 %"}, {3, "99.9 %"}, {4, "99.99 %"}} {
			n.line(stroke{rule, 0.5, nil}, at{x0, put(mark.v)}, at{x1, put(mark.v)})
			n.text(x0-4, put(mark.v), mark.words, 6.5, right, plain, faint)
		}
		for m, share := range z.Months {
			x := x0 + slot*(float64(m)+0.5)
			box := rectangle(x-slot/2+3, y0, x+slot/2-3, put(nines(share)))
			if nines(share) >= goal {
				n.fill(blue, box)
			} else {
				n.hatch(stroke{vermeil, 0.9, nil}, 45, 2.6, box)
				n.line(stroke{vermeil, 0.8, nil}, closed(box)...)
			}
			n.text(x, y0-6.5, time.Month(m + 1).String()[:3], 6.5, middle, plain, faint)
		}
		n.line(stroke{orange, 1.4, []vg.Length{5, 3}}, at{x0, put(goal)}, at{x1, put(goal)})
	}
	n.line(stroke{orange, 1.4, []vg.Length{5, 3}}, at{edge, 9}, at{edge + 22, 9})
	n.text(edge+27, 9, fmt.Sprintf("the goal, %s;  hatched: below it", plan.Percent(p.Options.Goal.Share)), small, left, plain, ink)
}
