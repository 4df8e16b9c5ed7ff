package lane

import (
	"encoding/binary"
	"strings"
	"testing"
)

// onTile is a lane of two sites, 100 m apart in east and west, a fifth of a cell south of row 600 of a flat tile; each row and column that is
// given is a void.
func onTile(t *testing.T, voids ...[2]int) *Lane {
	t.Helper()
	const n, void16 = 1201, 0x8000
	data := make([]byte, 2*n*n)
	for _, v := range voids {
		binary.BigEndian.PutUint16(data[2*(v[0]*n+v[1]):], void16)
	}
	tile, problem := ParseTile("N44W031.hgt", data)
	if problem != nil {
		t.Fatal(problem)
	}
	origin := LatLon{Lat: 45 - 600.2/1200, Lon: -31 + 600.2/1200}
	site := func(name string, role Role, east float64) Site {
		return Site{Name: name, Role: role, At: Point{East: east}, AntennaHeight: 3, Power: PowerMains}
	}
	return &Lane{Name: "tile", Region: "europe", Origin: &origin, Terrain: FromTiles([]*Tile{tile}, NewPlane(origin)),
		Sites: []Site{site("house", RoleGateway, 0), site("relay", RoleRelay, 100)}}
}

func problemsOf(l *Lane) string {
	var list []string
	for _, p := range l.Check() {
		list = append(list, p.Error())
	}
	return strings.Join(list, "\n")
}

// TestVoidsBeside: a void counts if a height between the sites would be made of it, though it lies beside them; not if none would.
func TestVoidsBeside(t *testing.T) {
	if got := problemsOf(onTile(t)); got != "" {
		t.Fatalf("without voids: %s", got)
	}
	for _, v := range [][2]int{{600, 600}, {601, 600}, {601, 601}, {600, 602}, {601, 602}} {
		if got := problemsOf(onTile(t, v)); !strings.Contains(got, "1 heights in N44W031.hgt that are voids") {
			t.Errorf("a void in row %d, column %d: %q", v[0], v[1], got)
		}
	}
	for _, v := range [][2]int{{598, 600}, {603, 600}, {600, 597}, {600, 605}} {
		if got := problemsOf(onTile(t, v)); got != "" {
			t.Errorf("a void in row %d, column %d, which no height is made of: %s", v[0], v[1], got)
		}
	}
}

// TestGroundAgainstTerrain: a measured height may be off from the terrain by 16 m where that is a tile, and by 3 where it is spots or flat.
func TestGroundAgainstTerrain(t *testing.T) {
	for _, c := range []struct {
		off     float64
		tile    bool
		refused bool
	}{{15.5, true, false}, {16.5, true, true}, {2.5, false, false}, {3.5, false, true}} {
		l := onTile(t)
		if !c.tile {
			l.Terrain = Flat(0)
		}
		l.Sites[1].Ground = &c.off
		if got := problemsOf(l); (got != "") != c.refused || c.refused && !strings.Contains(got, "one of the two is wrong") {
			t.Errorf("%v m off, tile %v: %q", c.off, c.tile, got)
		}
	}
}

// TestDirectionOfTheCourse: a course from the house to the gate is refused, and none that may be right.
func TestDirectionOfTheCourse(t *testing.T) {
	const gate, house = 1000.0, 0.0
	for name, c := range map[string]struct {
		course  []float64 // east
		more    []Site
		refused bool
	}{
		"from the gate":      {course: []float64{gate, 500, house}},
		"from the house":     {course: []float64{house, 500, gate}, refused: true},
		"from the road":      {course: []float64{gate + 80, house + 10}},
		"short of both":      {course: []float64{house + 30, gate - 30}, refused: true},
		"a gate at home":     {course: []float64{gate + 80, house}, more: []Site{{Name: "yard", Role: RoleGate, At: Point{East: 5}}}},
		"a gate in between":  {course: []float64{house, gate}, more: []Site{{Name: "yard", Role: RoleGate, At: Point{East: 300}}}, refused: true},
		"a gateway at both":  {course: []float64{gate, house}, more: []Site{{Name: "kiosk", Role: RoleGateway, At: Point{East: gate, North: 2}}}},
		"gateway by a road":  {course: []float64{gate, 2500}},
		"round and home":     {course: []float64{house, gate, house}},
		"no course":          {},
		"the gate is passed": {course: []float64{gate, gate + 500, house}},
	} {
		l := onTile(t)
		l.Terrain = Flat(400)
		l.Sites[1].Role, l.Sites[1].At = RoleGate, Point{East: gate}
		for _, s := range c.more {
			s.AntennaHeight, s.Power = 3, PowerMains
			l.Sites = append(l.Sites, s)
		}
		for _, s := range l.Sites {
			l.Zones = append(l.Zones, Zone{Name: s.Name, Site: s.Name})
		}
		for _, east := range c.course {
			l.Course = append(l.Course, Point{East: east})
		}
		got := problemsOf(l)
		if (got != "") != c.refused || c.refused && !strings.Contains(got, "expected the lane's course from the gate to the house; turn the order of its points round") {
			t.Errorf("%s: %q, refused should be %v", name, got, c.refused)
		}
	}
}

// TestSpotsThatMakeACliff: spots that would put a site below the earth are refused by the site, since each of them by itself may be right.
func TestSpotsThatMakeACliff(t *testing.T) {
	l := onTile(t)
	var err error
	if l.Terrain, err = FromSpots([]Spot{{Point{East: 0}, -400}, {Point{East: 100}, -700}}); err != nil {
		t.Fatal(err)
	}
	if got := problemsOf(l); !strings.Contains(got, `site.relay.at: found "-700 m", expected -500 m to 9000 m`) || strings.Contains(got, "house") {
		t.Errorf("%q", got)
	}
}
