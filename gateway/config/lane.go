package config

import (
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"longlane/radio/lane"
	"longlane/radio/lane/drawing"
	"longlane/radio/lora"
)

// laneFile is the file of the place: lane.Lane as it is written.
type laneFile struct {
	Name     string              `toml:"name"`
	Region   string              `toml:"region"`
	Origin   *lane.Place         `toml:"origin"`
	Geometry []string            `toml:"geometry"`
	Course   []lane.Place        `toml:"course"`
	Terrain  *laneTerrain        `toml:"terrain"`
	Site     map[string]laneSite `toml:"site"`
	Zone     map[string]laneZone `toml:"zone"`
	Cover    []laneCover         `toml:"cover"`
}

type laneTerrain struct {
	Height *lane.Length `toml:"height"`
	Spot   []laneSpot   `toml:"spot"`
	Tiles  []string     `toml:"tiles"`
	Hill   []laneHill   `toml:"hill"`
}

type laneSpot struct {
	At     *lane.Place  `toml:"at"`
	Height *lane.Length `toml:"height"`
}

type laneHill struct {
	At     *lane.Place  `toml:"at"`
	Height *lane.Length `toml:"height"`
	Radius *lane.Length `toml:"radius"`
}

type laneSite struct {
	Role          lane.Role    `toml:"role"`
	At            *lane.Place  `toml:"at"`
	Waypoint      string       `toml:"waypoint"`
	AntennaHeight *lane.Length `toml:"antenna_height"`
	AntennaGain   lane.Gain    `toml:"antenna_gain"`
	CableLoss     lane.Loss    `toml:"cable_loss"`
	Ground        *lane.Length `toml:"ground"`
	Power         lane.Power   `toml:"power"`
	Annunciator   bool         `toml:"annunciator"`
}

// SetDefaults implements Defaulter.
func (s *laneSite) SetDefaults() { s.AntennaGain = lane.DipoleGain }

type laneZone struct {
	Site           string         `toml:"site"`
	NormallyClosed bool           `toml:"normally_closed"`
	Supervised     bool           `toml:"supervised"`
	Unpowered      lane.Unpowered `toml:"unpowered"`
	Beam           []laneBeam     `toml:"beam"`
}

type laneBeam struct {
	Along  lane.Length  `toml:"along"`
	Length *lane.Length `toml:"length"`
	Height *lane.Length `toml:"height"`
	Range  lane.Length  `toml:"range"`
}

type laneCover struct {
	Name    string         `toml:"name"`
	Kind    lane.Kind      `toml:"kind"`
	Area    []lane.Place   `toml:"area"`
	Hole    [][]lane.Place `toml:"hole"`
	Height  *lane.Length   `toml:"height"`
	Density lane.Density   `toml:"density"`
	InLeaf  *lane.Months   `toml:"in_leaf"`
	Walls   lane.Walls     `toml:"walls"`
}

const (
	maxLaneFile  = 1 << 20 // bytes
	maxSites     = 500
	maxDrawings  = 8
	maxLaneTiles = 4 // as many as meet in a corner
)

// ReadLane reads the lane file at path, and the drawings and tiles that it names, which are looked for beside it. The error is a
// Problems, each with the file and line that it is about, or says why the file could not be read. Whatever is given back can be: see
// lane.Lane.Check.
func ReadLane(path string) (*lane.Lane, error) {
	data, _, err := readBounded(path, maxLaneFile)
	if err != nil {
		return nil, fmt.Errorf("read lane: %w", err)
	}
	return ParseLane(path, data, fromDisk(path))
}

// ReadLane reads the lane file that a configuration names, nil if it names none; path is the configuration's own. It also refuses a
// lane of another site, or where other rules of the air hold than the modems go by.
func (c *Config) ReadLane(path string) (*lane.Lane, error) {
	if c.Lane == "" {
		return nil, nil
	}
	data, _, err := readBounded(path, maxFile)
	if err != nil {
		return nil, fmt.Errorf("read config: %w", err)
	}
	own, err := Open(path, data)
	if err != nil {
		return nil, err
	}
	l, doc, err := readBeside(own, "lane", path, c.Lane)
	if err != nil {
		return nil, err
	}
	if l.Name != c.Site {
		doc.Refuse("name", quote(l.Name), fmt.Sprintf("%q, the site of %s, or another lane there", c.Site, path))
	}
	for _, m := range c.Modem {
		if m.Region != "" && m.Region != l.Region {
			doc.Refuse("region", quote(l.Region), fmt.Sprintf("%q, as for the modem %s in %s; one of the two is wrong", m.Region, m.Name, path))
		}
	}
	if err := doc.Err(); err != nil {
		return nil, err
	}
	return l, nil
}

