package board

import (
	"cmp"
	"fmt"
	"html"
	"html/template"
	"maps"
	"math"
	"slices"
	"strings"
	"time"
)

// spans are how far back curves can be asked for.
var spans = []struct {
	Name string
	Long time.Duration
	step time.Duration // what one point sums up
	tick string        // how the time axis is labelled
}{
	{"day", day, time.Hour, "15:04"},
	{"month", 30 * day, 6 * time.Hour, "2 Jan"},
	{"year", 365 * day, day, "Jan 2006"},
}

// sample is a point of a curve: what came within a step of time.
type sample struct {
	at            time.Time
	low, mid      float64 // lowest and median
	lows, medians []float64
}

// curve is one line of figures over time.
type curve struct {
	Title, Unit string
	From, To    time.Time
	step        time.Duration
	tick        string
	samples     []sample
	Floor       float64 // below which it is bad; NaN: none
	floorText   string
	band        bool // draw from lowest to median
}

// curvesOf makes a node's curves, the battery first.
func curvesOf(hours []Hour, low *float64, from, to time.Time, step time.Duration, tick string) []curve {
	battery := map[int64]*sample{}
	hops := map[string]map[int64]*sample{}
	for _, h := range hours {
		slot := h.At.Unix() / int64(step.Seconds())
		if h.Battery != nil {
			add(battery, slot, *h.Battery, *h.Battery)
		}
		for _, m := range h.Hops {
			name := words(m.From) + " to " + words(m.To)
			if hops[name] == nil {
				hops[name] = map[int64]*sample{}
			}
			add(hops[name], slot, m.Lowest, m.Median)
		}
	}
	list := []curve{}
	if len(battery) > 0 {
		c := curve{Title: "Battery", Unit: "V", Floor: math.NaN(), samples: settle(battery, step), floorText: "too low"}
		if low != nil {
			c.Floor = *low
		}
		list = append(list, c)
	}
	for _, name := range slices.Sorted(maps.Keys(hops)) {
		list = append(list, curve{Title: "Margin, " + name, Unit: "dB", Floor: marginPoor, samples: settle(hops[name], step), floorText: "not relied on", band: true})
	}
	for i := range list {
		list[i].From, list[i].To, list[i].step, list[i].tick = from, to, step, tick
	}
	return list
}

func add(m map[int64]*sample, slot int64, low, mid float64) {
	s := m[slot]
	if s == nil {
		s = &sample{}
		m[slot] = s
	}
	s.lows, s.medians = append(s.lows, low), append(s.medians, mid)
}

func settle(m map[int64]*sample, step time.Duration) []sample {
	list := make([]sample, 0, len(m))
	for slot, s := range m {
		slices.Sort(s.medians)
		list = append(list, sample{at: time.Unix(slot*int64(step.Seconds()), 0).Add(step / 2), low: slices.Min(s.lows), mid: s.medians[(len(s.medians)-1)/2]})
	}
	slices.SortFunc(list, func(a, b sample) int { return cmp.Compare(a.at.Unix(), b.at.Unix()) })
	return list
}

// Words say what the curve shows, for those who do not see it.
func (c *curve) Words() string {
	if len(c.samples) == 0 {
		return "Nothing was measured."
	}
	low, high := c.samples[0], c.samples[0]
	for _, s := range c.samples {
		if s.low < low.low {
			low = s
		}
		if s.mid > high.mid {
			high = s
		}
	}
	last := c.samples[len(c.samples)-1]
	return fmt.Sprintf("Lowest %s on %s, highest %s on %s, last %s.", c.figure(low.low), c.when(low.at), c.figure(high.mid), c.when(high.at), c.figure(last.mid))
}

func (c *curve) figure(v float64) string {
	digits := 1
	if c.Unit == "V" {
		digits = 2
	}
	return minus(fmt.Sprintf("%.*f %s", digits, v, c.Unit))
}

func (c *curve) when(t time.Time) string {
	if c.step < day {
		return t.Local().Format("2 Jan 15:04")
	}
	return t.Local().Format("2 Jan 2006")
}

// Rows are the curve as a table, 40 rows at most.
func (c *curve) Rows() (rows []curveRow) {
	every := (len(c.samples) + 39) / 40
	for i := 0; i < len(c.samples); i += max(every, 1) {
		group := c.samples[i:min(i+max(every, 1), len(c.samples))]
		low, mids := group[0].low, []float64{}
		for _, s := range group {
			low, mids = min(low, s.low), append(mids, s.mid)
		}
		slices.Sort(mids)
		rows = append(rows, curveRow{c.when(group[0].at), c.figure(low), c.figure(mids[(len(mids)-1)/2])})
	}
	return rows
}

