// Package lane is the place as the lane file describes it: where gate, house, relays and other sites stand, what grows and is
// built between them, how high the ground is. Whoever plans, simulates or draws the place asks it. It reads no file: gateway/config
// reads the lane file itself, package drawing those of other programs that it refers to, and ParseTile a tile of terrain.
//
// All is in metres, on the plane that touches the earth at the lane's origin (see Plane): east, north, and heights above the
// datum of the terrain, which is about the level of the sea if they come from a tile or a map.
//
//	problems := l.Check()        // what cannot be, by the path of the field
//	l.Profile(&p, from, to, 256) // ground and cover between two sites
//
// After a Check without problems a Lane is not changed any more, and any number of goroutines may use it.
package lane

import (
	"fmt"
	"strings"
	"time"
)

// Role is what a site is for.
type Role string

// The roles.
const (
	RoleGateway   Role = "gateway"   // the machine that hears all stands here
	RoleGate      Role = "gate"      // a node watches a zone here
	RoleRelay     Role = "relay"     // a relay stands here
	RoleCandidate Role = "candidate" // one could
	RoleBuilding  Role = "building"  // people are to hear of a trip here
)

// Roles are all of them.
var Roles = []Role{RoleGateway, RoleGate, RoleRelay, RoleCandidate, RoleBuilding}

// Power is what can feed a unit at a site.
type Power string

// The kinds of power.
const (
	PowerMains   Power = "mains"
	PowerSolar   Power = "solar"   // there is sun for a panel
	PowerBattery Power = "battery" // there is none, but somebody gets there to change one
	PowerNone    Power = "none"    // nothing that must be powered can stand here
)

// Powers are all of them.
var Powers = []Power{PowerMains, PowerSolar, PowerBattery, PowerNone}

// Lane is a place. A Site is told apart by its name, and so is a Zone.
type Lane struct {
	// Name is the site's in the gateway's configuration.
	Name string
	// Region says whose rules of the air hold, in the words of radio/lora.
	Region string
	// Origin is where 0, 0 lies on the globe; nil if nobody has said.
	Origin  *LatLon
	Sites   []Site
	Zones   []Zone
	Cover   []Cover
	Course  []Point // of the lane itself, from the gate to the house; none: not known
	Terrain Terrain
}

// Site is where something stands, or could.
type Site struct {
	Name string
	Role Role
	At   Point
	// AntennaHeight is above the ground, m, 0 to 100. AntennaGain is in dBi, -30 to 30; CableLoss, between radio and antenna, in dB,
	// 0 to 60.
	AntennaHeight, AntennaGain, CableLoss float64
	// Ground is how high the ground is here, m, if somebody has measured it; nil: as the terrain has it.
	Ground *float64
	Power  Power
	// Annunciator: people are to hear of a trip here, whatever else the site is for.
	Annunciator bool
}

// Hears reports whether people are to hear of a trip here: in every building, and where the file says so.
func (s *Site) Hears() bool { return s.Annunciator || s.Role == RoleBuilding }

// Zone is what a node watches, and by what.
type Zone struct {
	Name string
	Site string // where its node stands
	// NormallyClosed, Supervised: as a node's configuration has them. The contact that the sensor gives is closed at rest, and its wire has
	// the resistors by which a cut and a short are told from a contact at rest.
	NormallyClosed, Supervised bool
	Unpowered                  Unpowered
	// Beams, if there are two, are crossed one after the other, which tells in from out.
	Beams []Beam
}

// Unpowered is how a zone's contact stands while its sensor has no power; empty: not known.
type Unpowered string

// The ways of a sensor without power.
const (
	UnpoweredOpen   Unpowered = "open"
	UnpoweredClosed Unpowered = "closed"
	NeedsNoPower    Unpowered = "none" // it needs none: a magnet's switch, a wire that tears
)

// AllUnpowered are all of them.
var AllUnpowered = []Unpowered{UnpoweredOpen, UnpoweredClosed, NeedsNoPower}

// Beam is a light barrier across the lane.
type Beam struct {
	Along  float64 // how far along the lane from the zone's site, towards the house, m; -1000 to 1000
	Length float64 // from post to post, m; above 0, up to 1000
	Height float64 // above the ground, m; above 0, up to 10
	Range  float64 // what the sensor's maker says that it spans, m, up to 10,000; 0: not known
}