// ReadBeside reads the lane file that a field of another file names, by its full path or from the folder of that file. If it cannot be
// read at all, the field is to blame.
func ReadBeside(doc *Document, field, path, name string) (*lane.Lane, error) {
	l, _, err := readBeside(doc, field, path, name)
	return l, err
}

func readBeside(doc *Document, field, path, name string) (*lane.Lane, *Document, error) {
	file := beside(path, name)
	data, _, err := readBounded(file, maxLaneFile)
	if err != nil {
		checker{doc: doc}.file(field, err, "the lane file, which describes the place")
		return nil, nil, doc.Err()
	}
	return parseLane(file, data, fromDisk(file))
}

func fromDisk(path string) func(name string, limit int64) ([]byte, error) {
	return func(name string, limit int64) ([]byte, error) {
		data, _, err := readBounded(beside(path, name), limit)
		return data, err
	}
}

// beside is the path of a file that another one names.
func beside(path, name string) string {
	if filepath.IsAbs(name) {
		return name
	}
	return filepath.Join(filepath.Dir(path), name)
}

// ParseLane is ReadLane for a file that is already in memory; name stands for it in messages. read gives those that it names, each of
// at most limit bytes.
func ParseLane(name string, data []byte, read func(name string, limit int64) ([]byte, error)) (*lane.Lane, error) {
	l, _, err := parseLane(name, data, read)
	return l, err
}

func parseLane(name string, data []byte, read func(name string, limit int64) ([]byte, error)) (*lane.Lane, *Document, error) {
	doc, err := Open(name, data)
	if err != nil {
		return nil, nil, err
	}
	if doc.isConfig() {
		return nil, nil, doc.another("site", "a gateway's configuration", "a lane file, which describes the place: tables [terrain] and [site.NAME]")
	}
	r := laneReader{checker: checker{doc: doc}, read: read, base: name, drawn: map[int]drawing.Area{}}
	doc.Into(&r.file)
	r.form()
	r.drawings()
	// Each step from here on judges by what the one before has read: after a mistake, it would report what is none.
	for _, step := range []func(){r.places, r.terrain, r.judge} {
		if doc.Err() == nil {
			step()
		}
	}
	if doc.Err() != nil {
		r.said()
		return nil, nil, doc.Err()
	}
	return &r.lane, doc, nil
}

// isLane reports whether a file is of a place. A configuration has no table that is called terrain, and its site is a name.
func (d *Document) isLane() bool {
	_, terrain := d.tree["terrain"].(map[string]any)
	_, sites := d.tree["site"].(map[string]any)
	return terrain && sites
}

// isConfig reports whether a file is a gateway's configuration: see isLane.
func (d *Document) isConfig() bool {
	_, site := d.tree["site"].(string)
	_, gateway := d.tree["gateway"].(string)
	return site && gateway
}

// another refuses a file of another kind as a whole, by the place of a key that tells. Judged as what it is not, each of its keys would
// be a mistake of its own.
func (d *Document) another(key, found, expected string) error {
	line, col := d.Position(key)
	return Problems{{File: d.name, Line: line, Col: col, Field: "(file)", Found: found, Expected: expected}}
}

type laneReader struct {
	checker
	file  laneFile
	read  func(name string, limit int64) ([]byte, error)
	base  string
	lane  lane.Lane
	plane *lane.Plane // nil: nobody has said where on the globe the lane is

	points []drawnPoint
	lines  []drawnLine
	areas  []drawnArea
	drawn  map[int]drawing.Area // cover that a drawing has, by its index in lane.Cover
	from   map[int]string       // and its file

	drawnCourse *drawnLine // the course, if a drawing has it
}

