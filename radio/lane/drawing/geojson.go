package drawing

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"longlane/radio/lane"
)

// ParseGeoJSON reads GeoJSON (RFC 7946): a FeatureCollection or a Feature. Positions are longitude and latitude on WGS 84; a
// height beside them is passed over, as it is above the ellipsoid. Properties are those of this project:
//
//	Point                   "name": what the lane file finds it by; without one it is passed over
//	LineString              "name"
//	Polygon, MultiPolygon   "cover": a lane.Kind, or "none" for what does not stand in the way; "name", "height" ("6 m"), "density",
//	                        "in_leaf" ("apr-oct") and "walls" as in a lane file
//
// Others are left to those they belong to, and so are features without a geometry. Rings may turn either way, and the parts of what
// is cut at the 180th meridian are areas each. The error, if any, joins *Errors.
func ParseGeoJSON(data []byte) (*Drawing, error) {
	// RFC 8259, section 8.1, lets a reader pass over a byte order mark, which some editors write.
	r := geoReader{data: bytes.TrimPrefix(data, []byte("\ufeff")), out: &Drawing{}}
	if len(data) > MaxSize {
		r.add(Position{1, 1}, "(file)", fmt.Sprintf("%d bytes", len(data)), fmt.Sprintf("%d at the most", MaxSize))
		return nil, r.err()
	}
	if !utf8.Valid(data) {
		r.add(Position{1, 1}, "(file)", "bytes that are not UTF-8", "GeoJSON, which is (RFC 7946, RFC 8259)")
		return nil, r.err()
	}
	r.file()
	if err := r.err(); err != nil {
		return nil, err
	}
	return r.out, nil
}

type geoReader struct {
	problems
	data      []byte
	out       *Drawing
	positions int
}

// place turns an offset into line and column, which counts characters.
func (r *geoReader) place(off int) Position {
	before := r.data[:min(off, len(r.data))]
	start := bytes.LastIndexByte(before, '\n') + 1
	return Position{bytes.Count(before, []byte{'\n'}) + 1, utf8.RuneCount(before[start:]) + 1}
}

// syntax tells what is no JSON.
func (r *geoReader) syntax(off int64, err error) {
	var se *json.SyntaxError
	if errors.As(err, &se) {
		off = max(se.Offset-1, 0)
	}
	what := err.Error()
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || strings.Contains(what, "unexpected end") {
		what, off = "the end of the file", int64(len(r.data))
	}
	r.add(r.place(int(off)), "(file)", "text that is not JSON: "+what, "GeoJSON (RFC 7946)")
}

// member is a feature with where it stands.
type member struct {
	raw json.RawMessage
	at  Position
}

// file walks the outermost object, since only that tells where each feature stands.
func (r *geoReader) file() {
	const form = `an object of "type": "FeatureCollection" or "Feature"`
	if err := json.Unmarshal(r.data, new(json.RawMessage)); err != nil { // all of it, before anything of it is believed
		r.syntax(0, err)
		return
	}
	d := json.NewDecoder(bytes.NewReader(r.data))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		r.add(r.place(0), "(file)", "no object", form)
		return
	}
	kind, list := "", []member(nil)
	for d.More() {
		key, err := d.Token()
		if err != nil {
			r.syntax(d.InputOffset(), err)
			return
		}
		switch at := r.place(r.start(d)); key {
		case "type":
			if err := d.Decode(&kind); err != nil {
				r.add(at, "type", "no text", form)
				return
			}
		case "features":
			if list, err = r.features(d); err != nil {
				r.add(at, "features", "no list", "the features in [ ]")
				return
			}
		case "crs":
			var raw json.RawMessage
			if err := d.Decode(&raw); err != nil {
				r.syntax(d.InputOffset(), err)
				return
			}
			if s := string(raw); s != "null" && !strings.Contains(s, "CRS84") {
				r.add(at, "crs", "another coordinate system", "none: longitude and latitude on WGS 84 (RFC 7946, section 4); export it again in that")
			}
		default:
			if err := d.Decode(new(json.RawMessage)); err != nil {
				r.syntax(d.InputOffset(), err)
				return
			}
		}
	}
	switch kind {
	case "FeatureCollection":
		for i, m := range list {
			r.feature(fmt.Sprintf("features[%d]", i), m)
		}
	case "Feature":
		r.feature("(feature)", member{r.data, r.place(0)})
	default:
		r.add(r.place(0), "type", shown(kind), form)
	}
}

