package drawing

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"longlane/radio/lane"
)

// told are the messages of an error, a line each.
func told(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}

const orchard = `{"type": "FeatureCollection", "features": [
  {"type": "Feature", "properties": {"name": "house", "marker": 7}, "geometry": {"type": "Point", "coordinates": [-30.5, 44.5, 412.0]}},
  {"type": "Feature", "properties": {"name": "lane"}, "geometry": {"type": "LineString", "coordinates": [[-30.49, 44.5], [-30.5, 44.5]]}},
  {"type": "Feature", "properties": {"cover": "orchard", "height": "5 m", "density": "medium", "in_leaf": "apr-oct"},
   "geometry": {"type": "Polygon", "coordinates": [
     [[-30.4, 44.4], [-30.3, 44.4], [-30.3, 44.5], [-30.4, 44.4]],
     [[-30.39, 44.41], [-30.38, 44.41], [-30.38, 44.42], [-30.39, 44.41]]]}},
  {"type": "Feature", "properties": {"cover": "building", "height": "12 ft", "walls": "efficient"},
   "geometry": {"type": "MultiPolygon", "coordinates": [[[[179.9, 1], [180, 1], [180, 2], [179.9, 1]]], [[[-180, 1], [-179.9, 1], [-180, 2], [-180, 1]]]]}},
  {"type": "Feature", "properties": {"cover": "none", "name": "the meadow"},
   "geometry": {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [0, 1], [0, 0]]]}},
  {"type": "Feature", "properties": null, "geometry": null},
  {"type": "Feature", "properties": null, "geometry": {"type": "Point", "coordinates": [1, 2]}}
]}`

func TestGeoJSON(t *testing.T) {
	d, err := ParseGeoJSON([]byte(orchard))
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Points) != 1 || d.Points[0].Name != "house" || d.Points[0].At != (lane.LatLon{Lat: 44.5, Lon: -30.5}) || d.Points[0].Position != (Position{2, 3}) {
		t.Errorf("points = %+v", d.Points)
	}
	if len(d.Lines) != 1 || d.Lines[0].Name != "lane" || len(d.Lines[0].At) != 2 || d.Lines[0].At[0].Lon != -30.49 {
		t.Errorf("lines = %+v", d.Lines)
	}
	if len(d.Areas) != 3 {
		t.Fatalf("areas = %+v, want three", d.Areas)
	}
	o, b := d.Areas[0], d.Areas[2]
	if c := o.Cover; c.Kind != lane.Orchard || c.Height != 5 || c.Density != lane.Medium || !c.Leaf.Has(4) || c.Leaf.Has(11) || len(o.Rings) != 2 || len(o.Rings[1]) != 3 {
		t.Errorf("the orchard = %+v", o)
	}
	if b.Cover.Kind != lane.Building || b.Cover.Walls != lane.Efficient || math.Abs(b.Cover.Height-12*lane.Foot) > 1e-12 || b.Cover.Leaf != nil || b.Rings[0][1].Lon != -179.9 || b.Field != "features[3]" || b.Position != (Position{8, 3}) {
		t.Errorf("the building = %+v", b)
	}
	if marked, err := ParseGeoJSON([]byte("\ufeff" + orchard)); err != nil || len(marked.Areas) != 3 {
		t.Errorf("with a byte order mark: %+v, %v", marked, err)
	}
	one, err := ParseGeoJSON([]byte(`{"geometry":{"coordinates":[1,2],"type":"Point"},"properties":{"name":"a"},"type":"Feature"}`))
	if err != nil || len(one.Points) != 1 {
		t.Errorf("a feature alone = %+v, %v", one, err)
	}
}

