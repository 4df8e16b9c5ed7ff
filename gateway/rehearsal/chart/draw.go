//go:build !arm

package chart

import (
	"cmp"
	"fmt"
	"image/color"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"longlane/gateway/rehearsal"
)

var (
	blue   = color.RGBA{R: 0x00, G: 0x72, B: 0xb2, A: 0xff}
	orange = color.RGBA{R: 0xe6, G: 0x9f, B: 0x00, A: 0xff}
	black  = color.RGBA{A: 0xff}
	pale   = color.RGBA{R: 0xd8, G: 0xd8, B: 0xd8, A: 0xff}
)

// Draws reports whether this build draws charts.
const Draws = true

const (
	dpi         = 150
	pageWidth   = 7.5 * vg.Inch
	margin      = 0.2 * vg.Inch
	gap         = 0.15 * vg.Inch // between panels
	latencyHigh = 3.6 * vg.Inch
	frameHigh   = 1.05 * vg.Inch // of a panel with rows: title, ticks and label
	rowHigh     = 0.16 * vg.Inch
	most        = 20 // stations that have room
)

// panel is one plot and its height.
type panel struct {
	*plot.Plot
	high vg.Length
}

// Write draws r.
func Write(w io.Writer, r *rehearsal.Report, f Format) error {
	var panels []panel
	for _, draw := range []func(*rehearsal.Report) (panel, error){latency, stations, losses} {
		p, err := draw(r)
		if err != nil {
			return fmt.Errorf("draw chart: %w", err)
		}
		panels = append(panels, p)
	}
	high := 2 * margin
	for _, p := range panels {
		high += p.high + gap
	}
	canvas, out := page(high, f)
	c := draw.Crop(draw.New(canvas), margin, -margin, margin, -margin)
	for _, p := range panels {
		top := c.Max.Y
		c.Max.Y -= p.high + gap
		place := c
		place.Min.Y, place.Max.Y = c.Max.Y+gap, top
		p.Draw(place)
	}
	if _, err := out.WriteTo(w); err != nil {
		return fmt.Errorf("write chart: %w", err)
	}
	return nil
}

func page(high vg.Length, f Format) (vg.CanvasSizer, io.WriterTo) {
	if f == PNG {
		c := vgimg.NewWith(vgimg.UseWH(pageWidth, high), vgimg.UseDPI(dpi))
		return c, vgimg.PngCanvas{Canvas: c}
	}
	c := vgsvg.New(pageWidth, high)
	return c, c
}

func newPlot(title, x string) *plot.Plot {
	p := plot.New()
	p.Title.Text, p.X.Label.Text = title, x
	p.Title.Padding, p.X.Padding, p.Y.Padding = vg.Points(6), 0, 0
	for _, style := range []struct {
		of   *text.Style
		size vg.Length
	}{{&p.Title.TextStyle, 11}, {&p.X.Label.TextStyle, 9}, {&p.Y.Label.TextStyle, 9}, {&p.X.Tick.Label, 8}, {&p.Y.Tick.Label, 8},
		{&p.Legend.TextStyle, 8}} {
		style.of.Font.Variant, style.of.Font.Size = "Sans", style.size
	}
	return p
}

func grid() *plotter.Grid {
	g := plotter.NewGrid()
	g.Vertical.Color, g.Horizontal.Color = pale, pale
	return g
}

// labels puts words beside points.
func labels(p *plot.Plot, at plotter.XYs, words []string, offset vg.Point, y text.YAlignment) error {
	l, err := plotter.NewLabels(plotter.XYLabels{XYs: at, Labels: words})
	if err != nil {
		return err
	}
	l.Offset = offset
	for i := range l.TextStyle {
		l.TextStyle[i].Font.Variant, l.TextStyle[i].Font.Size, l.TextStyle[i].YAlign = "Sans", 8, y
	}
	p.Add(l)
	return nil
}

// times are the marks of axes of time.
var times = []struct {
	s    float64
	name string
}{{0.001, "1 ms"}, {0.01, "10 ms"}, {0.1, "0.1 s"}, {1, "1 s"}, {10, "10 s"}, {60, "1 min"}, {600, "10 min"}, {3600, "1 h"}, {86400, "1 day"},
	{864000, "10 days"}, {8640000, "100 days"}, {86400000, "1000 days"}, {864000000, "10,000 days"}}

// decades puts times on an axis on which 0.1, 1 and 10 s are equally far apart. What is below the first mark stands at it. The
// axis itself stays linear, since the library centres the label of a logarithmic one by its data.
func decades(d time.Duration) float64 { return math.Log10(max(d.Seconds(), times[0].s)) }

