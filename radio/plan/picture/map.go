//go:build !arm

package picture

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"longlane/radio/lane"
	"longlane/radio/plan"
)

// grade is how much a link has to spare over what is asked of it.
type grade struct {
	from  float64 // dB of plan.Link.Spare
	words string
	stroke
}

// The steps are our choice, no source: 6 dB is what the noise of a place may well be more, and 15 dB about twice what a hop is not known by.
var grades = []grade{
	{15, "15 dB and more to spare", stroke{blue, 3, nil}},
	{6, "6 to 15 dB to spare", stroke{blue, 1.8, []vg.Length{9, 3}}},
	{0, "keeps the goal, up to 6 dB to spare", stroke{orange, 1.8, []vg.Length{5, 3}}},
	{math.Inf(-1), "lacks margin", stroke{vermeil, 1.6, []vg.Length{1.5, 3}}},
}

func gradeOf(spare float64) int {
	for i, g := range grades {
		if spare >= g.from-1e-9 {
			return i
		}
	}
	return len(grades) - 1
}

// chart is the map's scale.
type chart struct {
	middle lane.Point
	scale  float64 // pt for each m
	centre at
}

func (c chart) at(p lane.Point) at {
	return at{c.centre.x + c.scale*(p.East-c.middle.East), c.centre.y + c.scale*(p.North-c.middle.North)}
}

func (c chart) back(p at) lane.Point {
	return lane.Point{East: c.middle.East + (p.x-c.centre.x)/c.scale, North: c.middle.North + (p.y-c.centre.y)/c.scale}
}

// key is a line of the legend.
type key struct {
	words string
	draw  func(*pen, float64, float64) // in a box of 24 by 10 pt with its middle there
}

const (
	mapLeast, mapMost = 170, 400
	crowded           = 20 // from more sites on the map is twice as wide
	keyHigh           = 12
)

func mapOf(p *plan.Plan) Picture {
	low, high := lane.Point{East: math.Inf(1), North: math.Inf(1)}, lane.Point{East: math.Inf(-1), North: math.Inf(-1)}
	grow := func(q lane.Point) {
		low.East, low.North = min(low.East, q.East), min(low.North, q.North)
		high.East, high.North = max(high.East, q.East), max(high.North, q.North)
	}
	for _, s := range p.Lane.Sites {
		grow(s.At)
	}
	for _, q := range p.Lane.Course {
		grow(q)
	}
	const border = 26 // pt around the sites, for their names
	wide := float64(wide)
	tallest := float64(mapMost)
	if len(p.Lane.Sites) > crowded {
		wide, tallest = 2*wide, 1.7*tallest
	}
	w, h := max(high.East-low.East, 1), max(high.North-low.North, 1)
	scale := (wide - 2*edge - 2*border) / w
	tall := min(max(h*scale+2*border, mapLeast), tallest)
	scale = min(scale, (tall-2*border)/h)
	keys := keysOf(p)
	legend := float64((len(keys)+1)/2)*keyHigh + 6
	m := &mapping{p: p, links: p.Links(), keys: keys, foot: edge + legend + 26, wide: wide, tall: tall,
		chart: chart{lane.Point{East: (low.East + high.East) / 2, North: (low.North + high.North) / 2}, scale, at{wide / 2, edge + legend + 26 + tall/2}}}
	if m.courses = m.apart(); m.aside() { // room for the note of it
		m.foot += noteHigh
		m.centre.y += noteHigh
		m.courses = m.apart()
	}
	words := fmt.Sprintf("Map of %s to scale, north up.", p.Lane.Name)
	for _, l := range m.links {
		words += fmt.Sprintf(" %s to %s: %.1f dB of margin, %s.", l.From.Name, l.To.Name, l.Margin, grades[gradeOf(l.Spare())].words)
	}
	for i := range p.Lane.Cover {
		if c := &p.Lane.Cover[i]; c.Name != "" {
			words += fmt.Sprintf(" %s: %s, %s m high.", c.Name, c.Kind, number(c.Height))
		}
	}
	return Picture{"map", p.Lane.Name + ": the lane and its links", words, drawing{wide, m.foot + tall + 24, m.draw}}
}