// Kind is what stands in the way.
type Kind string

// The kinds of cover.
const (
	Wood     Kind = "wood"
	Orchard  Kind = "orchard"
	Hedge    Kind = "hedge"
	Building Kind = "building"
)

// Kinds are all of them.
var Kinds = []Kind{Wood, Orchard, Hedge, Building}

// Grows reports whether k is plants.
func (k Kind) Grows() bool { return k == Wood || k == Orchard || k == Hedge }

// Density is how close plants stand.
type Density string

// The densities: one sees no sky through a dense wood in leaf from the side, and far through a sparse one.
const (
	Sparse Density = "sparse"
	Medium Density = "medium"
	Dense  Density = "dense"
)

// Densities are all of them.
var Densities = []Density{Sparse, Medium, Dense}

// Walls are what a building is made of, in the two classes of ITU-R P.2109.
type Walls string

// The kinds of walls: efficient ones have metallised glass or foil-backed panels.
const (
	Traditional Walls = "traditional"
	Efficient   Walls = "efficient"
)

// AllWalls are all of them.
var AllWalls = []Walls{Traditional, Efficient}

// Cover is something on the ground through which a path may lead.
type Cover struct {
	Name   string // may be empty
	Kind   Kind
	Area   Area
	Height float64 // above the ground, m; above 0, up to 200
	// Density and Leaf, the months in which it has leaves, are those of what grows; Walls are those of a building.
	Density Density
	Leaf    *Months
	Walls   Walls

	edges *outline // of Area; nil: not known yet
}

// outline is what Check has made, or the same anew.
func (c *Cover) outline() *outline {
	if c.edges == nil {
		return outlineOf(c.Area)
	}
	return c.edges
}

// InLeaf reports whether c grows and has leaves in a month.
func (c *Cover) InLeaf(month time.Month) bool { return c.Leaf != nil && c.Leaf.Has(month) }

// Months are some of the twelve: bit 0 is January.
type Months uint16

// AllMonths is the whole year.
const AllMonths Months = 1<<12 - 1

// Has reports whether a month is among them.
func (m Months) Has(month time.Month) bool { return m&(1<<(month-1)) != 0 }

var monthNames = [...]string{"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}

// UnmarshalText reads "apr-oct", from the first month to the end of the last, over the turn of the year if need be; "always" and "never".
func (m *Months) UnmarshalText(text []byte) error {
	switch s := string(text); s {
	case "always":
		*m = AllMonths
		return nil
	case "never":
		*m = 0
		return nil
	default:
		a, b, ok := strings.Cut(s, "-")
		from, to := monthOf(a), monthOf(b)
		if !ok || from < 0 || to < 0 {
			return errForm
		}
		*m = 1 << from
		for i := from; i != to; {
			i = (i + 1) % 12
			*m |= 1 << i
		}
		return nil
	}
}

// Expected says what UnmarshalText accepts.
func (Months) Expected() string {
	return `the months in leaf such as "apr-oct", "always" (evergreen) or "never"`
}

func monthOf(name string) int {
	for i, n := range monthNames {
		if n == strings.TrimSpace(strings.ToLower(name)) {
			return i
		}
	}
	return -1
}

// Site returns the site of a name, nil if there is none.
func (l *Lane) Site(name string) *Site {
	for i := range l.Sites {
		if l.Sites[i].Name == name {
			return &l.Sites[i]
		}
	}
	return nil
}

// Antenna is how high a site's antenna is, m above the datum.
func (l *Lane) Antenna(s *Site) float64 {
	if s.Ground != nil {
		return *s.Ground + s.AntennaHeight
	}
	return l.Terrain.Height(s.At) + s.AntennaHeight
}

// FieldError is something of a lane that cannot be.
type FieldError struct {
	Path            string // in the words of the lane file, such as site.river-gate.at or cover[2].height
	Found, Expected string
	Hint            string // what to do, or empty
}

func (e *FieldError) Error() string {
	s := fmt.Sprintf("%s: found %s, expected %s", e.Path, e.Found, e.Expected)
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}
