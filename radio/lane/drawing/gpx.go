package drawing

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"

	"longlane/radio/lane"
)

// gpxSpace is the namespace of GPX 1.1. Source: its schema, www.topografix.com/GPX/1/1/gpx.xsd, from memory.
const gpxSpace = "http://www.topografix.com/GPX/1/1"

// ParseGPX reads GPX 1.1: waypoints as points, routes and tracks as lines (the parts of a track one after the other), each by its
// name. Waypoints without one are passed over, and so are heights, which a phone measures worse than a map tells them, and all that
// else is in it. The error, if any, joins *Errors.
func ParseGPX(data []byte) (*Drawing, error) {
	r := gpxReader{out: &Drawing{}}
	if len(data) > MaxSize {
		r.add(Position{1, 1}, "(file)", fmt.Sprintf("%d bytes", len(data)), fmt.Sprintf("%d at the most", MaxSize))
		return nil, r.err()
	}
	r.d = xml.NewDecoder(bytes.NewReader(data))
	r.file()
	if err := r.err(); err != nil {
		return nil, err
	}
	return r.out, nil
}

type gpxReader struct {
	problems
	d         *xml.Decoder
	out       *Drawing
	positions int

	path  []string // names of the open elements; "" for those of other namespaces
	point Point    // the open waypoint
	line  Line     // the open route or track
	name  *string  // where text goes
}

// maxNesting is how deep elements may stand in each other.
const maxNesting = 64

func (r *gpxReader) at() Position {
	line, col := r.d.InputPos()
	return Position{line, col}
}

func (r *gpxReader) file() {
	root := false
	for len(r.problems) < maxProblems && r.positions <= MaxPositions {
		at := r.at()
		token, err := r.d.Token()
		if errors.Is(err, io.EOF) {
			if !root {
				r.add(Position{1, 1}, "(file)", "no element", "GPX 1.1: <gpx version=\"1.1\" xmlns=\""+gpxSpace+"\">")
			}
			return
		}
		if err != nil {
			r.add(r.at(), "(file)", "text that is not XML: "+strings.TrimPrefix(err.Error(), "XML syntax error on "), "GPX 1.1")
			return
		}
		switch t := token.(type) {
		case xml.StartElement:
			if len(r.path) >= maxNesting {
				r.add(at, "(file)", "elements nested too deeply", fmt.Sprintf("%d deep at the most", maxNesting))
				return
			}
			if len(r.path) == 0 && !r.root(at, t) {
				return
			}
			root = true
			r.open(at, t)
		case xml.EndElement:
			r.close()
		case xml.CharData:
			if r.name != nil && len(*r.name)+len(t) <= maxName {
				*r.name += string(t)
			}
		}
	}
}

func (r *gpxReader) root(at Position, t xml.StartElement) bool {
	if t.Name.Local != "gpx" || t.Name.Space != gpxSpace || attribute(t, "version") != "1.1" {
		r.add(at, t.Name.Local, fmt.Sprintf("<%s version=%q> of the namespace %s", t.Name.Local, attribute(t, "version"), shown(t.Name.Space)),
			fmt.Sprintf("GPX 1.1: <gpx version=\"1.1\" xmlns=%q>", gpxSpace))
		return false
	}
	return true
}

func attribute(t xml.StartElement, name string) string {
	for _, a := range t.Attr {
		if a.Name.Local == name && a.Name.Space == "" {
			return a.Value
		}
	}
	return ""
}

func (r *gpxReader) open(at Position, t xml.StartElement) {
	name := t.Name.Local
	if t.Name.Space != gpxSpace {
		name = ""
	}
	r.path = append(r.path, name)
	switch path := strings.Join(r.path, "/"); path {
	case "gpx/wpt":
		r.point = Point{Position: at, Field: "wpt"}
		r.point.At, _ = r.place(at, "wpt", t)
	case "gpx/rte", "gpx/trk":
		r.line = Line{Position: at, Field: name}
	case "gpx/rte/rtept", "gpx/trk/trkseg/trkpt":
		if p, ok := r.place(at, name, t); ok {
			r.line.At = append(r.line.At, p)
		}
	case "gpx/wpt/name":
		r.point.Name, r.name = "", &r.point.Name
	case "gpx/rte/name", "gpx/trk/name":
		r.line.Name, r.name = "", &r.line.Name
	default:
		r.name = nil // text within an element within a name is none of it
	}
}

func (r *gpxReader) close() {
	switch strings.Join(r.path, "/") {
	case "gpx/wpt":
		if r.point.Name = strings.TrimSpace(r.point.Name); r.point.Name != "" {
			r.out.Points = append(r.out.Points, r.point)
		}
	case "gpx/rte", "gpx/trk":
		if r.line.Name = strings.TrimSpace(r.line.Name); len(r.line.At) > 1 {
			r.out.Lines = append(r.out.Lines, r.line)
		}
	}
	r.name, r.path = nil, r.path[:len(r.path)-1]
}

// place reads the attributes lat and lon.
func (r *gpxReader) place(at Position, field string, t xml.StartElement) (p lane.LatLon, ok bool) {
	lat, lon := attribute(t, "lat"), attribute(t, "lon")
	var errLat, errLon error
	p.Lat, errLat = lane.Decimal(lat)
	p.Lon, errLon = lane.Decimal(lon)
	if errLat != nil || errLon != nil || !p.Valid() {
		hint := ""
		if errLat == nil && errLon == nil && exchanged(p) {
			hint = Swapped
		}
		r.addHint(at, field, fmt.Sprintf("lat=%s lon=%s", shown(lat), shown(lon)), degrees, hint)
		return p, false
	}
	if r.positions++; r.positions > MaxPositions {
		r.add(at, field, fmt.Sprintf("more than %d positions in the file", MaxPositions), "fewer: leave the long tracks out")
		return p, false
	}
	return p, true
}
