package board

import (
	"cmp"
	"fmt"
	"html"
	"html/template"
	"math"
	"slices"
	"strings"

	"longlane/gateway/health"
)

// The margins at which a hop is drawn otherwise, dB. Below the first, package health and relays do not rely on it; the
// second is common practice, no source.
const (
	marginPoor = 3.0
	marginGood = 10.0
)

// box is a rectangle that nothing else may cover.
type box struct{ x0, y0, x1, y1 float64 }

func (b box) hits(o box) bool { return b.x0 < o.x1 && o.x0 < b.x1 && b.y0 < o.y1 && o.y0 < b.y1 }

func (b box) in(o box) bool { return b.x0 >= o.x0 && b.y0 >= o.y0 && b.x1 <= o.x1 && b.y1 <= o.y1 }

// drawing is a picture of a lane in the making.
type drawing struct {
	l             *lane
	width, height float64
	font          float64
	scale         float64 // pixels a metre
	middle        XY      // of the lane, in metres
	taken         []box   // markers and labels so far
	lines         []drawn // hops, which labels spare if they can,
	course        []drawn // and the lane's own lines, which they spare if that is no trouble
	labels        []label
	dense         bool // too many stops for a number in each marker
	out           strings.Builder
}

type label struct {
	box
	text, class string
	x, y        float64 // of the baseline's beginning
}

const (
	edge    = 26.0 // kept free around the lane, for markers and labels
	foot    = 34.0 // below it, for the scale
	roomFor = 20   // stops: with more, markers get no number
)

// draw draws a lane, width pixels wide. id tells its parts from those of another drawing on the same page.
func draw(l *lane, width, font float64, id string) template.HTML {
	d := &drawing{l: l, width: width, font: font, dense: len(l.Stops) > roomFor}
	d.fit()
	d.lines, d.course = d.hops(), d.segments()
	d.markers()
	d.place()
	fmt.Fprintf(&d.out, `<svg class="map" viewBox="0 0 %.0f %.0f" role="group" aria-labelledby="%s-t %s-d">`, d.width, d.height, id, id)
	fmt.Fprintf(&d.out, `<title id="%s-t">%s</title><desc id="%s-d">%s</desc>`, id, html.EscapeString(d.title()), id, html.EscapeString(describe(l)))
	d.drawCourse()
	d.drawHops()
	d.drawStops()
	for _, b := range d.labels {
		fmt.Fprintf(&d.out, `<text class="%s" x="%.1f" y="%.1f" font-size="%.1f">%s</text>`, b.class, b.x, b.y, d.font, html.EscapeString(b.text))
	}
	d.drawScale()
	d.out.WriteString(`</svg>`)
	return template.HTML(d.out.String())
}

func (d *drawing) title() string {
	if d.l.ToScale {
		return "The lane from above, to scale, north up"
	}
	return "The lane by its hops, not to scale"
}

// fit chooses the scale, and how high the picture is.
func (d *drawing) fit() {
	low, high := XY{math.Inf(1), math.Inf(1)}, XY{math.Inf(-1), math.Inf(-1)}
	grow := func(p XY) {
		low.X, low.Y = min(low.X, p.X), min(low.Y, p.Y)
		high.X, high.Y = max(high.X, p.X), max(high.Y, p.Y)
	}
	for _, s := range d.l.Stops {
		grow(s.At)
	}
	for _, line := range d.l.Course {
		for _, p := range line {
			grow(p)
		}
	}
	d.middle = XY{(low.X + high.X) / 2, (low.Y + high.Y) / 2}
	w, h := max(high.X-low.X, 1), max(high.Y-low.Y, 1)
	sides := edge * 2.2 // names stand beside the markers
	d.scale = min((d.width-2*sides)/w, (d.width*1.35-2*edge-foot)/h)
	d.height = max((high.Y-low.Y)*d.scale, 60) + 2*edge + foot
}

func (d *drawing) point(p XY) (x, y float64) {
	return d.width/2 + (p.X-d.middle.X)*d.scale, (d.height-foot)/2 - (p.Y-d.middle.Y)*d.scale
}

func (d *drawing) radius(s *stop) float64 {
	switch {
	case d.dense && !s.Gateway:
		return 5
	case s.Gateway:
		return 10
	}
	return 9
}

func (d *drawing) markers() {
	for i := range d.l.Stops {
		s := &d.l.Stops[i]
		x, y := d.point(s.At)
		r := d.radius(s) + 2
		d.taken = append(d.taken, box{x - r, y - r, x + r, y + r})
	}
	bar, _ := d.scaleBar()
	d.taken = append(d.taken, box{0, d.height - foot, bar + 90, d.height}, box{d.width - 30, d.height - foot, d.width, d.height})
}

