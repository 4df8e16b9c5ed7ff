package plan_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"testing"

	"longlane/gateway/config"
	"longlane/radio/lane"
	"longlane/radio/plan"
)

// crag is the lane of a zone that nothing reaches.
func crag(t testing.TB) *lane.Lane {
	t.Helper()
	l, err := config.ReadLane("../../testdata/lane/behind-the-crag.toml")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// TestNoWay: of a zone behind a hill that is too high for its antenna and for each candidate, report and JSON tell which it
// is, by which hop, how much that lacks, what is in the way, and what would help; and with that the goal is met. The other
// zone is served all the same.
func TestNoWay(t *testing.T) {
	p := make_(t, crag(t), plan.Options{})
	good, bad := p.Zones[0], p.Zones[1]
	if advice := p.Beams[0].HeightAdvice(); advice != "" { // the file says 70 cm, at which a beam sees bodies
		t.Errorf("of a beam at %v m: %s", p.Beams[0].Beam.Height, advice)
	}
	if p.Met || !good.Served || bad.Served || len(bad.Hops) == 0 {
		t.Fatalf("met %v, orchard gate served %v, quarry gate %v over %d hops", p.Met, good.Served, bad.Served, len(bad.Hops))
	}
	h := bad.Weakest()
	if lacks := p.Asked(&bad) - h.Margin; math.Abs(lacks-bad.Lacks) > 1e-9 || bad.Lacks < 10 {
		t.Errorf("it lacks %.2f dB, and %.2f are between what is asked and what is there", bad.Lacks, lacks)
	}
	text := report(t, p)
	lack := fmt.Sprintf("quarry-gate: NOT REACHED: the best way lacks %.1f dB, on the hop %s to %s", bad.Lacks, h.From.Name, h.To.Name)
	for _, want := range []string{"No arrangement meets that.", lack, "below what is needed", "in the way: the ground stands", "m above the line", "What would help, each tried by itself put a relay at", "meets the goal",
		"orchard-gate: more than 99.99 % within the time"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report has no %q:\n%s", want, text)
		}
	}
	raw, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Met   bool
		Cost  *float64
		Zones []struct {
			Zone   string
			Served bool
			Lacks  *float64                   `json:"lacks_db"`
			On     *struct{ From, To string } `json:"lacks_on"`
		}
		Advice []struct {
			Change string
			Meets  bool `json:"meets_goal"`
		}
	}
	if err := json.Unmarshal(raw, &got); err != nil {
		t.Fatal(err)
	}
	z := got.Zones[1]
	if got.Met || got.Cost != nil || z.Zone != "quarry-gate" || z.Served || z.Lacks == nil || math.Abs(*z.Lacks-bad.Lacks) > 1e-9 || z.On == nil || z.On.From != h.From.Name || z.On.To != h.To.Name ||
		got.Zones[0].Lacks != nil || got.Zones[0].On != nil || len(got.Advice) == 0 || !got.Advice[0].Meets {
		t.Errorf("%s", raw)
	}
	var at lane.Point
	var height float64
	if _, err := fmt.Sscanf(p.Advice[0].Change, "put a relay at %f m E, %f m N, its antenna %f m up", &at.East, &at.North, &height); err != nil {
		t.Fatalf("%q: %v", p.Advice[0].Change, err)
	}
	l := crag(t)
	l.Sites = append(l.Sites, lane.Site{Name: "new", Role: lane.RoleCandidate, At: at, AntennaHeight: height, AntennaGain: lane.DipoleGain, Power: lane.PowerSolar})
	if again := make_(t, l, plan.Options{}); !again.Met || again.Relays[0].Name != "new" {
		t.Errorf("%q was followed: met %v, relays %v", p.Advice[0].Change, again.Met, again.Relays)
	}
}

// TestAdviceWithoutCourse: where nobody has drawn the lane's course, new relays are tried between the zone that is not
// reached and the house, not between any other and the house.
func TestAdviceWithoutCourse(t *testing.T) {
	l := crag(t)
	l.Course = nil
	p := make_(t, l, plan.Options{})
	if len(p.Advice) == 0 || !strings.HasPrefix(p.Advice[0].Change, "put a relay at") || !strings.Contains(p.Advice[0].Change, "0.0 m N") {
		t.Errorf("advice %+v, want a relay on the crag, on the line to the north of which the orchard gate stands", p.Advice)
	}
}

// TestNoWayThatIsJudged: deep in a wood no formula holds, so there is no hop to tell of; the plan says so, and what it has
// tried.
func TestNoWayThatIsJudged(t *testing.T) {
	l := crag(t)
	leaf := lane.AllMonths
	l.Cover = []lane.Cover{{Name: "the great wood", Kind: lane.Wood, Height: 14, Density: lane.Dense, Leaf: &leaf,
		Area: lane.Area{{{East: 1000, North: -600}, {East: 2200, North: -600}, {East: 2200, North: 600}, {East: 1000, North: 600}}}}}
	p := make_(t, l, plan.Options{})
	if z := p.Zones[1]; p.Met || z.Served || len(z.Hops) != 0 || !math.IsInf(z.Lacks, 1) {
		t.Fatalf("%+v", p.Zones[1])
	}
	text := report(t, p)
	for _, want := range []string{"quarry-gate: NOT REACHED: no way at all", "nothing that was tried: antennas up to 12 m", "Not judged, since a formula does not hold there", "quarry-gate to house"} {
		if !strings.Contains(text, want) {
			t.Errorf("the report has no %q:\n%s", want, text)
		}
	}
	raw, err := json.Marshal(p)
	if err != nil || !strings.Contains(string(raw), `"lacks_db":null`) || strings.Contains(string(raw), "lacks_on") {
		t.Errorf("%v in %s", err, raw)
	}
	for _, bad := range []string{"Inf", "NaN"} {
		if strings.Contains(text, bad) {
			t.Errorf("the report has %q", bad)
		}
	}
}
