//go:build !arm

package picture

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"longlane/radio/lane"
)

// Draws reports whether this build draws.
const Draws = true

// The colours. The page gives each another one in the dark, so they are apart, and none is pure black, which the library leaves out.
var (
	paper   = color.RGBA{0xfe, 0xfd, 0xfa, 0xff}
	ink     = color.RGBA{0x1d, 0x1c, 0x1a, 0xff}
	faint   = color.RGBA{0x6a, 0x6a, 0x66, 0xff}
	rule    = color.RGBA{0xd2, 0xd0, 0xc8, 0xff}
	earth   = color.RGBA{0xea, 0xe4, 0xd6, 0xff}
	leafy   = color.RGBA{0xdd, 0xec, 0xe4, 0xff}
	walled  = color.RGBA{0xdc, 0xdc, 0xe0, 0xff}
	blue    = color.RGBA{0x00, 0x72, 0xb2, 0xff}
	sky     = color.RGBA{0x56, 0xb4, 0xe9, 0xff}
	green   = color.RGBA{0x00, 0x9e, 0x73, 0xff}
	orange  = color.RGBA{0xe6, 0x9f, 0x00, 0xff}
	vermeil = color.RGBA{0xd5, 0x5e, 0x00, 0xff}
)

const (
	wide   = 360 // of every picture, pt: about a phone's page
	edge   = 10
	normal = 8.5 // pt of letters
	small  = 7.5
	dpi    = 216
)

type drawing struct {
	wide, high float64 // pt
	draw       func(*pen)
}

// Write draws p.
func (p *Picture) Write(w io.Writer, f Format) error {
	var canvas vg.CanvasSizer
	var out io.WriterTo
	if f == PNG {
		c := vgimg.NewWith(vgimg.UseWH(vg.Length(p.wide), vg.Length(p.high)), vgimg.UseDPI(dpi))
		canvas, out = c, vgimg.PngCanvas{Canvas: c}
	} else {
		c := vgsvg.New(vg.Length(p.wide), vg.Length(p.high))
		canvas, out = c, fitted{c}
	}
	n := &pen{c: draw.New(canvas)}
	n.fill(paper, rectangle(0, 0, p.wide, p.high))
	n.text(edge, p.high-edge-2, p.Title, 10, left, bold, ink)
	p.draw(n)
	if _, err := out.WriteTo(w); err != nil {
		return fmt.Errorf("%s: %w", p.Name, err)
	}
	return nil
}

// fitted is an SVG whose words take the room that they were given, whatever font there is to show them.
type fitted struct{ *vgsvg.Canvas }

var textElement = regexp.MustCompile(`<text ([^>]*font-weight:(\w+);[^>]*font-size:([0-9.]+)px[^>]*)>([^<]*)</text>`)

func (f fitted) WriteTo(w io.Writer) (int64, error) {
	var b bytes.Buffer
	if _, err := f.Canvas.WriteTo(&b); err != nil {
		return 0, err
	}
	text := textElement.ReplaceAllStringFunc(b.String(), func(element string) string {
		m := textElement.FindStringSubmatch(element)
		size, err := strconv.ParseFloat(m[3], 64)
		if err != nil {
			return element
		}
		weight := plain
		if m[2] == "bold" {
			weight = bold
		}
		return fmt.Sprintf(`<text textLength="%.2f" lengthAdjust="spacingAndGlyphs" %s>%s</text>`, width(html.UnescapeString(m[4]), size, weight), m[1], m[4])
	})
	n, err := io.WriteString(w, text)
	return int64(n), err
}

// at is a place on the paper, pt from its lower left corner.
type at struct{ x, y float64 }

func (p at) point() vg.Point { return vg.Point{X: vg.Length(p.x), Y: vg.Length(p.y)} }

func points(list []at) (all []vg.Point) {
	for _, p := range list {
		all = append(all, p.point())
	}
	return all
}

func rectangle(x0, y0, x1, y1 float64) []at { return []at{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}} }

type pen struct{ c draw.Canvas }

// inside draws only what lies in a rectangle.
func (n *pen) inside(x0, y0, x1, y1 float64) *pen {
	c := n.c
	c.Min, c.Max = at{x0, y0}.point(), at{x1, y1}.point()
	return &pen{c}
}

const (
	left, middle, right = text.XLeft, text.XCenter, text.XRight
	plain, bold         = 0, 3 // of golang.org/x/image/font.Weight
)

