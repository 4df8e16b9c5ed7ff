package plan_test

import (
	"bytes"
	"encoding/json"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"longlane/gateway/config"
	"longlane/gateway/passage"
	"longlane/proto"
	"longlane/radio/beam"
	"longlane/radio/lane"
	"longlane/radio/node"
	"longlane/radio/plan"
)

// barred is a flat lane with a beam at each of these heights.
func barred(heights ...float64) *lane.Lane {
	l := flat(300)
	for i, h := range heights {
		l.Zones[0].Beams = append(l.Zones[0].Beams, lane.Beam{Along: float64(i), Length: 6, Height: h})
	}
	return l
}

func report(t testing.TB, p *plan.Plan) string {
	t.Helper()
	var b bytes.Buffer
	if err := p.WriteText(&b); err != nil {
		t.Fatal(err)
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// sightOf is what the first beam sees of a mover.
func sightOf(t testing.TB, p *plan.Plan, name string) beam.Sight {
	t.Helper()
	for _, s := range p.Beams[0].Sights {
		if s.Mover.Name == name {
			return s
		}
	}
	t.Fatalf("no %s", name)
	return beam.Sight{}
}

// TestDwellByHeight: the report has for each height what the beam sees, its dwell (each one division by hand), and the
// minimum that follows.
func TestDwellByHeight(t *testing.T) {
	for _, c := range []struct {
		height     float64
		want, lack []string
	}{
		{0.7, []string{"70 cm above the ground", "leaf 2 to 8 m/s 10 to 75 ms 4 to 150 ms at any height", "person 1.2 to 4 m/s 62 to 458 ms 28 ms on above 4.2 m/s body",
			"motorcycle none none 62 ms on body car 2 to 10 m/s 335 ms to 2.8 s 112 ms on body", `No minimum dwell separates debris (leaf and bird: up to 90 ms as a rule) from what it sees of people and vehicles (from 62 ms: person). Set min_dwell = "60ms": it misses`,
			`"95ms" would keep that out, and miss person above 2.6 m/s`}, []string{"judges by bodies", "debounce"}},
		{0.3, []string{"30 cm above the ground", "person 1.2 to 4 m/s 16 to 625 ms 7 ms on above 4.3 m/s one leg at a time", `min_dwell = "15ms"`, "debounce, 30ms unless it is set, must be shorter",
			"From this height it is otherwise: person, one leg at a time", "At 70 cm a beam sees the bodies of person, motorcycle and car."}, nil},
		{2.1, []string{"person 1.2 to 4 m/s no break no break not at all", "person, not at all; motorcycle, not at all; car, not at all."}, []string{"person 1.2 to 4 m/s 62"}},
		{9, []string{"No person or vehicle that passes as a rule is seen", "leaf 2 to 8 m/s 10 to 75 ms 4 to 150 ms at any height"}, []string{"separates"}},
	} {
		text := report(t, make_(t, barred(c.height), plan.Options{}))
		for _, want := range c.want {
			if !strings.Contains(text, want) {
				t.Errorf("at %v m there is no %q in\n%s", c.height, want, text[strings.Index(text, "The beams"):])
			}
		}
		for _, lack := range c.lack {
			if strings.Contains(text[strings.Index(text, "The beams"):], lack) {
				t.Errorf("at %v m there is %q", c.height, lack)
			}
		}
	}
	if text := report(t, make_(t, flat(300), plan.Options{})); strings.Contains(text, "The beams") {
		t.Error("a lane without beams tells of some")
	}
	if got := make_(t, barred(0.7, 0.7, 0.4), plan.Options{}).Heights(); len(got) != 2 || got[0].String() != "gate, beams 1 and 2" || got[1].String() != "gate, beam 3" {
		t.Errorf("heights: %v", got)
	}
	separated := []beam.Mover{{Name: "leaf", Class: beam.Debris, Length: beam.Range{Least: 0.03, Most: 0.1}, Usual: beam.Range{Least: 2, Most: 8}, Possible: beam.Range{Least: 1, Most: 20}},
		{Name: "cart", Class: beam.Vehicle, Length: beam.Range{Least: 1, Most: 2}, Usual: beam.Range{Least: 1, Most: 5}, Possible: beam.Range{Most: 10}}}
	if text := report(t, make_(t, barred(0.7), plan.Options{Movers: separated})); !strings.Contains(text, `Set min_dwell = "80ms": it separates debris (leaf: up to 75 ms as a rule) from what it sees of people and vehicles (from 210 ms: cart)`) ||
		!strings.Contains(text, "its height is not known") {
		t.Error(text)
	}
}

// TestAgreesWithTheGateway: every dwell is taken in the plan for what the gateway takes it for, with the defaults and with
// the example's [passage], and a beam that sees a body has the dwell that the gateway reckons with.
func TestAgreesWithTheGateway(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 0))
	example, err := config.ReadAlone("../../testdata/config/hill-orchard.toml")
	if err != nil {
		t.Fatal(err)
	}
	own := &example.Passage
	if len(own.Mover) == 0 {
		t.Fatal("the example has no movers of its own")
	}
	usual := config.Default().Passage
	for name, c := range map[string]struct {
		o plan.Options
		s passage.Settings
	}{
		"as the gateway has it by default": {plan.Options{}, usual.Settings()},
		"package passage":                  {plan.Options{}, passage.Defaults()},
		"as the example has it":            {plan.Options{Movers: own.Movers(), BeamWidth: own.BeamWidth}, own.Settings()},
		"a wider beam":                     {plan.Options{BeamWidth: 0.1}, passage.For(0.1, beam.DefaultMovers())},
	} {
		p := make_(t, barred(0.7), c.o)
		next := time.Duration(0)
		for _, l := range p.Limits {
			if l.Least != next {
				t.Errorf("%s: nothing is said of dwells from %v to %v", name, next, l.Least)
			}
			next = l.Most + 1
			until := min(l.Most, l.Least+time.Minute)
			for _, d := range []time.Duration{l.Least, until, l.Least + time.Duration(r.Int64N(int64(until-l.Least)+1))} {
				if j := c.s.OfDwell(d, 0); j.Class != l.Class || j.Confidence != l.Confidence || !slices.Equal(j.Possible, l.Possible) {
					t.Errorf("%s: the gateway takes %v for %v (%v), the plan for %v (%v)", name, d, j, j.Confidence, l.Judgement, l.Confidence)
				}
			}
		}
		for i, s := range p.Beams[0].Sights {
			k := c.s.Kinds[i]
			if s.Mover.Name != k.Name || s.Whole() && (s.Usual != k.Usual || s.Possible != k.Possible) {
				t.Errorf("%s: %s breaks the beam for %v and %v, the gateway has %s for %v and %v", name, s.Mover.Name, s.Usual, s.Possible, k.Name, k.Usual, k.Possible)
			}
		}
		if !sightOf(t, p, "person").Whole() || !sightOf(t, p, "car").Whole() {
			t.Errorf("%s: a beam at 70 cm does not see the bodies of a person and a car", name)
		}
	}
}