func TestBadGeoJSON(t *testing.T) {
	feature := func(props, geometry string) string {
		return "{\"type\": \"FeatureCollection\", \"features\": [\n {\"type\": \"Feature\", \"properties\": " + props + ", \"geometry\": " + geometry + "}]}"
	}
	polygon := func(props, rings string) string {
		return feature(props, `{"type": "Polygon", "coordinates": `+rings+`}`)
	}
	const square = `[[[0,0],[1,0],[1,1],[0,0]]]`
	for name, c := range map[string]struct{ text, want string }{
		"empty":           {"", "1:1: (file): found text that is not JSON: the end of the file, expected GeoJSON"},
		"cut":             {"{\n\"type\": \"Featu", "2:15: (file): found text that is not JSON: the end of the file"},
		"no JSON":         {"{\n \"type\": nothing}", "2:11: (file): found text that is not JSON: invalid character 'o'"},
		"more behind it":  {"{} x", "1:4: (file): found text that is not JSON"},
		"a list":          {"[]", "(file): found no object"},
		"another type":    {`{"type": "Topology"}`, `type: found "Topology", expected an object of "type"`},
		"a bare geometry": {`{"type": "Point", "coordinates": [1, 2]}`, `type: found "Point"`},
		"features no list": {`{"type": "FeatureCollection",
 "features": 7}`, "2:14: features: found no list"},
		"no feature":          {`{"type": "FeatureCollection", "features": [7]}`, `1:44: features[0].type: found "", expected "Feature"`},
		"crs":                 {`{"type": "FeatureCollection", "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::25832"}}, "features": []}`, "crs: found another coordinate system"},
		"collection":          {feature("{}", `{"type": "GeometryCollection", "geometries": []}`), `2:2: features[0].geometry.type: found "GeometryCollection"`},
		"exchanged":           {feature("{}", `{"type": "LineString", "coordinates": [[44.5, -130.5], [44.6, -130.5]]}`), "features[0].geometry.coordinates[0]: found [44.5, -130.5], expected two numbers: longitude from -180 to 180 and latitude from -90 to 90, in degrees (WGS 84); are latitude and longitude swapped? GeoJSON has longitude first"},
		"null in a position":  {feature(`{"name": "a"}`, `{"type": "Point", "coordinates": [null, 5]}`), `features[0].geometry.coordinates[0]: found "[null, 5]"`},
		"null for latitude":   {feature(`{"name": "a"}`, `{"type": "Point", "coordinates": [5, null]}`), `features[0].geometry.coordinates[0]: found "[5, null]"`},
		"null as a position":  {feature("{}", `{"type": "LineString", "coordinates": [null, [1, 1]]}`), `features[0].geometry.coordinates[0]: found "null"`},
		"a text":              {feature(`{"name": "a"}`, `{"type": "Point", "coordinates": ["1", "2"]}`), `found "[\"1\", \"2\"]"`},
		"one number":          {feature(`{"name": "a"}`, `{"type": "Point", "coordinates": [1]}`), `found "[1]"`},
		"beyond all numbers":  {feature(`{"name": "a"}`, `{"type": "Point", "coordinates": [1e999, 1]}`), `found "[1e999, 1]"`},
		"not deep enough":     {polygon(`{"cover": "none"}`, `[[0,0],[1,0],[1,1],[0,0]]`), `features[0].geometry.coordinates[0][0]: found "0"`},
		"no coordinates":      {feature("{}", `{"type": "LineString"}`), "features[0].geometry.coordinates: found no coordinates"},
		"one position":        {feature("{}", `{"type": "LineString", "coordinates": [[1, 1]]}`), "found 1 positions, expected two or more"},
		"open ring":           {polygon(`{"cover": "none"}`, `[[[0,0],[1,0],[1,1],[0,1]]]`), "features[0].geometry.coordinates[0]: found a ring of 4 positions that is not closed"},
		"no ring":             {polygon(`{"cover": "none"}`, `[]`), "found no ring"},
		"name no text":        {feature(`{"name": 7}`, `{"type": "Point", "coordinates": [1, 2]}`), "features[0].properties.name: found no text"},
		"polygon without use": {polygon(`{"name": "x"}`, square), `features[0].properties.cover: found nothing, expected what stands there: "wood"`},
		"height without unit": {polygon(`{"cover": "wood", "height": 15, "density": "dense", "in_leaf": "always"}`, square), `features[0].properties.height: found "15", expected a length with its unit`},
		"no height":           {polygon(`{"cover": "wood", "density": "dense", "in_leaf": "always"}`, square), "features[0].properties.height: found nothing"},
		"months":              {polygon(`{"cover": "wood", "height": "1 m", "in_leaf": [4, 5]}`, square), `features[0].properties.in_leaf: found "[4, 5]", expected the months in leaf`},
		"walls no text":       {polygon(`{"cover": "building", "height": "1 m", "walls": 1}`, square), `features[0].properties.walls: found "1", expected a text`},
		"bytes":               {"{\"type\": \"\xff\"}", "bytes that are not UTF-8"},
		"deep":                {strings.Repeat(`{"a":`, 20000), "(file): found text that is not JSON"},
		"too many":            {feature("{}", `{"type": "LineString", "coordinates": [[1,1]`+strings.Repeat(",[1,1]", MaxPositions)+"]}"), "found more than 100000 positions"},
		"too large":           {strings.Repeat(" ", MaxSize+1), "found 8388609 bytes"},
	} {
		d, err := ParseGeoJSON([]byte(c.text))
		if !strings.Contains(told(err), c.want) || strings.Contains(told(err), "\n") || d != nil {
			t.Errorf("%s: ParseGeoJSON = %v, %q, want one message with %q", name, d, told(err), c.want)
		}
		var e *Error
		if !errors.As(err, &e) {
			t.Errorf("%s: the error is %T", name, err)
		}
	}
}