type mapping struct {
	p     *plan.Plan
	links []*plan.Link
	keys  []key
	foot  float64 // of the map on the paper
	wide  float64 // of the paper
	tall  float64
	chart
	crowd
	courses []course // of the links
}

const (
	sideBySide = "links that lie on one line are drawn side by side"
	noteHigh   = 10
)

// aside reports whether a link is drawn beside another one.
func (m *mapping) aside() bool {
	return slices.ContainsFunc(m.courses, func(c course) bool { return len(c) > 2 })
}

// course is how a link goes on the paper: from end to end, or aside, beside one that it would lie upon.
type course []at

// middle is its longest stretch.
func (c course) middle() [2]at { return [2]at{c[len(c)/2-1], c[len(c)/2]} }

func (c course) stretches() (list [][2]at) {
	for i := 1; i < len(c); i++ {
		list = append(list, [2]at{c[i-1], c[i]})
	}
	return list
}

// aside is so far beside the straight course; it leaves the ends by a slope of one and a half times that.
func (c course) aside(by float64) course {
	a, b := c[0], c[len(c)-1]
	long := math.Hypot(b.x-a.x, b.y-a.y)
	if by == 0 || long == 0 {
		return course{a, b}
	}
	e, n := (b.x-a.x)/long, (b.y-a.y)/long
	if e < 0 || e == 0 && n < 0 { // to the same side, whichever end is the first
		by = -by
	}
	slope := min(1.5*math.Abs(by), long/3)
	return course{a, {a.x + slope*e - by*n, a.y + slope*n + by*e}, {b.x - slope*e - by*n, b.y - slope*n + by*e}, b}
}

// upon reports whether more than half of the shorter of two courses lies on the other, so that one would hide it.
func (c course) upon(o course) bool {
	a, b := c.middle(), o.middle()
	if math.Hypot(a[1].x-a[0].x, a[1].y-a[0].y) > math.Hypot(b[1].x-b[0].x, b[1].y-b[0].y) {
		a, b = b, a
	}
	const parts, near = 40, 4.0
	hidden := 0
	for i := range parts {
		t := (float64(i) + 0.5) / parts
		if (at{a[0].x + t*(a[1].x-a[0].x), a[0].y + t*(a[1].y-a[0].y)}).from(b) < near {
			hidden++
		}
	}
	return hidden > parts/2
}

// from is how far p is from a stretch.
func (p at) from(s [2]at) float64 {
	e, n := s[1].x-s[0].x, s[1].y-s[0].y
	t := 0.0
	if long := e*e + n*n; long > 0 {
		t = min(max(((p.x-s[0].x)*e+(p.y-s[0].y)*n)/long, 0), 1)
	}
	return math.Hypot(p.x-s[0].x-t*e, p.y-s[0].y-t*n)
}

// apart gives every link a course on which it lies on no other, or on the fewest. The shorter ones go straight: what is longer passes by the sites on its way, and
// would look as if it ended there.
func (m *mapping) apart() []course {
	all, order := make([]course, len(m.links)), make([]int, len(m.links))
	for i, l := range m.links {
		order[i], all[i] = i, course{m.at(l.From.At), m.at(l.To.At)}
	}
	slices.SortStableFunc(order, func(i, j int) int { return cmp.Compare(m.links[i].Length, m.links[j].Length) })
	const beside = 9 // pt: clear of a symbol
	for k, i := range order {
		straight, fewest := all[i], len(order)
		for _, by := range []float64{0, beside, -beside, 2 * beside, -2 * beside} {
			c, on := straight.aside(by), 0
			for _, j := range order[:k] {
				if c.upon(all[j]) {
					on++
				}
			}
			if on < fewest { // where more than five go the same way some must
				all[i], fewest = c, on
			}
		}
	}
	return all
}