type (
	drawnPoint struct {
		drawing.Point
		file string
	}
	drawnLine struct {
		drawing.Line
		file string
	}
	drawnArea struct {
		drawing.Area
		file string
	}
)

// length refuses one that is not there.
func (r *laneReader) length(field string, l *lane.Length) float64 {
	if l == nil {
		r.refuse(field, "nothing", lane.Length(0).Expected())
		return 0
	}
	return float64(*l)
}

// form judges what can be judged by itself: names, and whether all is there.
func (r *laneReader) form() {
	f := &r.file
	r.name("name", f.Name)
	regions := lora.Regions()
	if !slices.Contains(regions, f.Region) {
		found := "nothing"
		if f.Region != "" {
			found = quote(f.Region)
		}
		r.refuse("region", found, `the one whose rules hold there, of "`+strings.Join(regions, `", "`)+`"`)
	}
	if f.Origin != nil && f.Origin.Local != nil {
		r.refuse("origin", "metres", `where on the globe "0 m E, 0 m N" lies: degrees such as "44.50120 N, 30.49830 W"`)
	}
	if f.Origin != nil && f.Origin.Globe != nil {
		if found, expected, hint := whereabouts(f.Region, *f.Origin.Globe); found != "" {
			r.doc.RefuseHint("origin", found, expected, hint)
		}
	}
	if n := len(f.Site); n == 0 || n > maxSites {
		r.refuse("site", fmt.Sprintf("%d sites", n), fmt.Sprintf("1 to %d tables [site.NAME]", maxSites))
	}
	for _, name := range slices.Sorted(maps.Keys(f.Site)) {
		s, at := f.Site[name], join("site", name)
		r.name(at, name)
		r.length(at+".antenna_height", s.AntennaHeight)
		r.text(at+".waypoint", s.Waypoint, 256)
		if s.At != nil && s.Waypoint != "" {
			r.refuse(at+".waypoint", quote(s.Waypoint)+" beside a place", "one of at and waypoint")
		}
	}
	for _, name := range slices.Sorted(maps.Keys(f.Zone)) {
		z, at := f.Zone[name], join("zone", name)
		r.name(at, name)
		r.missing(at+".site", z.Site, "the name of the site whose node watches it")
		for i, b := range z.Beam {
			beam := element(at+".beam", i)
			r.length(beam+".length", b.Length)
			r.length(beam+".height", b.Height)
		}
	}
	for i, c := range f.Cover {
		at := element("cover", i)
		r.length(at+".height", c.Height)
		r.text(at+".name", c.Name, 64)
	}
	r.formTerrain()
	r.several("geometry", f.Geometry, maxDrawings)
}

// said has those words and numbers judged that mean the same wherever things lie, so that a file in which something kept the place from
// being judged is told of these as well. What has been refused before is not told again.
func (r *laneReader) said() {
	f := &r.file
	var l lane.Lane
	for _, name := range slices.Sorted(maps.Keys(f.Site)) {
		l.Sites = append(l.Sites, siteOf(Key(name), f.Site[name]))
	}
	for _, name := range slices.Sorted(maps.Keys(f.Zone)) {
		l.Zones = append(l.Zones, zoneOf(Key(name), f.Zone[name]))
	}
	for _, c := range f.Cover {
		l.Cover = append(l.Cover, coverOf(c))
	}
	if f.Terrain != nil {
		for _, h := range f.Terrain.Hill {
			l.Terrain.Hills = append(l.Terrain.Hills, lane.Hill{Height: metres(h.Height), Radius: metres(h.Radius)})
		}
	}
	for _, e := range l.CheckSaid() {
		r.doc.RefuseHint(e.Path, e.Found, e.Expected, e.Hint)
	}
}

// metres is a length, or 0 if there is none.
func metres(l *lane.Length) float64 {
	if l == nil {
		return 0
	}
	return float64(*l)
}

