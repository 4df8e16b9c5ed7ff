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
		role   lane.Role
		said   bool   // by the key annunciator
		want   string // in what is minded; empty: it is not
	}{{40, lane.RoleBuilding, false, ""}, {200, lane.RoleBuilding, false, "or put up a bridge"}, {4000, lane.RoleBuilding, true, "lay a cable"}, {0.5, lane.RoleBuilding, true, ""},
		{200, lane.RoleRelay, true, "or put up a bridge"}, {200, lane.RoleRelay, false, ""}} {
		l := flat(600)
		l.Sites = append(l.Sites, lane.Site{Name: "barn", Role: c.role, At: lane.Point{East: l.Site("house").At.East, North: c.metres}, AntennaHeight: 4,
			AntennaGain: 2.15, Power: lane.PowerMains, Annunciator: c.said})
		p := make_(t, l, plan.Options{})
		i := slices.IndexFunc(p.Warnings, func(w string) bool { return strings.HasPrefix(w, "barn: people are to hear") })
		if c.want == "" {
			if i >= 0 {
				t.Errorf("%s at %v m, said %v: %q", c.role, c.metres, c.said, p.Warnings[i])
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