func (m *mapping) draw(n *pen) {
	x0, y0, x1, y1 := float64(edge), m.foot, m.wide-edge, m.foot+m.tall
	m.crowd = crowd{x0: x0 + 2, y0: y0 + 2, x1: x1 - 2, y1: y1 - 2}
	m.take(at{x1 - 10, y1 - 14}, 8, 14) // the arrow
	in := n.inside(x0, y0, x1, y1)
	levels := m.contours(in, x0, y0, x1, y1)
	for i := range m.p.Lane.Cover {
		in.cover(m.p.Lane.Cover[i].Kind, m.rings(m.p.Lane.Cover[i].Area)...)
	}
	if c := m.p.Lane.Course; len(c) > 1 {
		var way []at
		for _, q := range c {
			way = append(way, m.at(q))
		}
		in.line(stroke{faint, 3.4, nil}, way...)
		in.line(stroke{paper, 2, nil}, way...)
	}
	for i, l := range m.links {
		c := m.courses[i]
		m.lines = append(m.lines, c.stretches()...)
		s := grades[gradeOf(l.Spare())].stroke
		in.line(stroke{paper, s.width + 2.4, nil}, c...)
		in.line(s, c...)
	}
	for i := range m.p.Lane.Sites {
		s := &m.p.Lane.Sites[i]
		m.mark(n, m.at(s.At), s)
		m.take(m.at(s.At), 5, 5)
	}
	m.margins(n)
	for _, used := range []bool{true, false} {
		for i := range m.p.Lane.Sites {
			if s := &m.p.Lane.Sites[i]; m.idle(s) != used {
				m.name(n, s)
			}
		}
	}
	m.covers(n, x0, y0, x1, y1)
	for _, l := range levels {
		dx, dy := width(l.words, 6.5, plain)/2+1, 4.0
		for _, p := range l.places {
			if m.cost(p, dx, dy) == 0 {
				m.take(p, dx, dy)
				n.fill(paper, rectangle(p.x-dx, p.y-dy+0.5, p.x+dx, p.y+dy-0.5))
				n.text(p.x, p.y, l.words, 6.5, middle, plain, faint)
				break
			}
		}
	}
	n.line(stroke{rule, 0.8, nil}, closed(rectangle(x0, y0, x1, y1))...)
	north(n, x1-10, y1-4)
	m.bar(n, x0, y0-12)
	for i, k := range m.keys {
		rows := (len(m.keys) + 1) / 2
		x, y := x0+float64(i/rows)*172, m.foot-30-float64(i%rows)*keyHigh
		if m.aside() {
			y -= noteHigh
		}
		k.draw(n, x+12, y)
		n.text(x+29, y, k.words, small, left, plain, ink)
	}
}

// rings are those of an area, inner ones turning the other way.
func (m *mapping) rings(a lane.Area) (list [][]at) {
	for i, ring := range a {
		depth, turns := 0, 0.0
		for j, other := range a {
			if i != j && holds(other, ring[0]) {
				depth++
			}
		}
		var r []at
		for k, q := range ring {
			r = append(r, m.at(q))
			next := ring[(k+1)%len(ring)]
			turns += q.East*next.North - next.East*q.North
		}
		if (turns > 0) == (depth%2 == 1) {
			slices.Reverse(r)
		}
		list = append(list, r)
	}
	return list
}

// holds reports whether a ring is around a point.
func holds(ring []lane.Point, q lane.Point) (in bool) {
	for i, a := range ring {
		b := ring[(i+1)%len(ring)]
		if (a.North <= q.North) != (b.North <= q.North) && q.East < a.East+(q.North-a.North)/(b.North-a.North)*(b.East-a.East) {
			in = !in
		}
	}
	return in
}

// idle reports whether a relay could stand at a site and is not needed, or does and carries nothing.
func (m *mapping) idle(s *lane.Site) bool {
	return (s.Role == lane.RoleCandidate || s.Role == lane.RoleRelay) && !slices.Contains(m.p.Relays, s) && !m.linked(s)
}