// siteOf is a site as the file has it, its place apart.
func siteOf(name string, s laneSite) lane.Site {
	return lane.Site{Name: name, Role: s.Role, AntennaHeight: metres(s.AntennaHeight), AntennaGain: float64(s.AntennaGain),
		CableLoss: float64(s.CableLoss), Ground: (*float64)(s.Ground), Power: s.Power, Annunciator: s.Annunciator}
}

func zoneOf(name string, z laneZone) lane.Zone {
	zone := lane.Zone{Name: name, Site: z.Site, NormallyClosed: z.NormallyClosed, Supervised: z.Supervised, Unpowered: z.Unpowered}
	for _, b := range z.Beam {
		zone.Beams = append(zone.Beams, lane.Beam{Along: float64(b.Along), Length: metres(b.Length), Height: metres(b.Height), Range: float64(b.Range)})
	}
	return zone
}

// coverOf is cover as the file has it, its area apart.
func coverOf(c laneCover) lane.Cover {
	return lane.Cover{Name: c.Name, Kind: c.Kind, Height: metres(c.Height), Density: c.Density, Leaf: c.InLeaf, Walls: c.Walls}
}

func (r *laneReader) formTerrain() {
	t := r.file.Terrain
	const form = "one of height (the ground is flat), spot (heights that you know) and tiles (from a radar): without any nobody knows whether a hill is in the way"
	if t == nil {
		r.refuse("terrain", "nothing", "a table [terrain] with "+form)
		return
	}
	said := 0
	for _, there := range []bool{t.Height != nil, len(t.Spot) > 0, len(t.Tiles) > 0} {
		if there {
			said++
		}
	}
	if said != 1 {
		r.refuse("terrain", []string{"none of them", "", "two of them", "all three"}[said], form)
	}
	for i, s := range t.Spot {
		at := element("terrain.spot", i)
		r.length(at+".height", s.Height)
		r.need(at+".at", s.At)
	}
	for i, h := range t.Hill {
		at := element("terrain.hill", i)
		r.length(at+".height", h.Height)
		r.length(at+".radius", h.Radius)
		r.need(at+".at", h.At)
	}
	if n := len(t.Spot); n > lane.MaxSpots {
		r.refuse("terrain.spot", fmt.Sprintf("%d spots", n), fmt.Sprintf("%d at the most", lane.MaxSpots))
	}
	r.several("terrain.tiles", t.Tiles, maxLaneTiles)
}

func (r *laneReader) need(field string, p *lane.Place) {
	if p == nil {
		r.refuse(field, "nothing", lane.Place{}.Expected())
	}
}

// several checks names of files.
func (r *laneReader) several(field string, names []string, most int) {
	if len(names) > most {
		r.refuse(field, fmt.Sprintf("%d files", len(names)), fmt.Sprintf("%d at the most", most))
	}
	for i, name := range names {
		at := element(field, i)
		if name == "" || len(name) > 1024 || !printable(name) {
			r.refuse(at, quote(name), "the name of a file beside this one, or a full path")
		} else if slices.Contains(names[:i], name) {
			r.refuse(at, quote(name)+" again", "each file once")
		}
	}
}

// drawings reads what others have drawn.
func (r *laneReader) drawings() {
	for i, name := range r.file.Geometry {
		at := element("geometry", i)
		parse := drawing.ParseGeoJSON
		switch strings.ToLower(filepath.Ext(name)) {
		case ".gpx":
			parse = drawing.ParseGPX
		case ".geojson", ".json":
		default:
			r.refuse(at, quote(name), `a file whose name ends in ".geojson", ".json" or ".gpx", which tells what is in it`)
			continue
		}
		data, err := r.read(name, drawing.MaxSize)
		if err != nil {
			r.checker.file(at, err, "a drawing in GeoJSON, or a walk in GPX")
			continue
		}
		d, err := parse(data)
		if err != nil {
			r.told(name, err)
			continue
		}
		for _, p := range d.Points {
			r.points = append(r.points, drawnPoint{p, name})
		}
		for _, l := range d.Lines {
			r.lines = append(r.lines, drawnLine{l, name})
		}
		for _, a := range d.Areas {
			r.areas = append(r.areas, drawnArea{a, name})
		}
	}
}

