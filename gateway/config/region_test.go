package config

import (
	"strings"
	"testing"

	"longlane/radio/lane"
	"longlane/radio/lane/drawing"
	"longlane/radio/lora"
)

// TestWhereabouts: each region of the table knows roughly where it lies, and what lies elsewhere is told, with the likely slip.
func TestWhereabouts(t *testing.T) {
	for _, region := range lora.Regions() {
		if len(regionBoxes[region]) == 0 {
			t.Errorf("nobody knows where the region %q lies", region)
		}
		for _, b := range regionBoxes[region] {
			if b.south >= b.north || b.west >= b.east || b.south < -90 || b.north > 90 || b.west < -180 || b.east > 180 {
				t.Errorf("%s: the box %+v is none", region, b)
			}
		}
	}
	const swap = "swapped"
	for _, c := range []struct {
		region   string
		lat, lon float64
		want     string
	}{
		{"europe", 44.5, -30.5, ""}, // the hill orchard
		{"europe", 52.3, -3.4, ""},
		{"europe", 28.3, -16.5, ""}, // Tenerife
		{"europe", 64.1, -21.9, ""}, // Iceland
		{"europe", 34.7, 33, ""},    // Cyprus
		{"europe", 3.4, -52.3, swap},
		{"europe", -3.4, 52.3, swap}, // both signs and numbers exchanged
		{"europe", 30.5, 44.5, swap},
		{"europe", -33.9, 18.4, ""}, // its rules hold in other places too
		{"europe", 40, -100, ""},
		{"united-states", 40, -100, ""},
		{"united-states", 64.8, -147.7, ""}, // Alaska
		{"united-states", 19.7, -155.1, ""}, // Hawaii
		{"united-states", 13.4, 144.8, ""},  // Guam
		{"united-states", 80, -35, swap},
		{"australia", -33.9, 151.2, ""},
		{"australia", 151.2, -33.9, swap},
		{"new-zealand", -41.3, 174.8, ""},
		{"new-zealand", -44, -176.5, ""}, // Chatham Islands
		{"india", 28.6, 77.2, ""},
		{"india", 77.2, 28.6, swap},
		{"japan", 35.7, 139.7, ""},
		{"atlantis", 0, 0, ""}, // refused elsewhere
	} {
		found, expected, hint := whereabouts(c.region, lane.LatLon{Lat: c.lat, Lon: c.lon})
		got := ""
		if found != "" {
			if hint == drawing.Swapped {
				got = swap
			}
			if !strings.Contains(found, c.region) || !strings.Contains(expected, " to ") {
				t.Errorf("%s %v %v: found %s, expected %s", c.region, c.lat, c.lon, found, expected)
			}
		}
		if got != c.want {
			t.Errorf("%s %v %v: %q (%s), want %q", c.region, c.lat, c.lon, got, hint, c.want)
		}
	}
}