func (m *mapping) linked(s *lane.Site) bool {
	return slices.ContainsFunc(m.links, func(l *plan.Link) bool { return l.From == s || l.To == s })
}

// cut reports whether a zone at a site is not served.
func (m *mapping) cut(s *lane.Site) bool {
	return slices.ContainsFunc(m.p.Zones, func(z plan.ZonePlan) bool { return z.Site == s && !z.Served })
}

func (m *mapping) mark(n *pen, p at, s *lane.Site) {
	switch {
	case m.idle(s):
		symbol(n, p, "idle")
	case m.cut(s):
		symbol(n, p, "cut")
	default:
		symbol(n, p, string(s.Role))
	}
}

// symbol is the sign of a role; "idle" is a relay that is not used, and "cut" a gate that is not reached.
func symbol(n *pen, p at, what string) {
	n.dot(p, 6, paper, draw.CircleGlyph{})
	switch what {
	case string(lane.RoleGateway):
		n.fill(ink, rectangle(p.x-4, p.y-4, p.x+4, p.y+1.5))
		n.fill(ink, []at{{p.x - 5.5, p.y + 1}, {p.x + 5.5, p.y + 1}, {p.x, p.y + 6}})
	case string(lane.RoleGate):
		n.fill(ink, []at{{p.x - 4.8, p.y - 3.5}, {p.x + 4.8, p.y - 3.5}, {p.x, p.y + 5}})
	case "cut":
		n.line(stroke{vermeil, 1.4, nil}, closed([]at{{p.x - 4.8, p.y - 3.5}, {p.x + 4.8, p.y - 3.5}, {p.x, p.y + 5}})...)
		n.line(stroke{vermeil, 1.4, nil}, at{p.x - 5, p.y - 5}, at{p.x + 5, p.y + 5})
	case string(lane.RoleBuilding):
		n.line(stroke{ink, 1.2, nil}, closed(rectangle(p.x-3.5, p.y-3.5, p.x+3.5, p.y+3.5))...)
	case "idle":
		n.dot(p, 3, faint, draw.RingGlyph{})
	default: // a relay
		n.dot(p, 4.4, ink, draw.CircleGlyph{})
		n.dot(p, 1.7, paper, draw.CircleGlyph{})
	}
}

func (m *mapping) margins(n *pen) {
	for i, l := range m.links {
		a, b := m.courses[i].middle()[0], m.courses[i].middle()[1]
		words := fmt.Sprintf("%.1f dB", l.Margin)
		if l.Setting == nil {
			words += ", " + bearer(l.Hop)
		}
		dx, dy := width(words, normal, bold)/2+2, 6.0
		var places []at
		for _, t := range []float64{0.5, 0.42, 0.58, 0.34, 0.66, 0.27, 0.73, 0.2, 0.8} {
			places = append(places, at{a.x + t*(b.x-a.x), a.y + t*(b.y-a.y)})
		}
		others := m.lines
		m.lines = slices.DeleteFunc(slices.Clone(others), func(x [2]at) bool { return slices.Contains(m.courses[i].stretches(), x) })
		p, cost := m.best(places, dx, dy, nil)
		if cost > 10 { // the link is shorter than its label
			m.taken = m.taken[:len(m.taken)-1]
			p, _ = m.best(around(places[0], dx, dy), dx, dy, &places[0])
			n.line(stroke{faint, 0.5, nil}, places[0], p)
		}
		m.lines = others
		n.fill(paper, rectangle(p.x-dx, p.y-dy, p.x+dx, p.y+dy))
		n.line(stroke{grades[gradeOf(l.Spare())].color, 0.7, nil}, closed(rectangle(p.x-dx, p.y-dy, p.x+dx, p.y+dy))...)
		n.text(p.x, p.y, words, normal, middle, bold, ink)
	}
}