// textWidth is about how wide a text is; for the widest of the fonts that a browser is likely to choose.
func (d *drawing) textWidth(s string, each float64) float64 {
	return float64(len([]rune(s))) * d.font * each
}

// The width of a letter, as a part of the font's size: names are bold.
const (
	letter     = 0.63
	boldLetter = 0.66
)

// place finds a place for each label where it covers nothing: what is bad first, then the gateway, gates, relays; then hops,
// the weakest first. What finds none is left out; the list below the picture says it all.
func (d *drawing) place() {
	order := make([]int, len(d.l.Stops))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(urgency(&d.l.Stops[a]), urgency(&d.l.Stops[b])) })
	for _, i := range order {
		s := &d.l.Stops[i]
		x, y := d.point(s.At)
		r := d.radius(s) + 3
		if !d.beside(s.Title(), "name "+severityClass(s), x, y, r) && d.dense {
			d.beside(fmt.Sprint(s.Number), "name "+severityClass(s), x, y, r)
		}
	}
	hops := slices.Clone(d.lines)
	slices.SortStableFunc(hops, func(a, b drawn) int { return cmp.Compare(weakness(a.Hop), weakness(b.Hop)) })
	for _, h := range hops {
		text := marginText(h.Hop)
		short, _, _ := strings.Cut(text, " (")
		if !d.along(h, text) {
			d.along(h, short)
		}
	}
}

func urgency(s *stop) int {
	switch {
	case s.Node != nil && s.Node.Severity == health.Trouble:
		return 0
	case s.Gateway:
		return 1
	case s.Node != nil && s.Node.Severity == health.Watch:
		return 2
	case len(s.Zones) > 0:
		return 3
	}
	return 4
}

func weakness(h *Hop) float64 {
	if h.Margin == nil {
		return math.Inf(1)
	}
	return *h.Margin
}

// beside tries the places around a marker, first those where the paper is free, and says whether one was free.
func (d *drawing) beside(text, class string, x, y, r float64) bool {
	w, h := d.textWidth(text, boldLetter), d.font*1.15
	for _, on := range []ground{onPaper, onCourse, onHops} {
		for _, far := range []float64{2, 8, 16, 25} {
			a := r + far
			for _, c := range [][2]float64{{x + a, y - h/2}, {x - a - w, y - h/2}, {x - w/2, y - a - h}, {x - w/2, y + a},
				{x + a*0.7, y - a*0.7 - h}, {x + a*0.7, y + a*0.7}, {x - a*0.7 - w, y - a*0.7 - h}, {x - a*0.7 - w, y + a*0.7}} {
				if b := (box{c[0], c[1], c[0] + w, c[1] + h}); d.free(b, on) {
					d.put(b, text, class)
					return true
				}
			}
		}
	}
	return false
}

// along tries places beside the middle of a hop, and then nearer to its ends, and says whether one was free.
func (d *drawing) along(h drawn, text string) bool {
	if text == "" {
		return false
	}
	w, high := d.textWidth(text, letter), d.font*1.15
	length := math.Hypot(h.x1-h.x0, h.y1-h.y0)
	if length < 30 {
		return false
	}
	nx, ny := -(h.y1-h.y0)/length, (h.x1-h.x0)/length
	for _, on := range []ground{onPaper, onCourse, onHops} {
		for _, off := range []float64{3, 10, 18} {
			// The label's nearest corner, not its middle, is that far from the line.
			reach := off + math.Abs(nx)*w/2 + math.Abs(ny)*high/2
			for _, t := range []float64{0.5, 0.4, 0.6, 0.3, 0.7} {
				for _, side := range []float64{reach, -reach} {
					x, y := h.x0+t*(h.x1-h.x0)+side*nx, h.y0+t*(h.y1-h.y0)+side*ny
					// A figure that stands nearer to another hop would be taken for that one's.
					if b := (box{x - w/2, y - high/2, x + w/2, y + high/2}); d.free(b, on) && d.nearest(x, y) == h {
						d.put(b, text, "figure "+marginClass(h.Hop))
						return true
					}
				}
			}
		}
	}
	return false
}

// nearest is the hop nearest to a point of the picture.
func (d *drawing) nearest(x, y float64) (best drawn) {
	off := math.Inf(1)
	for _, h := range d.lines {
		if o, _, _ := nearest([]XY{{h.x0, h.y0}, {h.x1, h.y1}}, XY{x, y}); o < off {
			best, off = h, o
		}
	}
	return best
}

// ground is what a label may lie on.
type ground uint8

const (
	onPaper ground = iota
	onCourse
	onHops
)

