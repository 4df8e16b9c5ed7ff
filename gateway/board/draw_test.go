package board

import (
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestNothingIsCovered: in whatever lane, no label lies on another, on a marker, or out of the picture.
func TestNothingIsCovered(t *testing.T) {
	now := time.Date(2026, 3, 1, 7, 30, 0, 0, time.UTC)
	sites := map[string]*site{"orchard": orchard(now), "trouble": orchard(now).trouble()}
	for seed := range uint64(40) {
		sites[fmt.Sprintf("village of 12, seed %d", seed)] = village(now, 12, seed)
		sites[fmt.Sprintf("village of 50, seed %d", seed)] = village(now, 50, seed)
	}
	for name, s := range sites {
		for _, scale := range []bool{true, false} {
			if !scale {
				s.now.Plan = nil
			}
			for _, width := range []float64{344, 620} {
				l := layOut(&s.now)
				d := &drawing{l: &l, width: width, font: 12, dense: len(l.Stops) > roomFor}
				d.fit()
				d.lines, d.course = d.hops(), d.segments()
				d.markers()
				markers := len(d.taken)
				d.place()
				all := box{0, 0, d.width, d.height}
				for i, b := range d.labels {
					if !b.in(all) {
						t.Errorf("%s, %v wide, to scale %v: %q lies outside", name, width, scale, b.text)
					}
					for _, c := range d.labels[:i] {
						if b.hits(c.box) {
							t.Errorf("%s, %v wide, to scale %v: %q lies on %q", name, width, scale, b.text, c.text)
						}
					}
					if slices.ContainsFunc(d.taken[:markers], b.hits) {
						t.Errorf("%s, %v wide, to scale %v: %q lies on a marker", name, width, scale, b.text)
					}
				}
				if name == "orchard" && scale {
					for _, want := range []string{"House", "Shop", "Barn door", "Mill relay", "Cattle grid", "Ridge relay", "Ridge gate", "River gate"} {
						if !slices.ContainsFunc(d.labels, func(b label) bool { return b.text == want }) {
							t.Errorf("%v wide: %s has no name", width, want)
						}
					}
				}
				for _, b := range d.labels {
					if own, ok := strings.CutPrefix(b.class, "figure "); ok {
						x, y := (b.x0+b.x1)/2, (b.y0+b.y1)/2
						if h := d.nearest(x, y); !strings.HasPrefix(marginText(h.Hop), b.text) || marginClass(h.Hop) != own {
							t.Errorf("%s, %v wide, to scale %v: %q stands nearest to the hop of %q", name, width, scale, b.text, marginText(h.Hop))
						}
					}
				}
				for _, st := range l.Stops {
					if x, y := d.point(st.At); !(box{x, y, x, y}).in(all) {
						t.Errorf("%s, %v wide: %s stands outside", name, width, st.Name)
					}
				}
			}
		}
	}
}

// TestPicturesAreXML: whatever is drawn is whole, with a title and a description.
func TestPicturesAreXML(t *testing.T) {
	now := time.Date(2026, 3, 1, 7, 30, 0, 0, time.UTC)
	s := orchard(now).trouble()
	l := layOut(&s.now)
	w, _ := s.Watched(t.Context(), "cattle-grid", now.Add(-day), now)
	list := curvesOf(s.hours("river-gate", now.Add(-365*day), now), Figure(3.5), now.Add(-365*day), now, day, "Jan 2006")
	if len(list) != 2 {
		t.Fatalf("%d curves, want battery and margin", len(list))
	}
	for name, svg := range map[string]string{"lane": string(draw(&l, 620, 12, "m")), "bar": string(watchedBar(&w, "a < b")), "gauge": string(gauge(s.now.Nodes[1].Hops[0])),
		"share": string(share(2, 1, "x")), "battery": string(list[0].SVG(760, 12, "b")), "margin": string(list[1].SVG(340, 12, "c"))} {
		d := xml.NewDecoder(strings.NewReader(svg))
		named := false
		for {
			tok, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v\n%s", name, err, svg)
			}
			if e, ok := tok.(xml.StartElement); ok {
				named = named || e.Name.Local == "title" || slices.ContainsFunc(e.Attr, func(a xml.Attr) bool { return a.Name.Local == "aria-label" })
				for _, a := range e.Attr {
					if a.Name.Local == "style" || strings.HasPrefix(a.Name.Local, "on") {
						t.Errorf("%s: the policy forbids the attribute %s", name, a.Name.Local)
					}
				}
			}
		}
		if !named {
			t.Errorf("%s has no name", name)
		}
		if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
			t.Errorf("%s: %s", name, svg)
		}
	}
}

// TestHopsSayMoreThanColour: each class of margin is told by a pattern of its own, each figure stands as text.
func TestHopsSayMoreThanColour(t *testing.T) {
	css, err := assets.ReadFile("assets/board.css")
	if err != nil {
		t.Fatal(err)
	}
	for _, rule := range []string{".hop.thin { stroke: var(--watch); stroke-dasharray:", ".hop.poor { stroke: var(--trouble); stroke-dasharray:", ".hop.none { stroke: var(--faint); stroke-dasharray:"} {
		if !strings.Contains(string(css), rule) {
			t.Errorf("the style sheet lacks %q", rule)
		}
	}
	for _, c := range []struct {
		margin      *float64
		class, text string
	}{{Figure(12.4), "good", "12 dB"}, {Figure(9.9), "thin", "10 dB"}, {Figure(3), "thin", "3 dB"}, {Figure(2.9), "poor", "3 dB"}, {Figure(-0.4), "poor", "0 dB"}, {Figure(-7), "poor", "−7 dB"}, {nil, "none", ""}, {Figure(math.NaN()), "none", ""}} {
		h := Hop{Margin: c.margin}
		if marginClass(&h) != c.class || marginText(&h) != c.text {
			t.Errorf("%v is %s %q, want %s %q", c.margin, marginClass(&h), marginText(&h), c.class, c.text)
		}
	}
	h := hop("a", "b", 2, -3, 4)
	if got := marginText(&h); got != "2 dB (−3 to 4)" {
		t.Errorf("the range is %q", got)
	}
}