func (m *mapping) name(n *pen, s *lane.Site) {
	size, weight, c := normal, bold, color.Color(ink)
	if m.idle(s) {
		size, weight, c = small, plain, faint
	}
	m.label(n, m.at(s.At), short(s.Name, 150, size), size, weight, c)
}

// label puts words beside p, with a line to it if that is not near.
func (m *mapping) label(n *pen, p at, words string, size float64, weight int, c color.Color) {
	dx, dy := width(words, size, weight)/2+1.5, size*0.62
	q, _ := m.best(around(p, dx, dy), dx, dy, &p)
	nearest := at{min(max(p.x, q.x-dx), q.x+dx), min(max(p.y, q.y-dy), q.y+dy)}
	if math.Hypot(nearest.x-p.x, nearest.y-p.y) > 12 {
		n.line(stroke{faint, 0.4, nil}, p, nearest)
	}
	n.fill(paper, rectangle(q.x-dx, q.y-dy, q.x+dx, q.y+dy))
	n.text(q.x, q.y, words, size, middle, weight, c)
}

// covers names what stands on the ground, if its middle is on the map and there is room.
func (m *mapping) covers(n *pen, x0, y0, x1, y1 float64) {
	for i := range m.p.Lane.Cover {
		c := &m.p.Lane.Cover[i]
		if c.Name == "" || len(c.Area) == 0 {
			continue
		}
		var p at
		for _, q := range c.Area[0] {
			a := m.at(q)
			p.x, p.y = p.x+a.x/float64(len(c.Area[0])), p.y+a.y/float64(len(c.Area[0]))
		}
		if p.x < x0 || p.x > x1 || p.y < y0 || p.y > y1 {
			continue
		}
		words := fmt.Sprintf("%s, %s m", short(c.Name, 110, small), number(c.Height))
		dx, dy := width(words, small, plain)/2+1.5, 4.8
		if m.cost(p, dx, dy) == 0 {
			m.take(p, dx, dy)
			n.fill(paper, rectangle(p.x-dx, p.y-dy, p.x+dx, p.y+dy))
			n.text(p.x, p.y, words, small, middle, plain, ink)
			continue
		}
		if places := around(p, dx, dy); slices.ContainsFunc(places, func(q at) bool { return m.cost(q, dx, dy) == 0 }) {
			m.label(n, p, words, small, plain, ink)
		}
	}
}

// contour is a height with places for its label.
type contour struct {
	words  string
	places []at
}

// contours draws lines of equal height, straight within cells of 6 pt.
func (m *mapping) contours(n *pen, x0, y0, x1, y1 float64) (list []contour) {
	const cell = 6
	cols, rows := int((x1-x0)/cell)+1, int((y1-y0)/cell)+1
	height := make([][]float64, rows+1)
	low, high := math.Inf(1), math.Inf(-1)
	for r := range height {
		for c := range cols + 1 {
			z := m.p.Lane.Terrain.Height(m.back(at{x0 + float64(c)*cell, y0 + float64(r)*cell}))
			height[r] = append(height[r], z)
			low, high = min(low, z), max(high, z)
		}
	}
	if high-low < 2 {
		return nil
	}
	for _, z := range round(low, high, 8) {
		l := contour{words: number(z) + " m"}
		var all [][]at
		for r := range rows {
			for c := range cols {
				x, y := x0+float64(c)*cell, y0+float64(r)*cell
				corners := [4]at{{x, y}, {x + cell, y}, {x + cell, y + cell}, {x, y + cell}}
				heights := [4]float64{height[r][c], height[r][c+1], height[r+1][c+1], height[r+1][c]}
				var cuts []at
				for i := range 4 {
					j := (i + 1) % 4
					if (heights[i] < z) != (heights[j] < z) {
						t := (z - heights[i]) / (heights[j] - heights[i])
						cuts = append(cuts, at{corners[i].x + t*(corners[j].x-corners[i].x), corners[i].y + t*(corners[j].y-corners[i].y)})
					}
				}
				for i := 0; i+1 < len(cuts); i += 2 {
					all = append(all, cuts[i:i+2])
					if (r*cols+c)%5 == 0 {
						l.places = append(l.places, cuts[i])
					}
				}
			}
		}
		n.lines(stroke{rule, 0.6, nil}, all...)
		list = append(list, l)
	}
	return list
}