const walk = `<?xml version="1.0" encoding="UTF-8"?>
<gpx version="1.1" creator="a phone" xmlns="http://www.topografix.com/GPX/1/1" xmlns:x="http://example.org/x">
  <metadata><name>a walk</name></metadata>
  <wpt lat="44.5" lon="-30.5"><ele>412.3</ele><name> River &amp; <![CDATA[gate]]> <b>bold</b> </name><x:name>other</x:name><extensions><x:name>other</x:name><name>third</name></extensions></wpt>
  <wpt lat="44.6" lon="-30.6"/>
  <rte><name>lane</name><rtept lat="1" lon="2"><name>corner</name></rtept><rtept lat="1.5" lon="2"/></rte>
  <trk><trkseg><trkpt lat="3" lon="4"/></trkseg><trkseg><trkpt lat="3.5" lon="4"/></trkseg></trk>
  <trk><name>alone</name><trkseg><trkpt lat="3" lon="4"/></trkseg></trk>
</gpx>`

func TestGPX(t *testing.T) {
	d, err := ParseGPX([]byte(walk))
	if err != nil {
		t.Fatal(err)
	}
	if len(d.Points) != 1 || d.Points[0].Name != "River & gate" || d.Points[0].At != (lane.LatLon{Lat: 44.5, Lon: -30.5}) || d.Points[0].Position != (Position{4, 3}) {
		t.Errorf("points = %+v", d.Points)
	}
	if marked, err := ParseGPX([]byte("\ufeff" + walk)); err != nil || len(marked.Points) != 1 {
		t.Errorf("with a byte order mark: %+v, %v", marked, err)
	}
	if got := fmt.Sprint(d.Lines); got != "[{{6 3} rte lane [1.000000 N, 2.000000 E 1.500000 N, 2.000000 E]} {{7 3} trk  [3.000000 N, 4.000000 E 3.500000 N, 4.000000 E]}]" {
		t.Errorf("lines = %s", got)
	}
}