// TestDistances: along the lane, round its bends and into its branches, as reckoned by hand.
func TestDistances(t *testing.T) {
	s := Situation{Gateway: "house", Plan: &Plan{
		Places: []Place{{"house", XY{0, 0}}, {"bend", XY{300, 5}}, {"top", XY{300, 400}}, {"branch", XY{150, -100}}, {"hill", XY{-300, -400}}},
		Course: [][]XY{{{0, 0}, {300, 0}, {300, 400}}, {{150, -10}, {150, -200}}}},
		Nodes: []Node{{Name: "hill"}, {Name: "top"}, {Name: "branch"}, {Name: "b", Place: "bend"}}}
	l := layOut(&s)
	for i, want := range []struct {
		name   string
		at     float64
		onLane bool
	}{{"house", 0, false}, {"branch", 250, true}, {"b", 305, true}, {"hill", 500, false}, {"top", 700, true}} {
		if st := l.Stops[i]; st.Name != want.name || math.Abs(st.Distance-want.at) > 6 || st.OnLane != want.onLane || st.Number != i {
			t.Errorf("stop %d is %s, %.0f m, on the lane %v, number %d; want %+v", i, st.Name, st.Distance, st.OnLane, st.Number, want)
		}
	}
}

// TestScale: a kilometre of the lane is as long as ten bars of 100 m.
func TestScale(t *testing.T) {
	s := orchard(time.Now())
	l := layOut(&s.now)
	for _, width := range []float64{344, 620} {
		d := &drawing{l: &l, width: width, font: 12}
		d.fit()
		x0, y0 := d.point(XY{0, 0})
		x1, y1 := d.point(XY{600, 800})
		bar, metres := d.scaleBar()
		if got := math.Hypot(x1-x0, y1-y0) / bar * metres; math.Abs(got-1000) > 1e-6 {
			t.Errorf("%v wide: a kilometre measures %v m by the bar", width, got)
		}
		if y1 >= y0 || x1 <= x0 {
			t.Errorf("%v wide: north is not up", width)
		}
	}
}

// TestSchematic: without a plan, and with one that lacks a place, the lane is laid out by hops and says so; rings and ways that lead
// nowhere come last.
func TestSchematic(t *testing.T) {
	s := orchard(time.Now())
	s.now.Plan.Places = s.now.Plan.Places[:7] // the river gate is not in it
	s.now.Nodes = append(s.now.Nodes, Node{Name: "ring-a", Hops: []Hop{{From: "ring-a", To: "ring-b"}}}, Node{Name: "ring-b", Hops: []Hop{{From: "ring-b", To: "ring-a"}}}, Node{Name: "lost", Hops: []Hop{{From: "lost", To: "moon"}}}, Node{Name: "mute"})
	l := layOut(&s.now)
	if l.ToScale || l.Course != nil {
		t.Error("it claims to be to scale")
	}
	hops := map[string]int{}
	for i, st := range l.Stops {
		hops[st.Name] = st.Hops
		if i >= len(l.Stops)-4 != (st.Hops < 0) {
			t.Errorf("stop %d is %s with %d hops", i, st.Name, st.Hops)
		}
	}
	for name, want := range map[string]int{"house": 0, "mill-relay": 1, "ridge-relay": 2, "river-gate": 3, "ring-a": -1, "lost": -1, "mute": -1} {
		if hops[name] != want {
			t.Errorf("%s is %d hops away, want %d", name, hops[name], want)
		}
	}
	if svg := string(draw(&l, 620, 12, "m")); !strings.Contains(svg, "not to scale") || strings.Contains(svg, ` class="north"`) {
		t.Error("the picture does not say that it is not to scale")
	}
}

// TestCurvesHaveHoles: a line over time of which nothing is known would tell of what was not there.
func TestCurvesHaveHoles(t *testing.T) {
	to := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	var hours []Hour
	for i := range 24 {
		if i < 6 || i > 9 {
			hours = append(hours, Hour{At: to.Add(time.Duration(i-24) * time.Hour), Battery: Figure(4 - float64(i)/100)})
		}
	}
	c := curvesOf(hours, nil, to.Add(-day), to, time.Hour, "15:04")
	if len(c) != 1 || len(c[0].runs()) != 2 {
		t.Fatalf("%d curves, of %d runs, want 1 of 2", len(c), len(c[0].runs()))
	}
	if got := c[0].Words(); !strings.HasPrefix(got, "Lowest 3.77 V on ") || !strings.HasSuffix(got, ", last 3.77 V.") {
		t.Errorf("the words are %q", got)
	}
	if c := curvesOf(nil, nil, to.Add(-day), to, time.Hour, ""); len(c) != 0 {
		t.Errorf("of nothing there are %d curves", len(c))
	}
	one := curvesOf(hours[:1], nil, to.Add(-day), to, time.Hour, "15:04")
	if svg := string(one[0].SVG(340, 12, "x")); !strings.Contains(svg, "<circle") || strings.Contains(svg, "NaN") {
		t.Errorf("a single hour is drawn as %s", svg)
	}
}
