package plan

import (
	"fmt"
	"math"
	"testing"

	"longlane/radio/lane"
	"longlane/radio/path"
)

// open is flat, bare ground with a gateway at 0 m E and a gate 1000 m east of it, both antennas 3 m up; cover stands on it.
func open(cover ...lane.Cover) *lane.Lane {
	site := func(name string, role lane.Role, east float64) lane.Site {
		return lane.Site{Name: name, Role: role, At: lane.Point{East: east}, AntennaHeight: 3, AntennaGain: lane.DipoleGain, Power: lane.PowerMains}
	}
	return &lane.Lane{Name: "open", Region: "europe", Terrain: lane.Flat(100), Cover: cover,
		Sites: []lane.Site{site("house", lane.RoleGateway, 0), site("gate", lane.RoleGate, 1000)}, Zones: []lane.Zone{{Name: "gate", Site: "gate"}}}
}

func block(from, to float64) lane.Area {
	return lane.Area{{{East: from, North: -30}, {East: to, North: -30}, {East: to, North: 30}, {East: from, North: 30}}}
}

// between is the way from the gate to the house.
func between(t *testing.T, l *lane.Lane) *Way {
	t.Helper()
	if problems := l.Check(); problems != nil {
		t.Fatal(problems)
	}
	s := &surveyor{lane: l, depth: 1}
	s.look(l.Site("gate"), l.Site("house"))
	w, err := s.way(l.Site("gate"), l.Site("house"), 869.525e6)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// TestAntennaInside: an antenna in a building is behind one wall of it, and the plan says how unsure that is; one on its roof is behind none.
func TestAntennaInside(t *testing.T) {
	for _, c := range []struct {
		walls lane.Walls
		class path.Building
	}{{lane.Traditional, path.Traditional}, {lane.Efficient, path.Efficient}} {
		house := lane.Cover{Kind: lane.Building, Height: 8, Walls: c.walls, Area: block(-6, 6)}
		half, err := path.BuildingEntry(869.525e6, 0.5, 0, c.class)
		if err != nil {
			t.Fatal(err)
		}
		most, err := path.BuildingEntry(869.525e6, 0.9, 0, c.class)
		if err != nil {
			t.Fatal(err)
		}
		w := between(t, open(house))
		if math.Abs(w.Buildings-half) > 1e-9 || math.Abs(half+1.2816*w.WallError-most) > 1e-9 {
			t.Errorf("%s: %.2f dB, give or take %.2f; half of all buildings take %.2f, nine of ten %.2f", c.walls, w.Buildings, w.WallError, half, most)
		}
		l := open(house)
		l.Site("house").AntennaHeight = 9
		if w := between(t, l); w.Buildings > 1 {
			t.Errorf("%s: an antenna 1 m above the roof loses %.2f dB to it", c.walls, w.Buildings)
		}
	}
}

// TestAntennaInAWood: what an antenna stands in can only be gone through, however low its tops are over the way; the same wood elsewhere can be
// passed over. Thinner woods count for less.
func TestAntennaInAWood(t *testing.T) {
	leaf := lane.AllMonths
	for _, density := range lane.Densities {
		want, err := path.Weissberger(869.525e6, 100*Thickness[density])
		if err != nil {
			t.Fatal(err)
		}
		for name, at := range map[string]lane.Area{"gate": block(900, 1050), "house": block(-50, 100)} {
			wood := lane.Cover{Kind: lane.Wood, Height: 4, Density: density, Leaf: &leaf, Area: at}
			if w := between(t, open(wood)); math.Abs(w.Leaf-want) > 1e-6 {
				t.Errorf("100 m of %s wood around the %s: %.2f dB, through it are %.2f", density, name, w.Leaf, want)
			}
		}
	}
	if !(Thickness[lane.Sparse] < Thickness[lane.Medium] && Thickness[lane.Medium] < Thickness[lane.Dense] && Thickness[lane.Dense] == 1) {
		t.Errorf("thickness %v", Thickness)
	}
}

// TestBareTrees: the mixed forest near Mulhouse of ITU-R P.833, section 2.1 (from memory): 1.15 f^0.43 dB at the most, f in MHz, of which the
// season takes 2 dB at 900 MHz and 8.5 dB at 2200 MHz.
func TestBareTrees(t *testing.T) {
	for mhz, season := range map[float64]float64{900: 2, 2200: 8.5} {
		if got, want := leafShare(mhz*1e6), season/(1.15*math.Pow(mhz, 0.43)); math.Abs(got-want) > 0.001 {
			t.Errorf("at %v MHz leaves are %.3f of the loss, want %.3f", mhz, got, want)
		}
	}
	if leafShare(869.525e6) != leafShare(900e6) || leafShare(2440e6) != leafShare(2200e6) || leafShare(1500e6) <= leafShare(900e6) {
		t.Error("beyond the two frequencies the share does not stay, or between them it does not grow")
	}
}

// TestGroundInTheWay: the report's place of ground that does not rise above the line is that at which the ray has the least room by the
// ellipsoid, which the picture shows and the JSON tells; not that beside the lower antenna, where it is narrow.
func TestGroundInTheWay(t *testing.T) {
	l := open()
	l.Site("gate").At.East, l.Site("gate").AntennaHeight, l.Site("house").AntennaHeight = 600, 2, 6
	w := between(t, l)
	s := &surveyor{lane: l, depth: 1}
	s.describe(w)
	var at, from, to float64
	if len(w.Blocked) != 1 {
		t.Fatalf("in the way: %q", w.Blocked)
	}
	if _, err := fmt.Sscanf(w.Blocked[0], "the ground reaches up at %f m (from %f to %f m)", &at, &from, &to); err != nil || math.Abs(at-w.Least.At) > 0.5 || at < from+20 {
		t.Errorf("%q, %v; the least room is at %.1f m", w.Blocked[0], err, w.Least.At)
	}
}

// TestHowUnsure: what the ground takes is unsure by 3 dB in the clear, and by 5 behind something, with half of what the cautious construction
// adds to its edge; a wood that is gone through by a quarter of what it takes.
func TestHowUnsure(t *testing.T) {
	high := open()
	high.Site("gate").AntennaHeight, high.Site("house").AntennaHeight = 30, 30
	if w := between(t, high); math.Abs(w.GroundError-3) > 1e-9 || w.PlantError != 0 || w.WallError != 0 {
		t.Errorf("in the clear: %.2f, %.2f and %.2f dB", w.GroundError, w.PlantError, w.WallError)
	}
	hill := open()
	hill.Terrain.Hills = []lane.Hill{{At: lane.Point{East: 500}, Height: 30, Radius: 200}}
	w := between(t, hill)
	s := &surveyor{lane: hill, depth: 1}
	s.look(w.From, w.To)
	edge, err := path.Bullington(w.Frequency, &path.Profile{Length: s.profile.Length, Ground: s.profile.Ground, From: s.profile.From, To: s.profile.To})
	if err != nil {
		t.Fatal(err)
	}
	if want := math.Hypot(5, (w.Ground-edge.Single)/2); math.Abs(w.GroundError-want) > 1e-9 || want < 6 {
		t.Errorf("behind a hill: %.2f dB, want %.2f", w.GroundError, want)
	}
	leaf := lane.AllMonths
	wood := between(t, open(lane.Cover{Kind: lane.Wood, Height: 30, Density: lane.Dense, Leaf: &leaf, Area: block(900, 1050)}))
	if math.Abs(wood.PlantError-wood.Leaf/4) > 0.01 {
		t.Errorf("a wood of %.2f dB: give or take %.2f", wood.Leaf, wood.PlantError)
	}
}