func north(n *pen, x, y float64) {
	n.fill(paper, rectangle(x-7, y-24, x+7, y+2))
	n.fill(ink, []at{{x, y}, {x - 4, y - 12}, {x, y - 9.5}})
	n.line(stroke{ink, 0.7, nil}, at{x, y}, at{x + 4, y - 12}, at{x, y - 9.5})
	n.text(x, y-18, "N", normal, middle, bold, ink)
}

// bar is the scale.
func (m *mapping) bar(n *pen, x, y float64) {
	most := 110 / m.scale
	last := math.Pow(10, math.Floor(math.Log10(most)))
	for _, k := range []float64{5, 2} {
		if k*last <= most {
			last *= k
			break
		}
	}
	long := last * m.scale
	n.fill(ink, rectangle(x, y, x+long/2, y+3))
	n.line(stroke{ink, 0.7, nil}, closed(rectangle(x, y, x+long, y+3))...)
	n.text(x+long+5, y+1.5, meters(last), small, left, plain, ink)
	n.text(m.wide-edge, y+1.5, "heights above the datum; margins in leaf", small, right, plain, faint)
	if m.aside() {
		n.text(m.wide-edge, y+1.5-noteHigh, sideBySide, small, right, plain, faint)
	}
}

func meters(x float64) string {
	if x >= 1000 {
		return number(x/1000) + " km"
	}
	return number(x) + " m"
}

// keysOf explains what is on the map, and nothing else.
func keysOf(p *plan.Plan) (list []key) {
	m := &mapping{p: p, links: p.Links()}
	for i, g := range grades {
		if slices.ContainsFunc(m.links, func(l *plan.Link) bool { return gradeOf(l.Spare()) == i }) {
			list = append(list, key{g.words, func(n *pen, x, y float64) { n.line(g.stroke, at{x - 12, y}, at{x + 12, y}) }})
		}
	}
	sign := func(what, words string, is func(*lane.Site) bool) {
		for i := range p.Lane.Sites {
			if is(&p.Lane.Sites[i]) {
				list = append(list, key{words, func(n *pen, x, y float64) { symbol(n, at{x, y}, what) }})
				return
			}
		}
	}
	role := func(r lane.Role) func(*lane.Site) bool {
		return func(s *lane.Site) bool { return s.Role == r && !m.idle(s) && !m.cut(s) }
	}
	sign(string(lane.RoleGateway), "gateway", role(lane.RoleGateway))
	sign(string(lane.RoleGate), "gate", role(lane.RoleGate))
	sign("cut", "gate that is not reached", m.cut)
	sign("relay", "relay in use", func(s *lane.Site) bool {
		return (s.Role == lane.RoleRelay || s.Role == lane.RoleCandidate) && !m.idle(s) && !m.cut(s)
	})
	sign("idle", "place of a relay, not used", m.idle)
	sign(string(lane.RoleBuilding), "building to be told", role(lane.RoleBuilding))
	for _, k := range lane.Kinds {
		if slices.ContainsFunc(p.Lane.Cover, func(c lane.Cover) bool { return c.Kind == k }) {
			list = append(list, key{string(k), func(n *pen, x, y float64) { n.cover(k, rectangle(x-12, y-4, x+12, y+4)) }})
		}
	}
	if len(p.Lane.Course) > 1 {
		list = append(list, key{"the lane", func(n *pen, x, y float64) {
			n.line(stroke{faint, 3.4, nil}, at{x - 12, y}, at{x + 12, y})
			n.line(stroke{paper, 2, nil}, at{x - 12, y}, at{x + 12, y})
		}})
	}
	return list
}