func style(size float64, weight int, c color.Color) text.Style {
	f := plot.DefaultFont
	f.Variant, f.Size = "Sans", vg.Length(size)
	if weight == bold {
		f.Weight = bold
	}
	return text.Style{Color: c, Font: f, Handler: plot.DefaultTextHandler, YAlign: text.YCenter}
}

// width is that of a text.
func width(s string, size float64, weight int) float64 {
	return float64(style(size, weight, ink).Width(s))
}

// text stands with its middle at y.
func (n *pen) text(x, y float64, s string, size float64, align text.XAlignment, weight int, c color.Color) {
	st := style(size, weight, c)
	st.XAlign = align
	n.c.FillText(st, at{x, y + 0.08*size}.point(), s) // the library's middle is that of the line, not of the letters
}

// upright is read from the right.
func (n *pen) upright(x, y float64, s string, size float64, c color.Color) {
	st := style(size, plain, c)
	st.XAlign, st.Rotation = middle, math.Pi/2
	n.c.FillText(st, at{x, y}.point(), s)
}

// stroke is how a line looks.
type stroke struct {
	color  color.Color
	width  float64
	dashes []vg.Length
}

func (n *pen) lines(s stroke, list ...[]at) {
	var all [][]vg.Point
	for _, l := range list {
		all = append(all, points(l))
	}
	all = n.c.ClipLinesXY(all...)
	var path vg.Path
	for _, l := range all {
		path.Move(l[0])
		for _, p := range l[1:] {
			path.Line(p)
		}
	}
	if len(path) > 0 {
		n.c.SetLineStyle(draw.LineStyle{Color: s.color, Width: vg.Length(s.width), Dashes: s.dashes})
		n.c.Stroke(path)
	}
}

func (n *pen) line(s stroke, list ...at) { n.lines(s, list) }

// fill paints rings; the inner ones are to turn the other way.
func (n *pen) fill(c color.Color, rings ...[]at) {
	var path vg.Path
	for _, r := range rings {
		clipped := n.c.ClipPolygonXY(points(r))
		for i, p := range clipped {
			if i == 0 {
				path.Move(p)
			} else {
				path.Line(p)
			}
		}
		if len(clipped) > 0 {
			path.Close()
		}
	}
	if len(path) > 0 {
		n.c.SetColor(c)
		n.c.Fill(path)
	}
}

func closed(r []at) []at { return append(slices.Clone(r), r[0]) }

// hatch draws parallels at an angle, in degrees, over what an odd number of rings surrounds.
func (n *pen) hatch(s stroke, angle, gap float64, rings ...[]at) {
	sin, cos := math.Sincos(angle * math.Pi / 180)
	turn := func(p at) at { return at{p.x*cos + p.y*sin, p.y*cos - p.x*sin} }
	low, high := math.Inf(1), math.Inf(-1)
	var edges [][2]at
	for _, r := range rings {
		for i := range r {
			p, q := turn(r[i]), turn(r[(i+1)%len(r)])
			edges = append(edges, [2]at{p, q})
			low, high = min(low, p.y), max(high, p.y)
		}
	}
	const most = 2000
	if len(edges) == 0 || (high-low)/gap > most {
		return
	}
	var all [][]at
	for k := math.Ceil(low / gap); k*gap <= high; k++ {
		y := k * gap
		var xs []float64
		for _, e := range edges {
			if (e[0].y <= y) != (e[1].y <= y) {
				xs = append(xs, e[0].x+(y-e[0].y)/(e[1].y-e[0].y)*(e[1].x-e[0].x))
			}
		}
		slices.Sort(xs)
		for i := 0; i+1 < len(xs); i += 2 {
			back := func(x float64) at { return at{x*cos - y*sin, y*cos + x*sin} }
			all = append(all, []at{back(xs[i]), back(xs[i+1])})
		}
	}
	n.lines(s, all...)
}

// cover paints what stands on the ground: every kind has its own hatching.
func (n *pen) cover(k lane.Kind, rings ...[]at) {
	c := green
	switch k {
	case lane.Building:
		c = faint
		n.fill(walled, rings...)
	default:
		n.fill(leafy, rings...)
	}
	thin := stroke{color: c, width: 0.5}
	switch k {
	case lane.Wood:
		n.hatch(thin, 45, 4, rings...)
	case lane.Orchard:
		n.hatch(stroke{c, 0.9, []vg.Length{0.9, 3.1}}, 0, 4, rings...)
	case lane.Hedge:
		n.hatch(thin, 90, 2, rings...)
	case lane.Building:
		n.hatch(thin, 45, 3, rings...)
		n.hatch(thin, -45, 3, rings...)
	}
	for _, r := range rings {
		n.line(stroke{color: c, width: 0.7}, closed(r)...)
	}
}

