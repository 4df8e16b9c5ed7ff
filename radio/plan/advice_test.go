package plan_test

import (
	"fmt"
	"testing"

	"longlane/radio/lane"
	"longlane/radio/plan"
)

// TestAdviceForPhones: the place for a relay is told in degrees too, where the lane has an origin, and these are the same place; without one
// it is told in metres alone.
func TestAdviceForPhones(t *testing.T) {
	l, origin := flat(9000), lane.LatLon{Lat: 44.5, Lon: -30.5}
	for _, l.Origin = range []*lane.LatLon{nil, &origin} {
		places := 0
		for _, a := range make_(t, l, plan.Options{}).Advice {
			var at lane.Point
			var globe lane.LatLon
			n, _ := fmt.Sscanf(a.Change, "put a relay at %f m E, %f m N, its antenna 5 m up (%f N, %f W)", &at.East, &at.North, &globe.Lat, &globe.Lon)
			if n == 0 {
				continue
			}
			places++
			globe.Lon = -globe.Lon
			switch {
			case l.Origin == nil && n != 2, l.Origin != nil && n != 4:
				t.Errorf("origin %v: %q", l.Origin, a.Change)
			case n == 4 && !(lane.NewPlane(origin).Local(globe).Distance(at) < 0.3): // shown to a millionth of a degree and to 10 cm
				t.Errorf("%q: %v in degrees is %v", a.Change, at, lane.NewPlane(origin).Local(globe))
			}
		}
		if places == 0 {
			t.Errorf("origin %v: no relay is advised", l.Origin)
		}
	}
}
