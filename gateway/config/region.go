package config

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"longlane/radio/lane"
	"longlane/radio/lane/drawing"
)

// box is a part of the globe between two parallels and two meridians, degrees; none goes over the 180th meridian.
type box struct{ south, north, west, east float64 }

// regionBoxes are roughly where each region of radio/lora lies: boxes around the land and its islands with a degree or so to spare,
// drawn from a general knowledge of the map, no source. They find exchanged numbers, not a wrong country, so
// they are wide; but a box that both a place and the same place exchanged fit into finds nothing, hence several of them.
var regionBoxes = map[string][]box{
	"europe": { // the states of the CEPT in Europe, from the Azores to the Urals and Cyprus
		{34, 82, -32, 67},
		{27, 34, -19, -13}, // Canary Islands, Madeira
	},
	"united-states": {
		{24, 72, -180, -66},
		{17, 24, -161, -64},    // Hawaii, Puerto Rico, Virgin Islands
		{50, 54, 172, 180},     // the last of the Aleutians
		{13, 21, 144, 147},     // Guam, Northern Marianas
		{-15, -10, -172, -168}, // American Samoa
	},
	"australia": {{-55, -9, 96, 169}}, // with Cocos, Norfolk and Macquarie Islands
	"new-zealand": {
		{-53, -29, 165, 180},
		{-53, -29, -180, -175}, // Chatham and Kermadec Islands
	},
	"india": {{6, 38, 68, 98}},
	"japan": {{20, 46, 122, 154}},
}

func inRegion(region string, at lane.LatLon) bool {
	for _, b := range regionBoxes[region] {
		if at.Lat >= b.south && at.Lat <= b.north && at.Lon >= b.west && at.Lon <= b.east {
			return true
		}
	}
	return false
}

func regionWords(region string) string {
	side := func(v float64, plus, minus string) string {
		if v < 0 {
			return fmt.Sprintf("%v %s", -v, minus)
		}
		return fmt.Sprintf("%v %s", v, plus)
	}
	var words []string
	for _, b := range regionBoxes[region] {
		words = append(words, fmt.Sprintf("%s to %s and %s to %s", side(b.south, "N", "S"), side(b.north, "N", "S"), side(b.west, "E", "W"), side(b.east, "E", "W")))
	}
	return strings.Join(words, ", or ")
}

// swapped are the places that may have been meant by one whose numbers were exchanged: with their signs, as in a drawing, or under
// letters that stayed where they were.
func swapped(at lane.LatLon) []lane.LatLon {
	var list []lane.LatLon
	for _, p := range []lane.LatLon{{Lat: at.Lon, Lon: at.Lat}, {Lat: math.Copysign(at.Lon, at.Lat), Lon: math.Copysign(at.Lat, at.Lon)}} {
		if p.Valid() {
			list = append(list, p)
		}
	}
	return list
}

// hintFor is the hint for a place that does not fit: that its numbers are exchanged, if another way round it fits; or nothing.
func hintFor(at lane.LatLon, fits func(lane.LatLon) bool) string {
	for _, p := range swapped(at) {
		if fits(p) {
			return drawing.Swapped
		}
	}
	return ""
}

// inDrawing makes a hint one for a file that numbers of this kind stand in.
func inDrawing(file, hint string) string {
	if hint == drawing.Swapped && !strings.EqualFold(filepath.Ext(file), ".gpx") {
		return drawing.LongitudeFirst
	}
	return hint
}

// whereabouts says what is wrong with where on the globe a lane lies: found is "" unless it lies outside its region and its numbers, exchanged, would
// not. Outside and no more is right where a country has taken over the rules of another part of the world.
func whereabouts(region string, at lane.LatLon) (found, expected, hint string) {
	if inRegion(region, at) {
		return "", "", ""
	}
	if hint = hintFor(at, func(p lane.LatLon) bool { return inRegion(region, p) }); hint == "" {
		return "", "", ""
	}
	return fmt.Sprintf("%v, which is not in the region %q", at, region),
		fmt.Sprintf("a place roughly within %s, or, if it is there and goes by these rules, no origin and places in metres", regionWords(region)), hint
}
