package plan_test

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"

	"longlane/radio/lane"
	"longlane/radio/plan"
)

// TestLinks: each hop of the plan is there once, with all zones that come home by it and the margin that the longest of their paths asks;
// of a zone that is not served the weakest link lacks what the zone does.
func TestLinks(t *testing.T) {
	p := make_(t, orchard(t), plan.Options{})
	links := p.Links()
	for i := range p.Zones {
		z := &p.Zones[i]
		for _, h := range z.Hops {
			found := 0
			for _, l := range links {
				if l.Way == h.Way {
					found++
					if !slices.Contains(l.Zones, z.Zone.Name) || l.Asked < h.Setting.Margin[len(z.Hops)-1] || l.Hops < len(z.Hops) || l.Spare() < 0 {
						t.Errorf("%s, %s to %s: %+v", z.Zone.Name, h.From.Name, h.To.Name, l)
					}
				}
			}
			if found != 1 {
				t.Errorf("%s to %s is there %d times", h.From.Name, h.To.Name, found)
			}
		}
	}
	if len(links) != 4 {
		t.Errorf("%d links, want 4: two zones share one", len(links))
	}
	there := orchard(t)
	there.Zones = append(there.Zones, lane.Zone{Name: "oak", Site: "oak-relay"})
	if list := make_(t, there, plan.Options{}).Links(); len(list) != 4 || !slices.ContainsFunc(list, func(l *plan.Link) bool { return slices.Contains(l.Zones, "oak") && len(l.Zones) == 3 }) {
		t.Errorf("%d links, want 4: the zone at the relay comes home by the relay's own", len(list))
	}
	cut := orchard(t)
	cut.Site("river-gate").AntennaHeight = 0.1
	p = make_(t, cut, plan.Options{Goal: plan.Goal{Margin: 30}})
	for i := range p.Zones {
		z := &p.Zones[i]
		if z.Served {
			continue
		}
		weakest := z.Weakest()
		for _, l := range p.Links() {
			if l.Way == weakest.Way && math.Abs(l.Spare()+z.Lacks) > 1e-9 {
				t.Errorf("%s lacks %v, its weakest link has %v to spare", z.Zone.Name, z.Lacks, l.Spare())
			}
		}
	}
	if p.Met {
		t.Error("the goal is met: nothing was tested")
	}
}

// TestOver: a faster setting leaves less of the same way by what it needs more, and one that the law refuses leaves nothing to tell.
func TestOver(t *testing.T) {
	p := make_(t, orchard(t), plan.Options{})
	h := p.Zones[0].Hops[0]
	for _, s := range p.Settings {
		m, ok := s.Over(h.Way)
		if lawful := !strings.HasPrefix(s.Refused, "not lawful"); ok != lawful {
			t.Errorf("%s: %v, refused %q", s.Name(), ok, s.Refused)
		}
		if ok && math.Abs(m-(h.Margin+h.Need-s.Need)) > 1e-9 {
			t.Errorf("%s: %v dB, want %v", s.Name(), m, h.Margin+h.Need-s.Need)
		}
	}
}

// TestBody: the report without its cautions is the report without its cautions.
func TestBody(t *testing.T) {
	p := make_(t, orchard(t), plan.Options{})
	var whole, body bytes.Buffer
	if p.WriteText(&whole) != nil || p.WriteBody(&body) != nil {
		t.Fatal("it was not written")
	}
	rest, ok := strings.CutPrefix(whole.String(), body.String())
	if !ok || strings.Contains(body.String(), "certified") || !strings.Contains(rest, "certified intruder") || !strings.Contains(rest, "regulator") {
		t.Errorf("below the body stands %q", rest)
	}
}