// timeAxis reaches from the mark below low to the one above high, which decades gave.
func timeAxis(a *plot.Axis, low, high float64) {
	i, j := 0, len(times)-1
	for i+1 < len(times) && math.Log10(times[i+1].s) <= low {
		i++
	}
	for j-1 > i && math.Log10(times[j-1].s) >= high {
		j--
	}
	var ticks plot.ConstantTicks
	for k := i; k <= j; k++ {
		ticks = append(ticks, plot.Tick{Value: math.Log10(times[k].s), Label: times[k].name})
		for n := 2.0; k < j && n*times[k].s < times[k+1].s; n++ {
			ticks = append(ticks, plot.Tick{Value: math.Log10(n * times[k].s)})
		}
	}
	a.Min, a.Max, a.Tick.Marker = math.Log10(times[i].s), math.Log10(times[j].s), ticks
}

// nines puts shares on an axis on which 90, 99 and 99.9 % are equally far apart: what matters are the last few trips.
func nines(share float64) float64 { return -math.Log10(1 - share) }

func latency(r *rehearsal.Report) (panel, error) {
	n := r.Trips.Delivered
	p := newPlot(short(r.Name, 40)+": how long trips took", "at most this long, from the contact to the event stored")
	if len(r.Distribution) == 0 {
		return empty(short(r.Name, 40) + ": no trip was delivered"), nil
	}
	p.Y.Label.Text = fmt.Sprintf("share of %s", trips(n))
	top := nines(1 - 0.5/float64(n)) // where all of them stand, since nines(1) has no place
	var curve plotter.XYs
	last := 0.0
	for _, d := range r.Distribution {
		x := decades(d.Within)
		curve = append(curve, plotter.XY{X: x, Y: last})
		last = min(nines(d.Share), top)
		curve = append(curve, plotter.XY{X: x, Y: last})
	}
	timeAxis(&p.X, curve[0].X, curve[len(curve)-1].X)
	p.Y.Min, p.Y.Max = 0, top
	ticks := plot.ConstantTicks{{Value: 0, Label: "0 %"}, {Value: top, Label: "all"}}
	for _, share := range []float64{0.5, 0.9, 0.99, 0.999, 0.9999, 0.99999, 0.999999} {
		if y := nines(share); y < top-0.15 {
			ticks = append(ticks, plot.Tick{Value: y, Label: strconv.FormatFloat(100*share, 'f', -1, 64) + " %"})
		}
	}
	p.Y.Tick.Marker = ticks
	line, err := plotter.NewLine(curve)
	if err != nil {
		return panel{}, err
	}
	line.Width, line.Color = vg.Points(1.6), blue
	p.Add(grid(), line)
	return panel{p, latencyHigh}, told(p, r, top)
}

// told marks the points of the curve that the report names.
func told(p *plot.Plot, r *rehearsal.Report, top float64) error {
	var at plotter.XYs
	var words []string
	for _, l := range append(slices.Clone(r.Latency), rehearsal.Point{Share: 1, Within: r.Slowest}) {
		at = append(at, plotter.XY{X: decades(l.Within), Y: min(nines(l.Share), top)})
		words = append(words, rehearsal.Words(l.Within))
	}
	points, err := plotter.NewScatter(at)
	if err != nil {
		return err
	}
	points.GlyphStyle = draw.GlyphStyle{Color: black, Radius: vg.Points(2.2), Shape: draw.CircleGlyph{}}
	p.Add(points)
	return labels(p, at, words, vg.Point{X: vg.Points(5), Y: vg.Points(-4)}, text.YTop)
}

