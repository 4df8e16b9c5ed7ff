//go:build !arm

package picture

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"html/template"
	"image/png"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/gateway/config"
	"longlane/radio/beam"
	"longlane/radio/lane"
	"longlane/radio/plan"
)

func make_(t *testing.T, l *lane.Lane, o plan.Options) *plan.Plan {
	t.Helper()
	p, err := plan.Make(l, o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func orchard(t *testing.T) *lane.Lane { return read(t, "hill-orchard") }

// read is a lane of the examples.
func read(t *testing.T, name string) *lane.Lane {
	t.Helper()
	l, err := config.ReadLane("../../../testdata/lane/" + name + ".toml")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// flat is a lane over bare ground: the gateway, with a zone by wire, and gates so far to the east of it.
func flat(east ...float64) *lane.Lane {
	l := &lane.Lane{Name: `the "flat" <lane> & more`, Region: "europe", Terrain: lane.Flat(100),
		Sites: []lane.Site{{Name: "house", Role: lane.RoleGateway, AntennaHeight: 3, AntennaGain: lane.DipoleGain, Power: lane.PowerMains}},
		Zones: []lane.Zone{{Name: "door", Site: "house"}}}
	for i, d := range east {
		name := fmt.Sprintf("gate-%d", i)
		l.Sites = append(l.Sites, lane.Site{Name: name, Role: lane.RoleGate, At: lane.Point{East: d, North: 10 * float64(i)}, AntennaHeight: 2, AntennaGain: lane.DipoleGain, Power: lane.PowerMains})
		l.Zones = append(l.Zones, lane.Zone{Name: name, Site: name})
	}
	return l
}

func written(t *testing.T, p *Picture, f Format) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := p.Write(&b, f); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// label is a text of an SVG with the room that it takes, in the SVG's own places: y counts downwards from one below 0, as the library has it.
type label struct {
	X      float64 `xml:"x,attr"`
	Y      float64 `xml:"y,attr"`
	Length float64 `xml:"textLength,attr"`
	Text   string  `xml:",chardata"`
	Turned bool    `xml:"-"` // to be read from the right: its place is another's
}

// labelsOf reads an SVG as the XML that it must be.
func labelsOf(t *testing.T, svg []byte) (list []label) {
	t.Helper()
	turned := []bool{false} // of each element that is open
	for d := xml.NewDecoder(bytes.NewReader(svg)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return list
		} else if err != nil {
			t.Fatalf("this is no XML: %v", err)
		}
		switch e := token.(type) {
		case xml.EndElement:
			turned = turned[:len(turned)-1]
		case xml.StartElement:
			if e.Name.Local != "text" {
				turns := slices.ContainsFunc(e.Attr, func(a xml.Attr) bool { return a.Name.Local == "transform" && strings.Contains(a.Value, "rotate") })
				turned = append(turned, turned[len(turned)-1] || turns)
				continue
			}
			l := label{Turned: turned[len(turned)-1]}
			if err := d.DecodeElement(&l, &e); err != nil {
				t.Fatal(err)
			}
			list = append(list, l)
		}
	}
}

func count(list []label, words string) (n int) {
	for _, l := range list {
		if l.Text == words {
			n++
		}
	}
	return n
}

func of(t *testing.T, p *plan.Plan) []Picture {
	t.Helper()
	all, err := Of(p)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func find(t *testing.T, all []Picture, name string) *Picture {
	t.Helper()
	for i := range all {
		if all[i].Name == name {
			return &all[i]
		}
	}
	t.Fatalf("there is no picture %q", name)
	return nil
}

// plans are of every kind: all well, beams at several heights, a zone that is not reached, one without any way, none reached, by Wi-Fi, and by wire alone.
func plans(t *testing.T) map[string]*plan.Plan {
	cut := orchard(t)
	for i := range cut.Sites {
		if cut.Sites[i].Name == "river-gate" {
			cut.Sites[i].AntennaHeight = 0.1
		}
	}
	barred := flat(400)
	for i, height := range []float64{0.3, 0.7, 2.1} {
		barred.Zones[1].Beams = append(barred.Zones[1].Beams, lane.Beam{Along: float64(i), Length: 6, Height: height})
	}
	crag, wooded, leaf := read(t, "behind-the-crag"), read(t, "behind-the-crag"), lane.AllMonths
	wooded.Cover = []lane.Cover{{Kind: lane.Wood, Height: 14, Density: lane.Dense, Leaf: &leaf,
		Area: lane.Area{{{East: 1000, North: -600}, {East: 2200, North: -600}, {East: 2200, North: 600}, {East: 1000, North: 600}}}}}
	far := flat(9000)
	far.Sites[1].AntennaGain = -30
	return map[string]*plan.Plan{
		"orchard": make_(t, orchard(t), plan.Options{}),
		"cut":     make_(t, cut, plan.Options{Goal: plan.Goal{Margin: 30}}),
		"barred":  make_(t, barred, plan.Options{}),
		"crag":    make_(t, crag, plan.Options{}),
		"wooded":  make_(t, wooded, plan.Options{}), // a zone without any hop
		"far":     make_(t, far, plan.Options{}),
		"wifi":    make_(t, flat(50), plan.Options{}),
		"wired":   make_(t, flat(), plan.Options{}),
		"many":    make_(t, flat(300, 400, 500, 700, 900, 1000, 1100, 1200, 1300, 1400, 1500, 1600), plan.Options{}),
	}
}

// TestAllAreWhole: each picture of each kind of plan is well-formed, as a PNG too, has a name of its own, a title and words, keeps all
// text on its paper, and is the same each time.
func TestAllAreWhole(t *testing.T) {
	for kind, p := range plans(t) {
		all, again := of(t, p), of(t, p)
		names := map[string]bool{}
		for i := range all {
			q := &all[i]
			if names[q.Name] || q.Title == "" || q.Words == "" {
				t.Errorf("%s: %+v", kind, q)
			}
			names[q.Name] = true
			svg := written(t, q, SVG)
			if !bytes.Equal(svg, written(t, &again[i], SVG)) {
				t.Errorf("%s, %s: not the same twice", kind, q.Name)
			}
			for _, bad := range []string{"NaN", "Inf", "%!"} {
				if bytes.Contains(svg, []byte(bad)) || strings.Contains(q.Words, bad) {
					t.Errorf("%s, %s: it has %q", kind, q.Name, bad)
				}
			}
			for _, l := range labelsOf(t, svg) {
				if l.Turned {
					continue
				}
				if l.Text != "" && l.Length == 0 || l.X < 0 || l.X+l.Length > q.wide+0.5 || -l.Y < 0 || -l.Y > q.high {
					t.Errorf("%s, %s: %q is at %.1f, %.1f and %.1f wide, on paper of %.0f by %.0f", kind, q.Name, l.Text, l.X, -l.Y, l.Length, q.wide, q.high)
				}
			}
			if kind != "orchard" && q.Name != "map" { // the same code draws both, and PNGs take long
				continue
			}
			c, err := png.DecodeConfig(bytes.NewReader(written(t, q, PNG)))
			if want := q.wide * dpi / 72; err != nil || math.Abs(float64(c.Width)-want) > 1 || math.Abs(float64(c.Height)-q.high*dpi/72) > 1 {
				t.Errorf("%s, %s: PNG of %d by %d, %v", kind, q.Name, c.Width, c.Height, err)
			}
		}
		if names["dwell"] != slices.Contains([]string{"orchard", "cut", "crag", "wooded"}, kind) || names["dwell-30cm"] != (kind == "barred") || names["dwell-210cm"] != (kind == "barred") {
			t.Errorf("%s: pictures of beams %v", kind, names)
		}
		if !names["map"] || len(p.Links()) > 0 != names["months"] || names["settings"] != (rowsOf(p) != nil) {
			t.Errorf("%s: pictures %v", kind, names)
		}
	}
}

// TestMap: each site stands on the map once, each link has its margin, no name is upon another, and a bar is as long as it says.
func TestMap(t *testing.T) {
	for kind, p := range plans(t) {
		labels := labelsOf(t, written(t, find(t, of(t, p), "map"), SVG))
		for _, s := range p.Lane.Sites {
			if n := count(labels, s.Name); n != 1 {
				t.Errorf("%s: %s stands there %d times", kind, s.Name, n)
			}
		}
		for _, l := range p.Links() {
			words := fmt.Sprintf("%.1f dB", l.Margin)
			if l.Setting == nil {
				words += ", " + bearer(l.Hop)
			}
			if count(labels, words) == 0 {
				t.Errorf("%s: there is no %q", kind, words)
			}
		}
		for i, a := range labels {
			for _, b := range labels[:i] {
				if math.Abs(a.Y-b.Y) < 6 && a.X < b.X+b.Length-1 && b.X < a.X+a.Length-1 {
					t.Errorf("%s: %q stands on %q", kind, a.Text, b.Text)
				}
			}
		}
		if unmet := kind == "cut" || kind == "crag" || kind == "wooded"; unmet != (count(labels, "gate that is not reached") == 1) && kind != "far" {
			t.Errorf("%s: the legend tells wrong of gates that are not reached", kind)
		}
	}
}

// inLine is a lane whose three gates stand one behind the other, each with a link of its own to the house, so that the links lie upon each other.
func inLine() *lane.Lane {
	l := flat(1500, 900, 400)
	for i := range l.Sites {
		l.Sites[i].At.North = 0
	}
	return l
}

// TestLinksInLine: where links lie upon each other every one can be seen: the shortest goes straight, the others beside it, each from its own site to its own. No two of
// any lane lie upon each other, and the map says so. Links that meet at an end or cross do not.
func TestLinksInLine(t *testing.T) {
	all := plans(t)
	all["in line"] = make_(t, inLine(), plan.Options{})
	for kind, p := range all {
		m := &mapping{p: p, links: p.Links(), chart: chart{scale: 0.2, centre: at{200, 200}}}
		straight := 0
		courses := m.apart()
		for i, c := range courses {
			l := m.links[i]
			if c[0] != m.at(l.From.At) || c[len(c)-1] != m.at(l.To.At) {
				t.Errorf("%s: %s to %s goes %v", kind, l.From.Name, l.To.Name, c)
			}
			if len(c) == 2 {
				straight++
			}
			for _, o := range courses[:i] {
				if c.upon(o) && kind != "many" { // whose twelve gates stand too close together for this
					t.Errorf("%s: %v lies upon %v", kind, c, o)
				}
			}
		}
		if kind == "in line" && (straight != 1 || len(courses) != 3 || len(courses[2]) != 2) {
			t.Errorf("%s: %d of %d links go straight, want the shortest: %v", kind, straight, len(courses), courses)
		}
		if kind == "flat" && straight != len(courses) {
			t.Errorf("%s: %v, want straight links", kind, courses)
		}
		labels := labelsOf(t, written(t, find(t, of(t, p), "map"), SVG))
		if kind == "in line" && count(labels, sideBySide) != 1 || kind == "wifi" && count(labels, sideBySide) != 0 {
			t.Errorf("%s: the map says or does not say, wrongly, that links are drawn side by side", kind)
		}
	}
	right := course{{0, 0}, {100, 0}}
	for _, c := range []struct {
		other course
		want  bool
	}{{course{{0, 0}, {100, 0}}, true}, {course{{100, 0}, {0, 0}}, true}, {course{{20, 1}, {60, 1}}, true}, {course{{100, 0}, {200, 0}}, false}, {course{{0, 0}, {60, 40}}, false},
		{course{{0, 9}, {100, 9}}, false}, {course{{50, -50}, {50, 50}}, false}} {
		if got, back := right.upon(c.other), c.other.upon(right); got != c.want || back != c.want {
			t.Errorf("%v upon %v: %v, %v, want %v", right, c.other, got, back, c.want)
		}
	}
	if a, b := right.aside(9), (course{right[1], right[0]}).aside(9); a.middle()[0] != b.middle()[1] || a.middle()[0].y != 9 {
		t.Errorf("the same link from its two ends goes %v and %v", a, b)
	}
}

// TestGrades: what lacks, and what has how much to spare, differs by dashes or width and not by colour alone.
func TestGrades(t *testing.T) {
	for _, c := range []struct {
		spare float64
		want  int
	}{{40, 0}, {15, 0}, {14.9, 1}, {6, 1}, {5.9, 2}, {0, 2}, {-0.1, 3}, {math.Inf(-1), 3}} {
		if got := gradeOf(c.spare); got != c.want {
			t.Errorf("gradeOf(%v) = %d, want %d", c.spare, got, c.want)
		}
	}
	for i, a := range grades {
		for _, b := range grades[:i] {
			if slices.Equal(a.dashes, b.dashes) {
				t.Errorf("%q and %q have the same dashes", a.words, b.words)
			}
		}
	}
}

// TestProfile: the ray begins and ends at the antennas, the ground is bent by the earth between them, cover stands on it, and the mark of
// the least room spans what the plan says.
func TestProfile(t *testing.T) {
	p := make_(t, orchard(t), plan.Options{})
	for _, l := range p.Links() {
		s, err := sectionOf(p, l)
		if err != nil {
			t.Fatal(err)
		}
		if s.from != (at{0, p.Lane.Antenna(l.From)}) || s.to != (at{l.Length, p.Lane.Antenna(l.To)}) {
			t.Errorf("%s to %s: the ray goes from %v to %v", l.From.Name, l.To.Name, s.from, s.to)
		}
		// 2 k a = 2 * 4/3 * 6371 km: in the middle the earth stands up by d²/4 over that
		q := p.Profile(l.Way)
		middle := len(q.Ground) / 2
		x := s.ground[middle].x
		if bulge := s.ground[middle].y - q.Ground[middle]; math.Abs(bulge-x*(l.Length-x)/(8.0/3*6_371_000)) > 1e-9 || bulge <= 0 {
			t.Errorf("%s to %s: the ground stands up by %v m", l.From.Name, l.To.Name, bulge)
		}
		for i, ring := range s.cover {
			if top := ring[len(ring)-1]; math.Abs(top.y-ring[0].y-q.Cover[i].Height) > 1e-9 || top.x != q.Cover[i].Start {
				t.Errorf("%s to %s: %s begins with %v and %v", l.From.Name, l.To.Name, q.Cover[i].Name, ring[0], top)
			}
		}
		if k := slices.IndexFunc(s.fresnel, func(f at) bool { return math.Abs(f.x-l.Least.At) < 1e-6 }); k < 0 || math.Abs(s.fresnel[k].y-s.ray(l.Least.At)-l.Least.Radius) > 1e-6 {
			t.Errorf("%s to %s: the ellipsoid is not as wide at %v m as the plan has it", l.From.Name, l.To.Name, l.Least.At)
		}
	}
	labels := labelsOf(t, written(t, find(t, of(t, p), "profile-river-gate-oak-relay"), SVG))
	for _, want := range []string{"river-gate to oak-relay: 675 m on the way", "the river wood", "least room at 130 m: the ray is 12.5 m too low, 2.1 Fresnel radii below the top"} {
		if count(labels, want) != 1 {
			t.Errorf("%q stands there %d times", want, count(labels, want))
		}
	}
}

// TestBudget: each bar begins where the one before it ends, the levels that are told are met, and the last bar is the margin, from what
// is needed to what arrives.
func TestBudget(t *testing.T) {
	for kind, p := range plans(t) {
		for _, l := range p.Links() {
			list := steps(l.Hop)
			for i, s := range list {
				if i > 0 && s.kind != level && s.from != list[i-1].to {
					t.Errorf("%s: %s begins at %v, and %s ended at %v", kind, s.words, s.from, list[i-1].words, list[i-1].to)
				}
				if s.words == "at the receiver" && (math.Abs(s.to-l.Level) > 1e-9 || math.Abs(list[i-1].to-l.Level) > 1e-9) {
					t.Errorf("%s: at the receiver %v, the terms add up to %v, the plan says %v", kind, s.to, list[i-1].to, l.Level)
				}
			}
			last := list[len(list)-1]
			if last.kind != rest || math.Abs(last.from-l.Need) > 1e-9 || math.Abs(last.to-l.Level) > 1e-9 || math.Abs(last.to-last.from-l.Margin) > 1e-9 {
				t.Errorf("%s: the margin goes from %v to %v; needed %v, there %v", kind, last.from, last.to, l.Need, l.Level)
			}
			name := "budget-" + l.From.Name + "-" + l.To.Name
			labels := labelsOf(t, written(t, find(t, of(t, p), name), SVG))
			for _, s := range list {
				if count(labels, s.value) == 0 {
					t.Errorf("%s, %s: there is no %q", kind, name, s.value)
				}
			}
		}
	}
}

// TestSettings: each setting has its place, and each that is refused says so.
func TestSettings(t *testing.T) {
	p := make_(t, orchard(t), plan.Options{})
	labels := labelsOf(t, written(t, find(t, of(t, p), "settings"), SVG))
	rows, refused := rowsOf(p), 0
	for _, s := range p.Settings {
		if s.Refused != "" {
			refused++
		}
	}
	if n := count(labels, "refused"); refused == 0 || n != refused*len(rows)+1 { // and in the key
		t.Errorf("refused stands there %d times, %d settings in %d rows are", n, refused, len(rows))
	}
	for sf := 7; sf <= 12; sf++ {
		if n := count(labels, fmt.Sprint(sf)); n < 3*len(rows) {
			t.Errorf("SF%d stands there %d times in %d rows", sf, n, len(rows))
		}
	}
	h := rows[len(rows)-1].hop
	for _, s := range p.Settings {
		if m, ok := s.Over(h.Way); s == h.Setting && (!ok || math.Abs(m-h.Margin) > 1e-9) {
			t.Errorf("by its own setting %s has %v, and the plan says %v", s.Name(), m, h.Margin)
		}
	}
}

// TestMonths: each zone has its row, and a month that misses the goal is no filled bar.
func TestMonths(t *testing.T) {
	p := plans(t)["cut"]
	svg := written(t, find(t, of(t, p), "months"), SVG)
	labels := labelsOf(t, svg)
	for _, z := range p.Zones {
		if count(labels, z.Zone.Name) != 1 {
			t.Errorf("%s stands there %d times", z.Zone.Name, count(labels, z.Zone.Name))
		}
	}
	filled := func(svg []byte) int { return strings.Count(string(svg), `style="fill:`+hex(blue)+`"`) }
	if n := filled(svg); n != 12*len(p.Zones) {
		t.Errorf("%d filled bars, want 12 for each zone", n)
	}
	p.Zones[0].Months[6] = 0.99
	if n := filled(written(t, find(t, of(t, p), "months"), SVG)); n != 12*len(p.Zones)-1 {
		t.Errorf("%d filled bars, and one of %d misses the goal", n, 12*len(p.Zones))
	}
}

// TestDwell: each mover has its row, the minimum dwell its line where it says, a bar lies where its dwell is on the scale, and one who is not seen has none.
func TestDwell(t *testing.T) {
	p := plans(t)["barred"]
	for _, h := range p.Heights() {
		b := h.Beams[0]
		q := find(t, of(t, p), fmt.Sprintf("dwell-%.0fcm", 100*h.Above))
		svg := written(t, q, SVG)
		labels := labelsOf(t, svg)
		unseen, bars := 0, 0
		for _, s := range b.Sights {
			if count(labels, s.Mover.Name) != 1 {
				t.Errorf("%v m: %s stands there %d times", h.Above, s.Mover.Name, count(labels, s.Mover.Name))
			}
			if len(s.Views) == 0 {
				unseen++
			} else if s.Usual.Most > 0 && s.Mover.Class == beam.Walker {
				bars++
			}
			if usual := plan.Dwells(s.Usual); !strings.Contains(q.Words, s.Mover.Name+", seen: ") || !strings.Contains(q.Words, usual) {
				t.Errorf("%v m: the words do not tell of %s, %s", h.Above, s.Mover.Name, usual)
			}
		}
		if n := count(labels, "not seen at this height"); n != unseen {
			t.Errorf("%v m: %d are not seen, and %d are said to be so", h.Above, unseen, n)
		}
		gateway := 1 // strip, and one in the key
		if n := strings.Count(string(svg), `style="fill:`+hex(blue)+`"`); n != bars+gateway+1 {
			t.Errorf("%v m: %d bars of walkers, want %d, one of the gateway's and one of the key", h.Above, n, bars)
		}
		words := "min_dwell " + plan.Milliseconds(b.Minimum.Set) + ": what is shorter is no trip"
		if count(labels, words) != 1 || !strings.Contains(q.Words, b.Minimal()) {
			t.Errorf("%v m: there is no %q", h.Above, words)
		}
	}
	d := decades{0, 300, 0.001, 1}
	for ms, want := range map[int]float64{1: 0, 10: 100, 100: 200, 1000: 300, 5000: 300} {
		if got := d.put(time.Duration(ms) * time.Millisecond); math.Abs(got-want) > 1e-9 {
			t.Errorf("%d ms stand at %v, want %v", ms, got, want)
		}
	}
	if got := d.put(beam.Endless); got != 300 {
		t.Errorf("who stands in the beam ends at %v", got)
	}
}

// TestPage: it needs nothing else, runs nothing, holds every picture with its words, the report and each caution once, is the same each
// time, and leaves no colour that the dark does not change.
func TestPage(t *testing.T) {
	for kind, p := range plans(t) {
		var a, b bytes.Buffer
		if err := errors.Join(WritePage(&a, p), WritePage(&b, p)); err != nil {
			t.Fatal(err)
		}
		text := a.String()
		if text != b.String() {
			t.Errorf("%s: not the same twice", kind)
		}
		if found := regexp.MustCompile(`(?i)https?://|<script|<link|<img|<iframe|@import|url\(|\ssrc=|\shref=|\son[a-z]+=`).FindString(text); found != "" {
			t.Errorf("%s: the page has %q", kind, found)
		}
		if !strings.Contains(text, `default-src 'none'`) || !strings.Contains(text, "prefers-color-scheme: dark") || !strings.Contains(text, "@media print") {
			t.Errorf("%s: a rule of the page is missing", kind)
		}
		for _, q := range of(t, p) {
			if !IsName(q.Name) {
				t.Errorf("%s: %s is no picture's name", kind, q.Name)
			}
			for _, want := range []string{fmt.Sprintf("id=\"%s\"", q.Name), fmt.Sprintf("aria-labelledby=\"%s-words\"", q.Name), fmt.Sprintf("id=\"%s-words\"", q.Name)} {
				if strings.Count(text, want) != 1 {
					t.Errorf("%s: %s stands there %d times", kind, want, strings.Count(text, want))
				}
			}
		}
		if strings.Count(text, "<figure") != len(of(t, p)) || strings.Count(text, "<svg") != strings.Count(text, "</svg>") {
			t.Errorf("%s: %d figures of %d pictures", kind, strings.Count(text, "<figure"), len(of(t, p)))
		}
		for _, want := range []string{"certified intruder", "regulator", "The settings, in the busiest hour", verdict(p)} {
			if n := strings.Count(text, want); n == 0 || want == "certified intruder" && n != 1 {
				t.Errorf("%s: %q stands there %d times", kind, want, n)
			}
		}
		for i := range p.Zones {
			z := &p.Zones[i]
			want := fmt.Sprintf("<li><strong>%s</strong>: %s</li>", z.Zone.Name, z.Missing())
			if strings.Contains(text, want) == z.Served {
				t.Errorf("%s: %s is served %v, and what is missing stands there or not, wrongly: %q", kind, z.Zone.Name, z.Served, want)
			}
		}
		before, _, _ := strings.Cut(text, "<h2>The lane</h2>")
		// On a phone, where no table keeps its heads, each figure of a zone has its column's title before it: those of its hops, and those of its contact.
		tables := strings.Split(text, "<table")[1:]
		if len(tables) != 2 {
			t.Fatalf("%s: %d tables, want the zones' and their contacts'", kind, len(tables))
		}
		for _, table := range tables {
			table, _, _ = strings.Cut(table, "</table>")
			titles := regexp.MustCompile(`<th scope="col">([^<]*)</th>`).FindAllStringSubmatch(table, -1)
			cells := regexp.MustCompile(`<td role="cell" data-head="([^"]*)">`).FindAllStringSubmatch(table, -1)
			if len(titles) < 2 || len(cells) != len(p.Zones)*(len(titles)-1) || len(cells) != strings.Count(table, "<td") {
				t.Fatalf("%s: %d zones, %d columns, %d figures", kind, len(p.Zones), len(titles), len(cells))
			}
			for i, c := range cells {
				if want := titles[1+i%(len(titles)-1)][1]; c[1] != want {
					t.Errorf("%s: figure %d is called %q, its column %q", kind, i, c[1], want)
				}
			}
		}
		for _, line := range slices.Concat(p.Answer(), p.Warnings) {
			if !strings.Contains(before, "<li>"+template.HTMLEscapeString(line)+"</li>") {
				t.Errorf("%s: the page does not say above the map: %s", kind, line)
			}
		}
		if strings.Contains(text, "<h2>Mind</h2>") != (len(p.Warnings) > 0) {
			t.Errorf("%s: of %d things to mind the page has a title, or none, wrongly", kind, len(p.Warnings))
		}
		for _, line := range p.WouldHelp() {
			if !strings.Contains(text, "<li>"+line+"</li>") {
				t.Errorf("%s: the page does not say what would help: %s", kind, line)
			}
		}
		if p.Met == strings.Contains(text, "What is missing") || p.Met != (len(p.WouldHelp()) == 0) {
			t.Errorf("%s: met %v, and what is missing stands there or not, wrongly", kind, p.Met)
		}
		_, body, _ := strings.Cut(text, "</style>")
		if found := regexp.MustCompile(`:#[0-9A-Fa-f]{6}`).FindString(body); found != "" {
			t.Errorf("%s: a picture has the colour %s of its own", kind, found)
		}
		if strings.Contains(text, "<lane>") {
			t.Errorf("%s: a name is not escaped", kind)
		}
	}
}

// TestNames: files have names that any machine takes, and no two the same.
func TestNames(t *testing.T) {
	l := flat(300, 400)
	l.Sites[1].Name, l.Zones[1].Site = "a/b c", "a/b c"
	l.Sites[2].Name, l.Zones[2].Site = "a_b c", "a_b c"
	var names []string
	for _, p := range of(t, make_(t, l, plan.Options{})) {
		names = append(names, p.Name)
	}
	if got := strings.Join(names, " "); got != "map profile-a_b_c-house budget-a_b_c-house profile-a_b_c-house-2 budget-a_b_c-house-2 settings months" {
		t.Errorf("names = %s", got)
	}
}
