package plan_test

import (
	"slices"
	"testing"

	"longlane/radio/lane"
	"longlane/radio/plan"
)

// TestAnswer: the report begins with what to build and to buy: the height of each antenna in use, once, the gates first, and what each of
// several pieces costs.
func TestAnswer(t *testing.T) {
	one, two := flat(1300), flat(1300)
	two.Sites[1].AntennaHeight = 2.25
	gate := two.Sites[1]
	gate.Name, gate.At = "ford", lane.Point{East: -1200}
	idle := lane.Site{Name: "idle", Role: lane.RoleCandidate, At: lane.Point{North: 300}, AntennaHeight: 4, AntennaGain: lane.DipoleGain, Power: lane.PowerSolar}
	two.Sites = append(two.Sites, gate, idle)
	two.Zones = append(two.Zones, lane.Zone{Name: "ford", Site: "ford"})
	for _, c := range []struct {
		lane *lane.Lane
		want []string
	}{
		{one, []string{"Antennas above the ground: gate 2 m, house 3 m", "To buy: a modem for the gateway at 40, a gate node with LoRa at 80"}},
		{two, []string{"Antennas above the ground: gate 2.25 m, ford 2.25 m, house 3 m", "To buy: a modem for the gateway at 40, 2 gate nodes with LoRa at 80 each"}},
	} {
		p := make_(t, c.lane, plan.Options{})
		for _, want := range c.want {
			if !slices.Contains(p.Answer(), want) {
				t.Errorf("%q, want %q", p.Answer(), want)
			}
		}
	}
}
