package lane

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
)

// apart is how far from each other two sites are at the least, m: two that are nearer are one that was written twice.
const apart = 0.5

// SpotError is how far a site's own ground may be off from ground that goes by spots or is flat, m.
const SpotError = 3

// MaxSlope is how much higher than wide the side of a hill may be, over the whole of it from its foot to its top. Loose ground comes to
// rest at about 35 degrees, and only rock stands steeper; 45 over a whole side, all around, are a tower, and mostly an altitude that was
// taken for a height. Common practice, no source.
const MaxSlope = 1

// MaxCorners is how many corners all cover of a lane may have.
const MaxCorners = 20_000

// checker collects what cannot be.
type checker struct {
	l    *Lane
	list []*FieldError
}

func (k *checker) refuse(path, found, expected string) {
	k.list = append(k.list, &FieldError{Path: path, Found: found, Expected: expected})
}

// word refuses what is not among some words.
func word[T ~string](k *checker, path string, v T, of []T) bool {
	if slices.Contains(of, v) {
		return true
	}
	found := "nothing"
	if v != "" {
		found = fmt.Sprintf("%q", v)
	}
	k.refuse(path, found, oneOf(of))
	return false
}

func oneOf[T ~string](of []T) string {
	words := make([]string, len(of))
	for i, w := range of {
		words[i] = fmt.Sprintf("%q", w)
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " or " + words[last]
}

// length refuses what is not between two bounds; low itself is allowed if it is not 0, or if zero says so. It catches NaN.
func (k *checker) length(path string, v, low, high float64, zero bool) bool {
	if v >= low && v <= high && (v != 0 || zero) {
		return true
	}
	expected := fmt.Sprintf("%v to %v", Length(low), Length(high))
	if low == 0 && !zero {
		expected = fmt.Sprintf("more than 0 m, up to %v", Length(high))
	}
	k.refuse(path, fmt.Sprintf("%q", Length(v)), expected)
	return false
}

func (k *checker) plain(path string, v, low, high float64, unit string) {
	if !(v >= low && v <= high) {
		k.refuse(path, fmt.Sprintf("%v %s", v, unit), fmt.Sprintf("%v to %v %s", low, high, unit))
	}
}

// CheckSaid names what Check would of words and numbers by themselves: nothing that hangs on where things lie, or on others. So a file
// whose places cannot be read yet is judged by the rest of it.
func (l *Lane) CheckSaid() []*FieldError {
	k := &checker{l: l}
	k.said()
	return k.list
}

// said is CheckSaid.
func (k *checker) said() {
	for _, s := range k.l.Sites {
		at := "site." + s.Name
		word(k, at+".role", s.Role, Roles)
		word(k, at+".power", s.Power, Powers)
		k.length(at+".antenna_height", s.AntennaHeight, 0, 100, true)
		k.plain(at+".antenna_gain", s.AntennaGain, -30, 30, "dBi")
		k.plain(at+".cable_loss", s.CableLoss, 0, 60, "dB")
		if s.Ground != nil {
			k.length(at+".ground", *s.Ground, -500, 9000, true)
		}
	}
	for i := range k.l.Cover {
		c := &k.l.Cover[i]
		at := fmt.Sprintf("cover[%d]", i)
		k.length(at+".height", c.Height, 0, 200, false)
		k.kind(at, c)
	}
	for _, z := range k.l.Zones {
		at := "zone." + z.Name
		if z.Unpowered != "" && word(k, at+".unpowered", z.Unpowered, AllUnpowered) && z.Unpowered == NeedsNoPower && len(z.Beams) > 0 {
			k.refuse(at+".unpowered", `"none" beside a beam`, `"open" or "closed", how its contact stands without power: a light barrier needs some; left out: not known`)
		}
		for i, b := range z.Beams {
			beam := fmt.Sprintf("%s.beam[%d]", at, i)
			k.length(beam+".along", b.Along, -1000, 1000, true)
			k.length(beam+".length", b.Length, 0, 1000, false)
			k.length(beam+".height", b.Height, 0, 10, false)
			k.length(beam+".range", b.Range, 0, 10_000, true)
		}
	}
	k.hills()
}

// Check names all that cannot be: places out of reach, sites at one place or inside a hill, areas that cross themselves, ground that
// no tile knows, zones without their site, words that are none, numbers that are none or out of range. Names and the region are
// for whoever reads the file to judge. It also tidies polygons and lines up, and makes Profile fast.
func (l *Lane) Check() []*FieldError {
	k := &checker{l: l}
	k.said()
	k.sites()
	k.cover()
	k.course()
	k.zones()
	for i, h := range l.Terrain.Hills {
		k.point(fmt.Sprintf("terrain.hill[%d].at", i), h.At)
	}
	if len(k.list) == 0 { // the ground of impossible places means nothing
		k.ground()
	}
	return k.list
}

// point refuses what lies nowhere, or out of reach.
func (k *checker) point(path string, p Point) bool {
	d := math.Hypot(p.East, p.North)
	if d <= Reach {
		return true
	}
	if math.IsNaN(d) || math.IsInf(d, 0) {
		k.refuse(path, fmt.Sprintf("%v", p), "a place")
		return false
	}
	k.refuse(path, fmt.Sprintf("a place %.0f km from the origin", d/1000),
		fmt.Sprintf("one within %d km: a place this far off has probably been mistyped", Reach/1000))
	return false
}

func (k *checker) sites() {
	gateways := 0
	for i := range k.l.Sites {
		s := &k.l.Sites[i]
		at := "site." + s.Name
		if s.Role == RoleGateway {
			gateways++
		}
		if !k.point(at+".at", s.At) {
			continue
		}
		for j := range i {
			if o := &k.l.Sites[j]; o.At.Distance(s.At) < apart {
				k.refuse(at+".at", fmt.Sprintf("the place of %s again (%.2f m from it)", o.Name, o.At.Distance(s.At)),
					"two sites at two places, or one site for both: what stands on one post is one site")
				break
			}
		}
		if s.Role == RoleGate && !k.watched(s.Name) {
			k.refuse(at+".role", `"gate"`, fmt.Sprintf("a zone that is watched from here: a table [zone.NAME] with site = %q", s.Name))
		}
	}
	if gateways == 0 {
		k.refuse("site", "no gateway", `a site with role = "gateway", to which all paths lead`)
	}
}

func (k *checker) watched(site string) bool {
	for _, z := range k.l.Zones {
		if z.Site == site {
			return true
		}
	}
	return false
}

func (k *checker) cover() {
	corners := 0
	for i := range k.l.Cover {
		c := &k.l.Cover[i]
		at := fmt.Sprintf("cover[%d]", i)
		if strings.ContainsFunc(c.Name, func(r rune) bool { return !unicode.IsPrint(r) }) { // a terminal obeys some, and no SVG may hold them
			k.refuse(at+".name", fmt.Sprintf("%q", c.Name), "a name that can be read: letters, digits, signs and spaces, in one line")
		}
		for j, ring := range c.Area {
			c.Area[j] = clean(ring)
			corners += len(c.Area[j])
		}
		if corners > MaxCorners {
			k.refuse(at+".area", fmt.Sprintf("the corner %d of all cover", MaxCorners+1), fmt.Sprintf("%d at the most: draw it more simply", MaxCorners))
			return
		}
		k.area(at+".area", c)
	}
}

// kind wants what is said of a kind of cover, and nothing that is another's: a density of walls would have been meant for something.
func (k *checker) kind(at string, c *Cover) {
	switch {
	case c.Kind == "hill":
		k.list = append(k.list, &FieldError{at + ".kind", `"hill"`, oneOf(Kinds), "a hill is ground: a table [[terrain.hill]], or spot heights"})
	case !word(k, at+".kind", c.Kind, Kinds):
	case c.Kind.Grows():
		word(k, at+".density", c.Density, Densities)
		if c.Leaf == nil {
			k.refuse(at+".in_leaf", "nothing", Months(0).Expected())
		}
		if c.Walls != "" {
			k.refuse(at+".walls", fmt.Sprintf("%q", c.Walls), "no such key for what grows")
		}
	default:
		word(k, at+".walls", c.Walls, AllWalls)
		if c.Density != "" || c.Leaf != nil {
			k.refuse(at+".density", "density or in_leaf", "neither of them for a building")
		}
	}
}

func (k *checker) area(path string, c *Cover) {
	const simple = "a polygon whose edges meet at its corners alone"
	if len(c.Area) == 0 {
		k.refuse(path, "nothing", "the corners of what it covers, three or more")
		return
	}
	for _, ring := range c.Area {
		if len(ring) < 3 {
			k.refuse(path, fmt.Sprintf("%d corners", len(ring)), "three or more, at different places")
			return
		}
		for _, p := range ring {
			if !k.point(path, p) {
				return
			}
		}
	}
	if p, ok := c.Area.crossing(); ok {
		where := p.String()
		if k.l.Origin != nil {
			where += fmt.Sprintf(" (%v)", NewPlane(*k.l.Origin).LatLon(p))
		}
		k.refuse(path, "edges that cross or touch at "+where, simple)
		return
	}
	for _, hole := range c.Area[1:] { // it crosses nothing, so one corner tells of all
		if !c.Area[:1].contains(hole[0]) {
			k.refuse(path, fmt.Sprintf("a hole at %v, outside of it", hole[0]), "holes within the area; what stands apart is cover of its own")
			return
		}
	}
	if size := c.Area.Size(); size < 0.1 {
		k.refuse(path, fmt.Sprintf("an area of %.3f m²", size), "a polygon that covers something")
		return
	}
	c.edges = outlineOf(c.Area)
}

func (k *checker) course() {
	k.l.Course = follow(k.l.Course)
	if n := len(k.l.Course); n == 1 || n > MaxCorners {
		k.refuse("course", fmt.Sprintf("a line of %d corners", n), fmt.Sprintf("the lane's course, from the gate to the house: 2 to %d points", MaxCorners))
	}
	for i, p := range k.l.Course {
		if !k.point(fmt.Sprintf("course[%d]", i), p) {
			return
		}
	}
	if len(k.l.Course) > 1 {
		k.direction(k.l.Course[0], k.l.Course[len(k.l.Course)-1])
	}
}

// direction refuses a course from the house to the gate, by which what moves along the lane would move away. Only where gates and
// gateways agree: a gate may stand at the house as well, and a gateway by the road.
func (k *checker) direction(start, end Point) {
	gateStart, gateEnd := k.nearest(RoleGate, start), k.nearest(RoleGate, end)
	homeStart, homeEnd := k.nearest(RoleGateway, start), k.nearest(RoleGateway, end)
	if gateEnd < gateStart && homeStart < homeEnd {
		k.list = append(k.list, &FieldError{"course", fmt.Sprintf("a line that starts %.0f m from the gateway and ends %.0f m from a gate", homeStart, gateEnd),
			"the lane's course from the gate to the house", "turn the order of its points round"})
	}
}

// nearest is how far the nearest site of a role is from a place, m; without one infinitely far.
func (k *checker) nearest(role Role, at Point) float64 {
	least := math.Inf(1)
	for i := range k.l.Sites {
		if s := &k.l.Sites[i]; s.Role == role {
			least = min(least, s.At.Distance(at))
		}
	}
	return least
}

// follow drops points that repeat the one before them; a line may end where it begins.
func follow(line []Point) []Point {
	var out []Point
	for i, p := range line {
		if i == 0 || p != line[i-1] {
			out = append(out, p)
		}
	}
	return out
}

func (k *checker) zones() {
	for _, z := range k.l.Zones {
		at := "zone." + z.Name
		if s := k.l.Site(z.Site); s == nil {
			k.refuse(at+".site", fmt.Sprintf("%q", z.Site), "the name of a site of this file: "+k.siteNames())
		} else if s.Role == RoleCandidate {
			k.refuse(at+".site", fmt.Sprintf("%q, where nothing stands yet", z.Site), `a site whose role is not "candidate"`)
		}
		for i, b := range z.Beams {
			beam := fmt.Sprintf("%s.beam[%d]", at, i)
			for j := range i {
				if z.Beams[j].Along == b.Along && z.Beams[j].Height == b.Height {
					k.refuse(beam+".along", fmt.Sprintf("%q again, at the same height", Length(b.Along)),
						fmt.Sprintf("a beam apart from beam[%d], along the lane or in height", j))
				}
			}
		}
	}
}

func (k *checker) siteNames() string {
	var names []string
	for _, s := range k.l.Sites {
		names = append(names, s.Name)
	}
	return strings.Join(names, ", ")
}

func (k *checker) hills() {
	for i, h := range k.l.Terrain.Hills {
		at := fmt.Sprintf("terrain.hill[%d]", i)
		height := k.length(at+".height", h.Height, 0, 3000, false)
		if k.length(at+".radius", h.Radius, 0, Reach, false) && height && h.Height > MaxSlope*h.Radius {
			k.refuse(at+".height", fmt.Sprintf("%q with a radius of %q, a side of %.0f degrees from foot to top", Length(h.Height), Length(h.Radius), math.Atan2(h.Height, h.Radius)*180/math.Pi),
				fmt.Sprintf("a hill whose side rises at no more than %.0f: height is of its top above the ground around it, not the altitude on a map", math.Atan(MaxSlope)*180/math.Pi))
		}
	}
}

// ground judges what hangs on the height of the ground.
func (k *checker) ground() {
	t := &k.l.Terrain
	if t.tiles != nil && !k.tiles() {
		return
	}
	off := float64(SpotError)
	if t.tiles != nil {
		off = TileError
	}
	for i := range k.l.Sites {
		s := &k.l.Sites[i]
		at, h := "site."+s.Name, t.Height(s.At)
		k.length(at+".at", h, -500, 9000, true) // what spots make of the place
		if s.Ground == nil {
			continue
		}
		top := *s.Ground + s.AntennaHeight
		switch {
		case top < h:
			k.refuse(at+".ground", fmt.Sprintf("%q, which with the antenna's %.1f m is %.1f m, inside a hill", Length(*s.Ground), s.AntennaHeight, top),
				fmt.Sprintf("an antenna above the ground, which is at %.1f m here by the terrain; without this key the site goes by that", h))
		case math.Abs(*s.Ground-h) > off:
			k.refuse(at+".ground", fmt.Sprintf("%q", Length(*s.Ground)),
				fmt.Sprintf("within %.0f m of what the terrain has here, %.1f m; one of the two is wrong", off, h))
		}
	}
}

// tiles refuses tiles that do not know all the ground between what the file names.
func (k *checker) tiles() bool {
	all := nowhere
	for _, s := range k.l.Sites {
		all = all.with(s.At)
	}
	for _, p := range k.l.Course {
		all = all.with(p)
	}
	for i := range k.l.Cover {
		b := k.l.Cover[i].outline().box()
		all = all.with(b.min).with(b.max)
	}
	outside, voids, in, first := k.l.Terrain.tiles.gaps(all)
	switch {
	case outside != nil:
		k.refuse("terrain.tiles", fmt.Sprintf("no tile that covers %v, and the lane does", *outside), "also the tile "+tileOf(*outside))
		return false
	case voids > 0:
		k.refuse("terrain.tiles", fmt.Sprintf("%d heights in %s that are voids, the first at %v", voids, in.Name, first),
			"a tile without voids between the sites (some are published with their voids filled), or spot heights instead")
		return false
	}
	return true
}

// tileOf is the name of the tile in which a place lies.
func tileOf(at LatLon) string {
	lat, lon := int(math.Floor(at.Lat)), int(math.Floor(at.Lon))
	if lon == 180 {
		lon = -180
	}
	ns, ew := 'N', 'E'
	if lat < 0 {
		ns, lat = 'S', -lat
	}
	if lon < 0 {
		ew, lon = 'W', -lon
	}
	return fmt.Sprintf("%c%02d%c%03d.hgt", ns, lat, ew, lon)
}