func stations(r *rehearsal.Report) (panel, error) {
	nodes := slices.Clone(r.Nodes)
	slices.SortStableFunc(nodes, func(a, b rehearsal.Node) int { return cmp.Compare(b.Share(), a.Share()) })
	title := "Time on the air in each station's worst hour"
	if len(nodes) > most {
		title += fmt.Sprintf(" (the %d busiest of %d)", most, len(nodes))
		nodes = nodes[:most]
	}
	slices.Reverse(nodes) // the busiest on top
	limit := r.Band.Budget()
	p := newPlot(title, fmt.Sprintf("dashed: the limit, %s in any hour (%s, %s)", rehearsal.Words(limit), r.Band.Region, r.Band.Range()))
	edgeAt := decades(limit)
	low, high := edgeAt-1, edgeAt+0.01
	var within, beyond plotter.XYs
	var names []string
	for i, n := range nodes {
		x := decades(n.Hour)
		low, high = min(low, x), max(high, x)
		names = append(names, short(n.Name, 24))
		if n.Lawful() {
			within = append(within, plotter.XY{X: x, Y: float64(i)})
		} else {
			beyond = append(beyond, plotter.XY{X: x, Y: float64(i)})
		}
	}
	p.NominalY(names...)
	p.Y.Min, p.Y.Max = -0.7, float64(len(nodes))-0.3
	timeAxis(&p.X, low, high)
	p.Add(grid())
	edge, err := plotter.NewLine(plotter.XYs{{X: edgeAt, Y: p.Y.Min}, {X: edgeAt, Y: p.Y.Max}})
	if err != nil {
		return panel{}, err
	}
	edge.Width, edge.Color, edge.Dashes = vg.Points(1.2), black, []vg.Length{vg.Points(4), vg.Points(3)}
	p.Add(edge)
	for _, set := range []struct {
		at    plotter.XYs
		color color.Color
		shape draw.GlyphDrawer
	}{{within, blue, draw.CircleGlyph{}}, {beyond, orange, draw.CrossGlyph{}}} {
		points, err := plotter.NewScatter(set.at)
		if err != nil {
			return panel{}, err
		}
		points.GlyphStyle = draw.GlyphStyle{Color: set.color, Radius: vg.Points(3), Shape: set.shape}
		p.Add(points)
	}
	return panel{p, frameHigh + rowHigh*vg.Length(len(nodes))}, nil
}

func losses(r *rehearsal.Report) (panel, error) {
	var causes, directions []string
	sum, frames := map[string]int{}, map[[2]string]int{}
	for _, l := range r.Losses {
		sum[l.Why] += l.Frames
		frames[[2]string{l.Direction, l.Why}] += l.Frames
		directions = append(directions, l.Direction)
		causes = append(causes, l.Why)
	}
	slices.Sort(causes)
	causes = slices.Compact(causes)
	slices.SortStableFunc(causes, func(a, b string) int { return cmp.Compare(sum[a], sum[b]) }) // most on top
	slices.Sort(directions)
	directions = slices.Compact(directions)
	if len(causes) == 0 {
		return empty("No frame was lost on its way"), nil
	}
	p := newPlot("Frames lost on their way, by cause", "")
	const thick = 9
	most, legend := 0.0, []plot.Thumbnailer{}
	for i, d := range directions {
		offset := vg.Points(thick * (float64(i) - float64(len(directions)-1)/2))
		values, at, words := plotter.Values{}, plotter.XYs{}, []string{}
		for j, c := range causes {
			n := frames[[2]string{d, c}]
			most = max(most, float64(n))
			values = append(values, float64(n))
			if n == 0 {
				continue
			}
			at, words = append(at, plotter.XY{X: float64(n), Y: float64(j)}), append(words, strconv.Itoa(n))
		}
		bars, err := plotter.NewBarChart(values, vg.Points(thick))
		if err != nil {
			return panel{}, err
		}
		bars.Horizontal, bars.Offset, bars.LineStyle.Width = true, offset, 0
		bars.Color = []color.Color{orange, blue}[i%2]
		p.Add(bars)
		if err := labels(p, at, words, vg.Point{X: vg.Points(3), Y: offset}, text.YCenter); err != nil {
			return panel{}, err
		}
		legend = append(legend, bars)
	}
	for i := range directions { // as the bars stand, the uppermost first
		p.Legend.Add(directions[len(directions)-1-i], legend[len(directions)-1-i])
	}
	p.NominalY(causes...)
	p.HideX() // each bar has its number
	p.X.Min, p.X.Max = 0, 1.12*most
	p.Y.Min, p.Y.Max = -1.7, float64(len(causes))-0.4 // the legend's place is below the bars
	p.Legend.Padding = vg.Points(2)
	return panel{p, frameHigh/2 + 0.32*vg.Inch*vg.Length(len(causes)+1)}, nil
}

// empty is a panel with nothing to draw.
func empty(why string) panel {
	p := newPlot(why, "")
	p.HideAxes()
	return panel{p, 0.5 * vg.Inch}
}

func trips(n int) string {
	if n == 1 {
		return "1 trip delivered"
	}
	return fmt.Sprintf("%d trips delivered", n)
}

// short cuts what has no room.
func short(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return string(r[:n-1]) + "…"
	}
	return s
}