// TestUnits: what the plan has of the node is as the node has it.
func TestUnits(t *testing.T) {
	if plan.UsualDebounce != node.DefaultDebounce || beam.Step != proto.MinDwellUnit {
		t.Errorf("debounce %v, the node's %v; a step of %v, the receipt's %v", plan.UsualDebounce, node.DefaultDebounce, beam.Step, proto.MinDwellUnit)
	}
}

// TestBeamsAsJSON: a program reads the same.
func TestBeamsAsJSON(t *testing.T) {
	p := make_(t, barred(0.7), plan.Options{})
	text, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Beams []struct {
			Zone   string
			Number int
			Height float64 `json:"height_m"`
			Min    float64 `json:"min_dwell_s"`
			Movers []struct {
				Name  string
				Usual []float64  `json:"usual_dwell_s"`
				Most  []*float64 `json:"possible_dwell_s"`
				Sees  []struct{ Part string }
			}
		}
		Limits []struct {
			From  float64 `json:"from_s"`
			To    *float64
			Class string
		} `json:"dwell_limits"`
	}
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	b := got.Beams[0]
	if len(got.Beams) != 1 || b.Zone != "gate" || b.Number != 1 || b.Height != 0.7 || b.Min != 0.06 || len(b.Movers) != len(beam.DefaultMovers()) || len(got.Limits) != len(p.Limits) {
		t.Errorf("%s", text)
	}
	for _, m := range b.Movers {
		if m.Name == "person" && (len(m.Usual) != 2 || m.Usual[0] != 0.0625 || m.Most[1] != nil || m.Sees[0].Part != "body") || m.Name == "motorcycle" && m.Usual != nil {
			t.Errorf("%+v", m)
		}
	}
}