// start is where the next value stands.
func (r *geoReader) start(d *json.Decoder) int {
	off := int(d.InputOffset())
	for off < len(r.data) && strings.IndexByte(" \t\r\n:,", r.data[off]) >= 0 {
		off++
	}
	return off
}

func (r *geoReader) features(d *json.Decoder) (list []member, err error) {
	if t, err := d.Token(); err != nil || t != json.Delim('[') {
		return nil, errors.New("no list")
	}
	// Lines are counted on from feature to feature: from the start each time, they would take time with the square of them.
	off, line, lineStart := 0, 1, 0
	for d.More() {
		start := r.start(d)
		for i := off; i < start; i++ {
			if r.data[i] == '\n' {
				line, lineStart = line+1, i+1
			}
		}
		off = start
		m := member{at: Position{line, utf8.RuneCount(r.data[lineStart:start]) + 1}}
		if start-lineStart > 1<<16 { // all in one line: the column of a byte is near enough
			m.at.Col = start - lineStart + 1
		}
		if err := d.Decode(&m.raw); err != nil {
			return nil, err
		}
		list = append(list, m)
	}
	_, err = d.Token()
	return list, err
}

// object is a JSON object, nil if raw is none. Keys count letter for letter.
func object(raw json.RawMessage) (o map[string]json.RawMessage) {
	_ = json.Unmarshal(raw, &o)
	return o
}

// text is a JSON text; ok is false if raw is none.
func text(raw json.RawMessage) (s string, ok bool) {
	var p *string
	if json.Unmarshal(raw, &p) != nil || p == nil {
		return "", false
	}
	return *p, true
}

func (r *geoReader) feature(field string, m member) {
	f := object(m.raw)
	if kind, _ := text(f["type"]); kind != "Feature" {
		r.add(m.at, field+".type", shown(kind), `"Feature"`)
		return
	}
	if g := f["geometry"]; g == nil || string(g) == "null" {
		return
	}
	g, props := object(f["geometry"]), object(f["properties"])
	kind, _ := text(g["type"])
	name := ""
	if raw, ok := props["name"]; ok && string(raw) != "null" {
		if name, ok = text(raw); !ok || len(name) > maxName {
			r.add(m.at, field+".properties.name", "no text, or a long one", fmt.Sprintf("a text of at most %d bytes", maxName))
			return
		}
	}
	at := field + ".geometry.coordinates"
	switch kind {
	case "Point":
		var p [1]position
		if r.decode(m.at, at, g["coordinates"], &p[0]) && name != "" && r.judge(m.at, at, p[:]) {
			r.out.Points = append(r.out.Points, Point{m.at, field, name, p[0].LatLon})
		}
	case "LineString":
		var ps []position
		if !r.decode(m.at, at, g["coordinates"], &ps) || !r.judge(m.at, at, ps) {
			return
		}
		if len(ps) < 2 {
			r.add(m.at, at, fmt.Sprintf("%d positions", len(ps)), "two or more")
			return
		}
		r.out.Lines = append(r.out.Lines, Line{m.at, field, name, latLons(ps)})
	case "Polygon":
		var rings [][]position
		if r.decode(m.at, at, g["coordinates"], &rings) {
			r.area(field, at, m.at, name, props, rings)
		}
	case "MultiPolygon":
		var parts [][][]position
		if r.decode(m.at, at, g["coordinates"], &parts) {
			for i, rings := range parts {
				r.area(field, fmt.Sprintf("%s[%d]", at, i), m.at, name, props, rings)
			}
		}
	default:
		r.add(m.at, field+".geometry.type", shown(kind), `"Point", "LineString", "Polygon" or "MultiPolygon"; draw it as these, or leave it out`)
	}
}

// maxName bounds a name, in bytes.
const maxName = 256

// position is one of RFC 7946, section 3.1.1. wrong says what is wrong with it, beyond its range.
type position struct {
	lane.LatLon
	wrong string
}