// free reports whether nothing is in the way of a label there.
func (d *drawing) free(b box, on ground) bool {
	switch {
	case !b.in(box{2, 2, d.width - 2, d.height - 2}) || slices.ContainsFunc(d.taken, b.hits):
		return false
	case on < onHops && slices.ContainsFunc(d.lines, b.crossed):
		return false
	case on < onCourse && slices.ContainsFunc(d.course, b.crossed):
		return false
	}
	return true
}

func (d *drawing) put(b box, text, class string) {
	d.taken = append(d.taken, b)
	d.labels = append(d.labels, label{b, text, class, b.x0, b.y1 - d.font*0.27})
}

// crossed reports whether a hop runs through b: it is cut to b side by side, as Liang and Barsky do.
func (b box) crossed(h drawn) bool {
	from, to := 0.0, 1.0
	dx, dy := h.x1-h.x0, h.y1-h.y0
	for _, e := range [][2]float64{{-dx, h.x0 - b.x0}, {dx, b.x1 - h.x0}, {-dy, h.y0 - b.y0}, {dy, b.y1 - h.y0}} {
		switch t := e[1] / e[0]; {
		case e[0] == 0 && e[1] < 0:
			return false
		case e[0] < 0:
			from = max(from, t)
		case e[0] > 0:
			to = min(to, t)
		}
	}
	return from < to
}

// drawn is a hop in the picture.
type drawn struct {
	*Hop
	x0, y0, x1, y1 float64
	first          bool // the way that is used; others were used within the last day
}

func (d *drawing) hops() (list []drawn) {
	for i := range d.l.Stops {
		s := &d.l.Stops[i]
		if s.Node == nil {
			continue
		}
		for j := range s.Node.Hops {
			h := &s.Node.Hops[j]
			to, ok := d.l.byName[h.To]
			if !ok {
				continue
			}
			x0, y0 := d.point(s.At)
			x1, y1 := d.point(d.l.Stops[to].At)
			list = append(list, drawn{h, x0, y0, x1, y1, j == 0})
		}
	}
	return list
}

func (d *drawing) segments() (list []drawn) {
	for _, line := range d.l.Course {
		for i := 1; i < len(line); i++ {
			x0, y0 := d.point(line[i-1])
			x1, y1 := d.point(line[i])
			list = append(list, drawn{nil, x0, y0, x1, y1, false})
		}
	}
	return list
}

func (d *drawing) drawCourse() {
	for _, class := range []string{"verge", "road"} {
		for _, line := range d.l.Course {
			fmt.Fprintf(&d.out, `<polyline class="%s" points="`, class)
			for _, p := range line {
				x, y := d.point(p)
				fmt.Fprintf(&d.out, "%.1f,%.1f ", x, y)
			}
			d.out.WriteString(`"/>`)
		}
	}
}

func (d *drawing) drawHops() {
	for _, h := range d.lines {
		class := "hop " + marginClass(h.Hop)
		if !h.first {
			class += " other"
		}
		fmt.Fprintf(&d.out, `<line class="%s" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"><title>%s</title></line>`, class, h.x0, h.y0, h.x1, h.y1,
			html.EscapeString(hopText(h.Hop)))
	}
}

// drawStops draws each as a link to its place in the list: a square is the gateway, a circle a gate, a diamond a relay, and a
// small square a building where it sounds. A thick ring is trouble.
func (d *drawing) drawStops() {
	for i := range d.l.Stops {
		s := &d.l.Stops[i]
		x, y := d.point(s.At)
		r := d.radius(s)
		fmt.Fprintf(&d.out, `<a href="#%s" class="stop %s" aria-label="%s">`, html.EscapeString(s.anchor()), severityClass(s), html.EscapeString(s.spoken()))
		switch {
		case s.Gateway:
			fmt.Fprintf(&d.out, `<path d="M%.1f %.1fh%.1fv%.1fl%.1f %.1fl%.1f %.1fz"/>`, x-r, y+r, 2*r, -1.3*r, -r, -r*0.9, -r, r*0.9)
		case s.Node == nil:
			fmt.Fprintf(&d.out, `<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f"/>`, x-r*0.8, y-r*0.8, r*1.6, r*1.6)
		case s.Node.Relay && len(s.Zones) == 0:
			fmt.Fprintf(&d.out, `<path d="M%.1f %.1fl%.1f %.1fl%.1f %.1fl%.1f %.1fz"/>`, x, y-r*1.15, r*1.15, r*1.15, -r*1.15, r*1.15, -r*1.15, -r*1.15)
		default:
			fmt.Fprintf(&d.out, `<circle cx="%.1f" cy="%.1f" r="%.1f"/>`, x, y, r)
		}
		if !d.dense && !s.Gateway {
			fmt.Fprintf(&d.out, `<text class="number" x="%.1f" y="%.1f" font-size="%.1f" text-anchor="middle">%d</text>`, x, y+d.font*0.33, d.font*0.9, s.Number)
		}
		d.out.WriteString(`</a>`)
	}
}