func (n *pen) dot(p at, radius float64, c color.Color, shape draw.GlyphDrawer) {
	n.c.DrawGlyphNoClip(draw.GlyphStyle{Color: c, Radius: vg.Length(radius), Shape: shape}, p.point())
}

// round are numbers from low to high, about so many, that are 1, 2 or 5 times a power of ten apart.
func round(low, high float64, about int) (list []float64) {
	step := math.Pow(10, math.Floor(math.Log10((high-low)/float64(about))))
	for _, m := range []float64{1, 2, 5, 10} {
		if m*step*float64(about) >= high-low {
			step *= m
			break
		}
	}
	for k := math.Ceil(low/step - 1e-9); k*step <= high+1e-9*step; k++ {
		list = append(list, k*step)
	}
	return list
}

func number(x float64) string { return strconv.FormatFloat(math.Round(x*1e6)/1e6+0, 'f', -1, 64) }

// short cuts what has no room.
func short(s string, room, size float64) string {
	r := []rune(s)
	if width(s, size, plain) <= room {
		return s
	}
	for len(r) > 1 && width(string(r)+"…", size, plain) > room {
		r = r[:len(r)-1]
	}
	return string(r) + "…"
}

// crowd places labels so that none stands on another.
type crowd struct {
	x0, y0, x1, y1 float64 // where they may stand
	taken          [][4]float64
	lines          [][2]at
}

func (w *crowd) take(p at, dx, dy float64) {
	w.taken = append(w.taken, [4]float64{p.x - dx, p.y - dy, p.x + dx, p.y + dy})
}

// cost is 0 where a box of that size, with its middle at p, is free.
func (w *crowd) cost(p at, dx, dy float64) (sum float64) {
	for _, b := range w.taken {
		x, y := min(p.x+dx, b[2])-max(p.x-dx, b[0]), min(p.y+dy, b[3])-max(p.y-dy, b[1])
		if x > 0 && y > 0 {
			sum += 10 + x*y
		}
	}
	out := max(w.x0-(p.x-dx), 0) + max(p.x+dx-w.x1, 0) + max(w.y0-(p.y-dy), 0) + max(p.y+dy-w.y1, 0)
	sum += 100 * out
	for _, l := range w.lines {
		for t := range 41 {
			x, y := l[0].x+float64(t)/40*(l[1].x-l[0].x), l[0].y+float64(t)/40*(l[1].y-l[0].y)
			if math.Abs(x-p.x) < dx && math.Abs(y-p.y) < dy {
				sum += 1.5
			}
		}
	}
	return sum
}

// best takes the place that is freest, the earlier one of equals. A line from it to its point, if that is not nil, is not to cross what
// stands there.
func (w *crowd) best(places []at, dx, dy float64, point *at) (best at, least float64) {
	least = math.Inf(1)
	for _, p := range places {
		cost := w.cost(p, dx, dy)
		if point != nil {
			cost += w.crossed(p, *point)
		}
		if cost < least {
			best, least = p, cost
		}
	}
	w.take(best, dx, dy)
	return best, least
}

// crossed is what a line costs from a label at p to its point, which it leaves by 6 pt.
func (w *crowd) crossed(p, point at) (sum float64) {
	long := math.Hypot(p.x-point.x, p.y-point.y)
	for _, b := range w.taken {
		for d := 6.0; d < long; d += 3 {
			x, y := point.x+(p.x-point.x)*d/long, point.y+(p.y-point.y)*d/long
			if x > b[0] && x < b[2] && y > b[1] && y < b[3] {
				sum += 5
				break
			}
		}
	}
	return sum
}

// around are places of a box beside p, the nearest first.
func around(p at, dx, dy float64) (list []at) {
	for _, r := range []float64{6, 9, 14, 22, 32, 44, 58, 75, 95} {
		for _, a := range []float64{0, 180, 90, 270, 45, 315, 135, 225, 20, 160, 340, 200} {
			sin, cos := math.Sincos(a * math.Pi / 180)
			list = append(list, at{p.x + cos*(r+dx), p.y + sin*(r+dy)})
		}
	}
	return list
}