type curveRow struct{ When, Lowest, Median string }

// SVG draws the curve, width pixels wide.
func (c *curve) SVG(width, font float64, id string) template.HTML {
	const height, right, top, bottom = 190.0, 10.0, 12.0, 24.0
	left := font * 4.2
	low, high := c.bounds()
	x := func(t time.Time) float64 {
		return left + t.Sub(c.From).Seconds()/c.To.Sub(c.From).Seconds()*(width-left-right)
	}
	y := func(v float64) float64 { return top + (high-v)/(high-low)*(height-top-bottom) }
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="curve" viewBox="0 0 %.0f %.0f" role="img" aria-labelledby="%s-t %s-d"><title id="%s-t">%s</title><desc id="%s-d">%s</desc>`,
		width, height, id, id, id, html.EscapeString(c.Title), id, html.EscapeString(c.Words()))
	step := nice((high - low) / 4)
	for v := math.Ceil(low/step) * step; v <= high+1e-9; v += step {
		fmt.Fprintf(&b, `<path class="rule" d="M%.1f %.1fH%.1f"/><text class="tick" x="%.1f" y="%.1f" font-size="%.1f" text-anchor="end">%s</text>`,
			left, y(v), width-right, left-6, y(v)+font*0.35, font, c.label(v, step))
	}
	ticks := int(min(6, math.Floor((width-left)/(font*6.5))))
	for i := 0; i <= ticks; i++ {
		t := c.From.Add(c.To.Sub(c.From) * time.Duration(i) / time.Duration(ticks))
		anchor := "middle"
		switch i {
		case 0:
			anchor = "start"
		case ticks:
			anchor = "end"
		}
		fmt.Fprintf(&b, `<path class="rule" d="M%.1f %.1fv4"/><text class="tick" x="%.1f" y="%.1f" font-size="%.1f" text-anchor="%s">%s</text>`,
			x(t), height-bottom, x(t), height-6, font, anchor, t.Local().Format(c.tick))
	}
	if !math.IsNaN(c.Floor) && c.Floor >= low && c.Floor <= high {
		fmt.Fprintf(&b, `<path class="limit" d="M%.1f %.1fH%.1f"/><text class="limit" x="%.1f" y="%.1f" font-size="%.1f" text-anchor="end">%s</text>`,
			left, y(c.Floor), width-right, width-right-2, y(c.Floor)-4, font, c.floorText)
	}
	for _, run := range c.runs() {
		if c.band {
			b.WriteString(`<path class="band" d="M`)
			for _, s := range run {
				fmt.Fprintf(&b, "%.1f %.1f ", x(s.at), y(s.mid))
			}
			for _, s := range slices.Backward(run) {
				fmt.Fprintf(&b, "%.1f %.1f ", x(s.at), y(s.low))
			}
			b.WriteString(`z"/>`)
		}
		if len(run) == 1 {
			fmt.Fprintf(&b, `<circle class="dot" cx="%.1f" cy="%.1f" r="2"/>`, x(run[0].at), y(run[0].mid))
			continue
		}
		b.WriteString(`<polyline class="line" points="`)
		for _, s := range run {
			fmt.Fprintf(&b, "%.1f,%.1f ", x(s.at), y(s.mid))
		}
		b.WriteString(`"/>`)
	}
	b.WriteString(`</svg>`)
	return template.HTML(b.String())
}

// runs are the samples without a hole of more than a step between them: a line over a hole would tell of what was not there.
func (c *curve) runs() (list [][]sample) {
	begin := 0
	for i := 1; i <= len(c.samples); i++ {
		if i == len(c.samples) || c.samples[i].at.Sub(c.samples[i-1].at) > 2*c.step {
			list = append(list, c.samples[begin:i])
			begin = i
		}
	}
	if len(c.samples) == 0 {
		return nil
	}
	return list
}

// bounds are the ends of the scale: what was measured, and the floor if it is near.
func (c *curve) bounds() (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, s := range c.samples {
		low, high = min(low, s.low), max(high, s.mid)
	}
	if !math.IsNaN(c.Floor) && c.Floor > low-3*(high-low)-0.5 {
		low = min(low, c.Floor)
	}
	room := max((high-low)*0.12, 0.05)
	return low - room, high + room
}

// nice is the smallest of 1, 2 or 5 times a power of ten that is not less.
func nice(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*p >= v {
			return m * p
		}
	}
	return 10 * p
}

func (c *curve) label(v, step float64) string {
	digits := max(0, int(-math.Floor(math.Log10(step)+1e-9)))
	return minus(fmt.Sprintf("%.*f %s", digits, v, c.Unit))
}
