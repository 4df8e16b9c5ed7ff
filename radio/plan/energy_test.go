package plan

import (
	"math"
	"testing"
	"time"

	"longlane/radio/lane"
)

// TestCopperIsCopper: each resistance of the table is that of annealed copper, 17.241 ohm mm²/km (IEC 60028), and up to 8 % more for the lay of
// the strands and the tolerance of the diameter.
func TestCopperIsCopper(t *testing.T) {
	for section, ohm := range Copper {
		if x := section * ohm / 17.241; x < 1 || x > 1.08 {
			t.Errorf("%v mm²: %v ohm/km, %.3f times that of copper", section, ohm, x)
		}
	}
	if len(Copper) != 8 {
		t.Errorf("%d cross-sections", len(Copper))
	}
}

// TestEnergy: what a unit needs is what its parts do, on the mains there is no battery, and a radio that sends all the time needs its transmitter's
// power.
func TestEnergy(t *testing.T) {
	o := (Options{SunHours: 2}).complete(nil)
	c := o.Consumption
	site := func(p lane.Power) *lane.Site { return &lane.Site{Power: p} }
	for _, x := range []struct {
		what string
		e    Energy
		want float64
	}{
		{"a gate with two beams", energy(site(lane.PowerSolar), 2, false, false, 0, o), c.Board + 2*c.Beam},
		{"one that sends all the time", energy(site(lane.PowerSolar), 0, false, false, time.Hour, o), c.Board + c.Transmit},
		{"a relay", energy(site(lane.PowerSolar), 0, true, false, 0, o), c.Board + c.Receive},
		{"a gate on Wi-Fi", energy(site(lane.PowerSolar), 0, false, true, 0, o), c.Board + c.WiFi},
	} {
		if math.Abs(x.e.Watts-x.want) > 1e-9 || math.Abs(x.e.Battery.Hours()-240*0.8/x.want) > 1e-3 || math.Abs(x.e.Panel-24*x.want/(2*0.65)) > 1e-6 {
			t.Errorf("%s: %.3f W, %v on a battery, a panel of %.1f W; want %.3f W", x.what, x.e.Watts, x.e.Battery, x.e.Panel, x.want)
		}
	}
	if e := energy(site(lane.PowerMains), 1, false, false, 0, o); e.Battery != 0 || e.Panel != 0 {
		t.Errorf("on the mains: %+v", e)
	}
	if e := energy(site(lane.PowerBattery), 1, false, false, 0, o); e.Battery == 0 || e.Panel != 0 {
		t.Errorf("on a battery: %+v", e)
	}
	if got := Backup(15, 8*time.Hour); math.Abs(got-15*8/0.85/0.8) > 1e-9 {
		t.Errorf("15 W through 8 h: %.1f Wh", got)
	}
}