// told records the mistakes of a drawing.
func (r *laneReader) told(file string, err error) {
	if list, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range list.Unwrap() {
			r.told(file, e)
		}
		return
	}
	var e *drawing.Error
	if errors.As(err, &e) {
		r.other(file, e.Position, e.Field, e.Found, e.Expected, e.Hint)
	}
}

// other records a mistake in a file that the lane file names.
func (r *laneReader) other(file string, at drawing.Position, field, found, expected, hint string) {
	if !r.doc.full() {
		r.doc.add(&Problem{File: beside(r.base, file), Line: at.Line, Col: at.Col, Field: field, Found: found, Expected: expected, Hint: hint})
	}
}

// waypoint finds the point of a name among the drawings. Small letters, and "-" for a space, do not count.
func (r *laneReader) waypoint(field, name string) (found *drawnPoint) {
	fold := func(s string) string { return strings.NewReplacer(" ", "-", "_", "-").Replace(strings.ToLower(s)) }
	var names []string
	for i := range r.points {
		p := &r.points[i]
		names = append(names, p.Name)
		if fold(p.Name) != fold(name) {
			continue
		}
		if found != nil {
			r.refuse(field, fmt.Sprintf("two points %s, in line %d of %s and in line %d of %s", quote(name), found.Line, found.file, p.Line, p.file), "one; rename the other in its file")
			return nil
		}
		found = p
	}
	if found != nil {
		return found
	}
	hint := ""
	if near := nearest(name, names); near != "" {
		hint = fmt.Sprintf("did you mean waypoint = %q?", near)
	}
	what := fmt.Sprintf("no point %s in %s", quote(name), strings.Join(r.file.Geometry, ", "))
	if len(r.file.Geometry) == 0 {
		what = "nothing"
	}
	r.doc.RefuseHint(field, what, "its place: "+lane.Place{}.Expected()+", or a point of that name in a file of geometry", hint)
	return nil
}

// places brings all on one plane.
func (r *laneReader) places() {
	f := &r.file
	names := slices.Sorted(maps.Keys(f.Site))
	at := map[string]sitePlace{}
	for _, name := range names {
		s := f.Site[name]
		switch {
		case s.At != nil:
			at[name] = sitePlace{Place: *s.At}
		case s.Waypoint != "":
			if p := r.waypoint(join("site", name)+".waypoint", s.Waypoint); p != nil {
				at[name] = sitePlace{lane.Place{Globe: &p.At}, p}
			}
		default:
			if p := r.waypoint(join("site", name)+".at", name); p != nil {
				at[name] = sitePlace{lane.Place{Globe: &p.At}, p}
			}
		}
	}
	if r.doc.Err() != nil {
		return
	}
	r.origin(at)
	if r.doc.Err() != nil {
		return
	}
	for _, name := range names {
		site := siteOf(name, f.Site[name])
		site.At = r.siteAt(join("site", name)+".at", at[name])
		r.lane.Sites = append(r.lane.Sites, site)
	}
	for _, name := range slices.Sorted(maps.Keys(f.Zone)) {
		r.lane.Zones = append(r.lane.Zones, zoneOf(name, f.Zone[name]))
	}
	r.lane.Name, r.lane.Region = f.Name, f.Region
	r.course()
	r.cover()
}

// sitePlace is where a site is, and the point of a drawing that says so, if one does.
type sitePlace struct {
	lane.Place
	drawn *drawnPoint
}

// refuseSite tells what is wrong with a site's place, where the number stands.
func (r *laneReader) refuseSite(field string, p sitePlace, found, expected, hint string) {
	if d := p.drawn; d != nil {
		r.other(d.file, d.Position, d.Field, quote(d.Name)+" at "+found, expected, inDrawing(d.file, hint))
		return
	}
	r.doc.RefuseHint(field, found, expected, hint)
}

// siteAt is local for a site.
func (r *laneReader) siteAt(field string, p sitePlace) lane.Point {
	if p.drawn == nil || r.plane == nil {
		return r.local(field, p.Place)
	}
	at, found, expected, hint := r.onPlane(*p.Globe)
	if found != "" {
		r.refuseSite(field, p, found, expected, hint)
	}
	return at
}

