package plan_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"longlane/radio/lane"
	"longlane/radio/plan"
)

// TestBuildings: a building in which people are to hear of a trip is minded if ordinary Wi-Fi does not join it to the gateway, and only then; as
// much as it is short of is what --between says of it.
func TestBuildings(t *testing.T) {
	for _, c := range []struct {
		metres float64
		hears  bool
		want   string // in what is minded; empty: it is not
	}{{40, true, ""}, {200, true, "or put up a bridge"}, {4000, true, "lay a cable"}, {200, false, ""}, {0.5, true, ""}} {
		l := flat(600)
		l.Sites = append(l.Sites, lane.Site{Name: "barn", Role: lane.RoleBuilding, At: lane.Point{East: l.Site("house").At.East, North: c.metres}, AntennaHeight: 4,
			AntennaGain: 2.15, Power: lane.PowerMains, Annunciator: c.hears})
		p := make_(t, l, plan.Options{})
		i := slices.IndexFunc(p.Warnings, func(w string) bool { return strings.HasPrefix(w, "barn: people are to hear") })
		if c.want == "" {
			if i >= 0 {
				t.Errorf("at %v m, hears %v: %q", c.metres, c.hears, p.Warnings[i])
			}
			continue
		}
		if i < 0 || !strings.Contains(p.Warnings[i], c.want) || strings.Contains(p.Warnings[i], "bridge") != strings.Contains(c.want, "bridge") {
			t.Errorf("at %v m: minded are %q, want %q", c.metres, p.Warnings, c.want)
			continue
		}
		pair, err := plan.Between(l, plan.Options{}, "barn", "house")
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range pair.Hops {
			if short := fmt.Sprintf("%.1f", h.Asked-h.Margin); h.Bearer == plan.WiFi && !strings.Contains(p.Warnings[i], short+" dB short") {
				t.Errorf("at %v m: %q, and --between says %s", c.metres, p.Warnings[i], short)
			}
		}
	}
}