// UnmarshalJSON wants two numbers or more: null is none, though the json package would read it as 0.
func (p *position) UnmarshalJSON(raw []byte) error {
	var list []*float64
	if err := json.Unmarshal(raw, &list); err != nil || len(list) < 2 || list[0] == nil || list[1] == nil {
		p.wrong = shown(string(raw))
		return nil
	}
	p.Lon, p.Lat = *list[0], *list[1]
	return nil
}

// decode reads coordinates of one depth.
func (r *geoReader) decode(at Position, field string, raw json.RawMessage, into any) bool {
	if raw == nil || string(raw) == "null" || json.Unmarshal(raw, into) != nil {
		r.add(at, field, "no coordinates, or not as deep in [ ] as this geometry has them", "coordinates as in RFC 7946, section 3.1")
		return false
	}
	return true
}

func (r *geoReader) judge(at Position, field string, list []position) bool {
	if r.positions += len(list); r.positions > MaxPositions {
		r.add(at, field, fmt.Sprintf("more than %d positions in the file", MaxPositions), "fewer: draw it more simply")
		return false
	}
	for i, p := range list {
		if p.wrong == "" && p.Valid() {
			continue
		}
		found, hint := p.wrong, ""
		if found == "" {
			found = fmt.Sprintf("[%v, %v]", p.Lon, p.Lat)
			if exchanged(p.LatLon) {
				hint = LongitudeFirst
			}
		}
		r.addHint(at, fmt.Sprintf("%s[%d]", field, i), found, "two numbers: "+degrees, hint)
		return false
	}
	return true
}

func latLons(list []position) []lane.LatLon {
	out := make([]lane.LatLon, len(list))
	for i, p := range list {
		out[i] = p.LatLon
	}
	return out
}

func (r *geoReader) area(field, coords string, at Position, name string, props map[string]json.RawMessage, rings [][]position) {
	a := Area{Position: at, Field: field}
	for i, ring := range rings {
		here := fmt.Sprintf("%s[%d]", coords, i)
		if !r.judge(at, here, ring) {
			return
		}
		if n := len(ring); n < 4 || ring[0] != ring[n-1] {
			r.add(at, here, fmt.Sprintf("a ring of %d positions that is not closed, or has no area", n), "four or more, the last as the first (RFC 7946, section 3.1.6)")
			return
		}
		a.Rings = append(a.Rings, latLons(ring[:len(ring)-1]))
	}
	if len(rings) == 0 {
		r.add(at, coords, "no ring", "one, and holes if there are any")
		return
	}
	kind, ok := text(props["cover"])
	switch {
	case !ok:
		r.add(at, field+".properties.cover", "nothing", `what stands there: "wood", "orchard", "hedge" or "building"; or "none" for what does not stand in the way`)
		return
	case kind == "none":
		return
	}
	before := len(r.problems)
	a.Cover = lane.Cover{Name: name, Kind: lane.Kind(kind)}
	a.Cover.Height = float64(read[lane.Length](r, at, field, props, "height"))
	a.Cover.Density = lane.Density(r.word(at, field, props, "density"))
	a.Cover.Walls = lane.Walls(r.word(at, field, props, "walls"))
	if raw, ok := props["in_leaf"]; ok && string(raw) != "null" {
		m := read[lane.Months](r, at, field, props, "in_leaf")
		a.Cover.Leaf = &m
	}
	if len(r.problems) == before {
		r.out.Areas = append(r.out.Areas, a)
	}
}

// read reads a property of a text type, which tells what it expects.
func read[T any, P interface {
	*T
	UnmarshalText([]byte) error
	Expected() string
}](r *geoReader, at Position, field string, props map[string]json.RawMessage, key string) (v T) {
	s, ok := text(props[key])
	if ok && P(&v).UnmarshalText([]byte(s)) == nil {
		return v
	}
	found := "nothing"
	if raw, is := props[key]; is {
		found = shown(string(raw))
		if ok {
			found = shown(s)
		}
	}
	r.add(at, field+".properties."+key, found, P(&v).Expected())
	return v
}

func (r *geoReader) word(at Position, field string, props map[string]json.RawMessage, key string) string {
	raw, ok := props[key]
	if !ok || string(raw) == "null" {
		return ""
	}
	s, ok := text(raw)
	if !ok {
		r.add(at, field+".properties."+key, shown(string(raw)), "a text")
	}
	return s
}