// origin finds where on the globe the plane touches: where the file says, or at the only gateway, which must then be in the region.
func (r *laneReader) origin(at map[string]sitePlace) {
	origin := r.file.Origin
	if origin == nil {
		gateway := ""
		for name, s := range r.file.Site {
			if p := at[name]; s.Role == lane.RoleGateway && p.Globe != nil {
				if origin != nil {
					return // two: which of them is for the file to say
				}
				gateway, origin = name, &p.Place
			}
		}
		if origin != nil {
			if found, expected, hint := whereabouts(r.file.Region, *origin.Globe); found != "" {
				r.refuseSite(join("site", gateway)+".at", at[gateway], found, expected, hint)
				return
			}
		}
	}
	if origin != nil && origin.Globe != nil {
		r.lane.Origin, r.plane = origin.Globe, lane.NewPlane(*origin.Globe)
	}
}

// local is where a place lies on the plane.
func (r *laneReader) local(field string, p lane.Place) lane.Point {
	if p.Local != nil {
		return *p.Local
	}
	if p.Globe == nil { // refused already
		return lane.Point{}
	}
	at, found, expected, hint := r.onPlane(*p.Globe)
	switch {
	case found == "":
	case r.plane == nil:
		r.refuse("origin", found, expected)
	default:
		r.doc.RefuseHint(field, found, expected, hint)
	}
	return at
}

// onPlane is local for a place on the globe; found is "" if it has one there.
func (r *laneReader) onPlane(at lane.LatLon) (p lane.Point, found, expected, hint string) {
	if r.plane == nil {
		return p, "nothing", `where on the globe "0 m E, 0 m N" lies, such as "44.50120 N, 30.49830 W", since places are in degrees; without this key the only gateway serves, if its place is in degrees too`, ""
	}
	near := func(at lane.LatLon) bool { return r.plane.Distance(at) <= lane.Reach }
	if d := r.plane.Distance(at); d > lane.Reach {
		return p, fmt.Sprintf("%v, %.0f km from the origin", at, d/1000),
			fmt.Sprintf("a place within %d km: one this far off has probably been mistyped", lane.Reach/1000), hintFor(at, near)
	}
	return r.plane.Local(at), "", "", ""
}

func (r *laneReader) locals(field string, list []lane.Place) []lane.Point {
	out := make([]lane.Point, len(list))
	for i, p := range list {
		out[i] = r.local(element(field, i), p)
	}
	return out
}

// course takes the file's own, or the line of the drawings that is called lane, or the only one there is.
func (r *laneReader) course() {
	if r.doc.Has("course") {
		r.lane.Course = r.locals("course", r.file.Course)
		return
	}
	pick, names := -1, []string{}
	for i, l := range r.lines {
		names = append(names, quote(l.Name))
		if strings.EqualFold(l.Name, "lane") {
			if pick >= 0 {
				r.refuse("geometry", "two lines called lane", "one, the course of the lane")
				return
			}
			pick = i
		}
	}
	switch {
	case len(r.lines) == 1:
		pick = 0
	case len(r.lines) > 1 && pick < 0:
		r.refuse("geometry", "the lines "+strings.Join(names[:min(len(names), 10)], ", "), `one that is called "lane", the course of the lane; or the key course`)
		return
	case pick < 0:
		return
	}
	l := r.lines[pick]
	r.drawnCourse = &l
	for _, at := range l.At {
		p, found, expected, hint := r.onPlane(at)
		if found != "" {
			r.other(l.file, l.Position, l.Field, found, expected, inDrawing(l.file, hint))
			return
		}
		r.lane.Course = append(r.lane.Course, p)
	}
}