// scaleBar is how long the bar is, in pixels and metres.
func (d *drawing) scaleBar() (pixels, metres float64) {
	if !d.l.ToScale {
		return 0, 0
	}
	want := d.width * 0.22 / d.scale
	step := math.Pow(10, math.Floor(math.Log10(want)))
	for _, m := range []float64{5, 2, 1} {
		if m*step <= want {
			return m * step * d.scale, m * step
		}
	}
	return step * d.scale, step
}

func (d *drawing) drawScale() {
	y := d.height - 12
	if !d.l.ToScale {
		fmt.Fprintf(&d.out, `<text class="scale" x="8" y="%.1f" font-size="%.1f">not to scale</text>`, y, d.font)
		return
	}
	bar, metres := d.scaleBar()
	fmt.Fprintf(&d.out, `<path class="scale" d="M8 %.1fv6h%.1fv-6"/>`, y-6, bar)
	fmt.Fprintf(&d.out, `<text class="scale" x="%.1f" y="%.1f" font-size="%.1f">%s</text>`, bar+16, y+1, d.font, metresText(metres))
	fmt.Fprintf(&d.out, `<path class="north" d="M%.1f %.1fl5 14l-5 -4l-5 4z"/>`, d.width-14, y-18)
	fmt.Fprintf(&d.out, `<text class="scale" x="%.1f" y="%.1f" font-size="%.1f" text-anchor="middle">N</text>`, d.width-14, y+8, d.font*0.85)
}

func marginClass(h *Hop) string {
	switch {
	case h.Margin == nil:
		return "none"
	case *h.Margin < marginPoor:
		return "poor"
	case *h.Margin < marginGood:
		return "thin"
	}
	return "good"
}

// marginText is a hop's margin with its range over the last day.
func marginText(h *Hop) string {
	if h.Margin == nil {
		return ""
	}
	t := whole(*h.Margin) + " dB"
	if h.Lowest != nil && h.Highest != nil {
		between := "–"
		if *h.Lowest < -0.5 {
			between = " to "
		}
		t += " (" + whole(*h.Lowest) + between + whole(*h.Highest) + ")"
	}
	return t
}

// whole is a number without a fraction, and never minus nothing.
func whole(v float64) string { return minus(fmt.Sprintf("%.0f", math.Round(v)+0)) }

func hopText(h *Hop) string {
	if h.Margin == nil {
		return fmt.Sprintf("%s to %s: margin not measured", h.From, h.To)
	}
	t := fmt.Sprintf("%s to %s: %.1f dB margin now", h.From, h.To, *h.Margin)
	if h.Lowest != nil && h.Highest != nil {
		t += fmt.Sprintf(", %.1f to %.1f dB over the last day", *h.Lowest, *h.Highest)
	}
	return t
}

// describe says in words what the picture shows, for those who do not see it.
func describe(l *lane) string {
	var b strings.Builder
	for _, s := range l.Stops {
		if s.Node == nil {
			continue
		}
		for i := range s.Node.Hops {
			b.WriteString(hopText(&s.Node.Hops[i]) + ". ")
		}
	}
	return strings.TrimSpace(b.String())
}

// Title is what people call the stop: by its one gate, or by the node.
func (s stop) Title() string {
	if len(s.Zones) == 1 && s.Zones[0].Title != "" {
		return s.Zones[0].Title
	}
	return words(s.Name)
}

func (s *stop) anchor() string { return "at-" + s.Name }

func (s *stop) spoken() string {
	t := fmt.Sprintf("%d %s", s.Number, s.Title())
	switch {
	case s.Gateway:
		return s.Title() + ", the gateway"
	case s.Node != nil && s.Node.Severity != health.Well:
		return t + ", " + s.Node.Severity.String() + ": " + s.Node.Reason
	}
	return t
}

func severityClass(s *stop) string {
	if s.Node == nil {
		return "well"
	}
	return s.Node.Severity.String()
}

// words is a name as people write it: "ridge-relay" is "Ridge relay".
func words(name string) string {
	s := strings.ReplaceAll(name, "-", " ")
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func metresText(m float64) string {
	switch {
	case m >= 10_000:
		return fmt.Sprintf("%.0f km", m/1000)
	case m >= 1000:
		return fmt.Sprintf("%.3g km", m/1000)
	}
	return fmt.Sprintf("%.0f m", m)
}