func TestBadGPX(t *testing.T) {
	gpx := func(inner string) string {
		return `<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">` + "\n " + inner + "</gpx>"
	}
	for name, c := range map[string]struct{ text, want string }{
		"empty":         {"", "1:1: (file): found no element, expected GPX 1.1"},
		"no XML":        {"<gpx", "found text that is not XML"},
		"not closed":    {gpx("<wpt lat='1' lon='2'>"), "2:29: (file): found text that is not XML: line 2: element <wpt> closed by </gpx>"},
		"GPX 1.0":       {`<gpx version="1.0" xmlns="http://www.topografix.com/GPX/1/0"/>`, `1:1: gpx: found <gpx version="1.0"> of the namespace "http://www.topografix.com/GPX/1/0", expected GPX 1.1`},
		"something":     {"<html/>", `html: found <html version="">`},
		"no latitude":   {gpx("<wpt lon='2'/>"), `2:2: wpt: found lat="" lon="2", expected longitude from -180 to 180`},
		"NaN":           {gpx("<wpt lat='NaN' lon='2'/>"), `wpt: found lat="NaN"`},
		"beyond a pole": {gpx("<wpt lat='90.1' lon='2'/>"), `wpt: found lat="90.1"`},
		"exchanged":     {gpx("<wpt lat='-130.5' lon='44.5'/>"), `in degrees (WGS 84); are latitude and longitude swapped?`},
		"far too far":   {gpx("<wpt lat='-130.5' lon='244.5'/>"), `expected longitude from -180 to 180 and latitude from -90 to 90, in degrees (WGS 84)`},
		"in a route":    {gpx("<rte>\n<rtept lat='1' lon='181'/></rte>"), `3:1: rtept: found lat="1" lon="181"`},
		"deep":          {gpx(strings.Repeat("<a>", 100)), "elements nested too deeply"},
		"an entity":     {`<!DOCTYPE gpx [<!ENTITY a "aaaa">]>` + gpx("<wpt lat='1' lon='2'><name>&a;</name></wpt>"), "invalid character entity &a;"},
		"another code":  {`<?xml version="1.0" encoding="latin1"?>` + gpx(""), "found text that is not XML"},
		"too many":      {gpx("<rte>" + strings.Repeat("<rtept lat='1' lon='2'/>", MaxPositions+5) + "</rte>"), "found more than 100000 positions"},
		"too large":     {strings.Repeat(" ", MaxSize+1), "found 8388609 bytes"},
	} {
		d, err := ParseGPX([]byte(c.text))
		if !strings.Contains(told(err), c.want) || strings.Contains(told(err), "\n") || d != nil {
			t.Errorf("%s: ParseGPX = %v, %q, want one message with %q", name, d, told(err), c.want)
		}
	}
}

// TestProblemsAreBounded: a file of nothing but mistakes gets a short answer.
func TestProblemsAreBounded(t *testing.T) {
	_, err := ParseGPX([]byte(`<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">` + strings.Repeat("<wpt/>", 1000) + "</gpx>"))
	if n := strings.Count(told(err), "\n") + 1; n != maxProblems {
		t.Errorf("%d messages, want %d", n, maxProblems)
	}
	_, err = ParseGeoJSON([]byte(`{"type": "FeatureCollection", "features": [1` + strings.Repeat(",1", 1000) + "]}"))
	if n := strings.Count(told(err), "\n") + 1; n != maxProblems {
		t.Errorf("%d messages, want %d", n, maxProblems)
	}
}

// holds says what must be true of any drawing.
func holds(t *testing.T, d *Drawing, err error) {
	if (d == nil) == (err == nil) {
		t.Fatalf("%v and %v", d, err)
	}
	if d == nil {
		return
	}
	for _, p := range d.Points {
		if p.Name == "" || !p.At.Valid() || p.Line < 1 || p.Col < 1 {
			t.Fatalf("point %+v", p)
		}
	}
	for _, l := range d.Lines {
		if len(l.At) < 2 || l.Line < 1 {
			t.Fatalf("line %+v", l)
		}
		for _, at := range l.At {
			if !at.Valid() {
				t.Fatalf("line %+v", l)
			}
		}
	}
	for _, a := range d.Areas {
		if len(a.Rings) == 0 || a.Line < 1 {
			t.Fatalf("area %+v", a)
		}
		for _, ring := range a.Rings {
			if len(ring) < 3 {
				t.Fatalf("area %+v", a)
			}
		}
	}
}

func FuzzGeoJSON(f *testing.F) {
	f.Add([]byte(orchard))
	f.Add([]byte(`{"type":"Feature","geometry":{"type":"Point","coordinates":[1,2]},"properties":{"name":"a"}}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := ParseGeoJSON(data)
		holds(t, d, err)
	})
}

func FuzzGPX(f *testing.F) {
	f.Add([]byte(walk))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := ParseGPX(data)
		holds(t, d, err)
	})
}