// cover takes the file's own, and behind it that of the drawings.
func (r *laneReader) cover() {
	for i, c := range r.file.Cover {
		at := element("cover", i)
		cover := coverOf(c)
		if len(c.Area) > 0 {
			cover.Area = lane.Area{r.locals(at+".area", c.Area)}
			for j, hole := range c.Hole {
				cover.Area = append(cover.Area, r.locals(element(at+".hole", j), hole))
			}
		}
		r.lane.Cover = append(r.lane.Cover, cover)
	}
	r.from = map[int]string{}
	for _, a := range r.areas {
		cover := a.Cover
		for _, ring := range a.Rings {
			var local []lane.Point
			for _, at := range ring {
				p, found, expected, hint := r.onPlane(at)
				if found != "" {
					r.other(a.file, a.Position, a.Field, found, expected, inDrawing(a.file, hint))
					break
				}
				local = append(local, p)
			}
			cover.Area = append(cover.Area, local)
		}
		r.drawn[len(r.lane.Cover)], r.from[len(r.lane.Cover)] = a.Area, a.file
		r.lane.Cover = append(r.lane.Cover, cover)
	}
}

func (r *laneReader) terrain() {
	t := r.file.Terrain
	switch {
	case t.Height != nil:
		r.checkHeight("terrain.height", float64(*t.Height))
		r.lane.Terrain = lane.Flat(float64(*t.Height))
	case len(t.Spot) > 0:
		r.spots(t.Spot)
	default:
		r.tiles(t.Tiles)
	}
	for i, h := range t.Hill {
		r.lane.Terrain.Hills = append(r.lane.Terrain.Hills, lane.Hill{At: r.local(element("terrain.hill", i)+".at", *h.At),
			Height: float64(*h.Height), Radius: float64(*h.Radius)})
	}
}

func (r *laneReader) checkHeight(field string, h float64) {
	if h < -500 || h > 9000 {
		r.refuse(field, quote(lane.Length(h).String()), "a height above the sea, -500 m to 9000 m")
	}
}

func (r *laneReader) spots(list []laneSpot) {
	spots := make([]lane.Spot, len(list))
	for i, s := range list {
		at := element("terrain.spot", i)
		spots[i] = lane.Spot{At: r.local(at+".at", *s.At), Height: float64(*s.Height)}
		r.checkHeight(at+".height", spots[i].Height)
		if d := spots[i].At.Distance(lane.Point{}); d > lane.Reach {
			r.refuse(at+".at", fmt.Sprintf("a place %.0f km from the origin", d/1000), fmt.Sprintf("one within %d km", lane.Reach/1000))
		}
		for j := range i {
			if spots[j].At.Distance(spots[i].At) < 1 {
				r.refuse(at+".at", fmt.Sprintf("the place of terrain.spot[%d] again", j), "one height for one place: spots a metre apart or more")
				break
			}
		}
	}
	if r.doc.Err() != nil {
		return
	}
	terrain, err := lane.FromSpots(spots)
	if err != nil {
		r.refuse("terrain.spot", err.Error(), "spots at different places")
	}
	r.lane.Terrain = terrain
}

func (r *laneReader) tiles(names []string) {
	if r.plane == nil {
		r.refuse("origin", "nothing", `where on the globe "0 m E, 0 m N" lies, such as "44.50120 N, 30.49830 W", since tiles are on the globe`)
		return
	}
	var list []*lane.Tile
	for i, name := range names {
		at := element("terrain.tiles", i)
		data, err := r.read(name, lane.MaxTile)
		if err != nil {
			r.checker.file(at, err, "a tile of terrain such as N44W031.hgt")
			continue
		}
		tile, wrong := lane.ParseTile(filepath.ToSlash(name), data)
		if wrong != nil {
			r.refuse(at, wrong.Found, wrong.Expected)
			continue
		}
		list = append(list, tile)
	}
	r.lane.Terrain = lane.FromTiles(list, r.plane)
}

// judge has the place itself judged, and tells each mistake where it was written.
func (r *laneReader) judge() {
	for _, e := range r.lane.Check() {
		if l := r.drawnCourse; l != nil && e.Path == "course" {
			r.other(l.file, l.Position, l.Field, e.Found, e.Expected, e.Hint)
			continue
		}
		var i int
		var rest string
		if n, _ := fmt.Sscanf(e.Path, "cover[%d].%s", &i, &rest); n == 2 {
			if a, ok := r.drawn[i]; ok {
				r.other(r.from[i], a.Position, a.Field+"."+rest, e.Found, e.Expected, e.Hint)
				continue
			}
		}
		r.doc.RefuseHint(e.Path, e.Found, e.Expected, e.Hint)
	}
}
