package config

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"longlane/radio/lane"
	"longlane/radio/lane/drawing"
)

const lanes = "../../testdata/lane"

// beforehand reads files beside a test's lane file.
func beforehand(dir string) func(string, int64) ([]byte, error) {
	return func(name string, limit int64) ([]byte, error) {
		data, _, err := readBounded(filepath.Join(dir, name), limit)
		return data, err
	}
}

func readLane(t testing.TB, name string) *lane.Lane {
	t.Helper()
	l, err := ReadLane(filepath.Join(lanes, name))
	if err != nil {
		t.Fatalf("%s:\n%v", name, err)
	}
	return l
}

func TestLaneExample(t *testing.T) {
	l := readLane(t, "hill-orchard.toml")
	if l.Name != "hill-orchard" || l.Region != "europe" || *l.Origin != (lane.LatLon{Lat: 44.5, Lon: -30.5}) || len(l.Sites) != 8 || len(l.Zones) != 3 || len(l.Cover) != 5 || len(l.Course) != 6 {
		t.Errorf("the lane = %+v", l)
	}
	ground := 412.0
	want := lane.Site{Name: "house", Role: lane.RoleGateway, AntennaHeight: 9, AntennaGain: 2.15, CableLoss: 1, Ground: &ground, Power: lane.PowerMains, Annunciator: true}
	if got := l.Site("house"); !reflect.DeepEqual(*got, want) {
		t.Errorf("house = %+v, want %+v", got, want)
	}
	want = lane.Site{Name: "shop", Role: lane.RoleBuilding, At: lane.Point{East: 60, North: -40}, AntennaHeight: 4, AntennaGain: lane.DipoleGain, Power: lane.PowerMains}
	if got := l.Site("shop"); !reflect.DeepEqual(*got, want) {
		t.Errorf("shop = %+v, want %+v", got, want)
	}
	for _, z := range l.Zones {
		if z.Name != "river-gate" {
			continue
		}
		if got := fmt.Sprint(z); got != "{river-gate river-gate true true open [{0 6 0.8 20} {1.5 6 0.8 20}]}" {
			t.Errorf("zone = %s", got)
		}
	}
	o := l.Cover[0]
	if o.Kind != lane.Orchard || len(o.Area) != 2 || len(o.Area[1]) != 4 || o.Height != 5 || o.Density != lane.Medium || !o.InLeaf(time.July) || o.InLeaf(time.January) {
		t.Errorf("the orchard = %+v", o)
	}
	// The orchard lies between the house and the cattle grid, the hill between the house and the river gate.
	var p lane.Profile
	l.Profile(&p, l.Site("house"), l.Site("cattle-grid"), 256)
	// The way leads over the hedge and through the orchard, in which it crosses the clearing.
	if len(p.Cover) != 3 || p.Cover[0].Kind != lane.Hedge || p.Cover[0].Below != 0 || p.Cover[1].Name != "the orchard" || p.Cover[2].Name != "the orchard" ||
		math.Abs(p.Cover[2].Start-p.Cover[1].End-20.65) > 0.1 || p.Cover[1].Below < 50 {
		t.Errorf("between house and cattle grid stands %+v, want the hedge and the orchard", p.Cover)
	}
	l.Profile(&p, l.Site("house"), l.Site("river-gate"), 256)
	blocked := 0
	for i, h := range p.Ground {
		if x := float64(i) / 255; h > p.From+x*(p.To-p.From) {
			blocked++
		}
	}
	if blocked == 0 {
		t.Error("the river gate is in sight of the house, want the hill between them")
	}
}

// TestLaneExamplesShowEveryKey holds the example complete, and that of the README, which must be good as well.
func TestLaneExamplesShowEveryKey(t *testing.T) {
	_, section, _ := strings.Cut(string(read(t, "../../README.md")), "\n## The lane file\n")
	_, block, _ := strings.Cut(section, "\n```toml\n")
	block, _, ok := strings.Cut(block, "\n```\n")
	if !ok {
		t.Fatal("README.md has no lane file")
	}
	if _, err := ParseLane("README.md", []byte(block), beforehand(".")); err != nil {
		t.Errorf("the lane file of README.md:\n%v", err)
	}
	for name, text := range map[string]string{"README.md": block, "hill-orchard.toml": string(read(t, filepath.Join(lanes, "hill-orchard.toml")))} {
		var look func(rt reflect.Type)
		look = func(rt reflect.Type) {
			for _, f := range fieldsOf(rt) {
				inner := rt.Field(f.index).Type
				for inner.Kind() == reflect.Pointer || inner.Kind() == reflect.Slice || inner.Kind() == reflect.Map {
					inner = inner.Elem()
				}
				if inner.Kind() == reflect.Struct && inner != reflect.TypeFor[lane.Place]() {
					look(inner)
				} else if !strings.Contains(text, "\n"+f.key+" = ") && !strings.Contains(text, "\n#"+f.key+" = ") && !strings.Contains(text, " "+f.key+" = ") {
					t.Errorf("%s does not show the key %q of %v", name, f.key, rt)
				}
			}
		}
		look(reflect.TypeFor[laneFile]())
	}
}

// TestLaneThreeWays: written in metres, drawn and walked, it is one place, and so it is from files that GDAL wrote. Drawing and walk
// were made from the first by another program's geodesics: see testdata/lane/make_references.py.
func TestLaneThreeWays(t *testing.T) {
	const near = 0.1 // m
	written := readLane(t, "hill-orchard.toml")
	points := func(name, what string, got, want []lane.Point) {
		if len(got) != len(want) || len(got) == 0 {
			t.Errorf("%s: %s has %d points, want %d", name, what, len(got), len(want))
			return
		}
		for i := range got {
			if got[i].Distance(want[i]) > near {
				t.Errorf("%s: %s[%d] is %v, want %v", name, what, i, got[i], want[i])
			}
		}
	}
	type variant struct{ name, from, to string }
	for _, v := range []variant{{name: "hill-orchard-drawn.toml"}, {name: "hill-orchard-walked.toml"},
		{"hill-orchard-drawn.toml", `"hill-orchard.geojson"`, `"by-gdal.geojson"`}, {"hill-orchard-walked.toml", `"hill-orchard.gpx"`, `"by-gdal.gpx"`}} {
		text := string(read(t, filepath.Join(lanes, v.name)))
		if v.from != "" && !strings.Contains(text, v.from) {
			t.Fatalf("%s does not name %s", v.name, v.from)
		}
		name := v.name + " " + v.to
		l, err := ParseLane(name, []byte(strings.ReplaceAll(text, v.from, v.to)), beforehand(lanes))
		if err != nil {
			t.Fatal(err)
		}
		if l.Name != written.Name || l.Region != written.Region || *l.Origin != *written.Origin || len(l.Sites) != len(written.Sites) || !reflect.DeepEqual(l.Zones, written.Zones) || len(l.Cover) != len(written.Cover) {
			t.Errorf("%s: %+v\nwant %+v", name, l, written)
			continue
		}
		points(name, "course", l.Course, written.Course)
		for i, s := range l.Sites {
			w := written.Sites[i]
			points(name, s.Name, []lane.Point{s.At}, []lane.Point{w.At})
			if s.At = w.At; !reflect.DeepEqual(s, w) {
				t.Errorf("%s: site %+v, want %+v", name, s, w)
			}
			if h, want := l.Terrain.Height(s.At), written.Terrain.Height(w.At); math.Abs(h-want) > near {
				t.Errorf("%s: the ground of %s is at %v, want %v", name, s.Name, h, want)
			}
		}
		for i, c := range l.Cover {
			w := written.Cover[i]
			if c.Name != w.Name || c.Kind != w.Kind || c.Height != w.Height || c.Density != w.Density || c.Walls != w.Walls || !reflect.DeepEqual(c.Leaf, w.Leaf) || len(c.Area) != len(w.Area) {
				t.Errorf("%s: cover %+v, want %+v", name, c, w)
				continue
			}
			for j := range c.Area {
				points(name, c.Name, c.Area[j], w.Area[j])
			}
		}
	}
}

// TestBadLanes compares each bad file's messages with its "# want:" lines, all of them and in order.
func TestBadLanes(t *testing.T) {
	dir := filepath.Join(lanes, "bad")
	badFiles(t, "../lane/bad", func(name string, data []byte) error {
		l, err := ParseLane(name, data, beforehand(dir))
		if (l == nil) == (err == nil) {
			t.Errorf("%s: both or neither of %v and %v", name, l, err)
		}
		return err
	})
}

// flatTile is a tile of 1201 rows, at one height but for what change does to it.
func flatTile(t *testing.T, path string, change func(data []byte)) {
	t.Helper()
	data := make([]byte, 2*1201*1201)
	for i := 1; i < len(data); i += 2 {
		data[i] = 200
	}
	change(data)
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestLaneTiles: the ground comes from tiles beside the file; what they do not know near the lane is refused.
func TestLaneTiles(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lane.toml")
	file := func(tiles, gate string) {
		write(t, path, fmt.Sprintf("name = \"o\"\nregion = \"europe\"\n[terrain]\ntiles = [%s]\n[site.house]\nrole = \"gateway\"\nat = \"44.5 N, 30.002 W\"\n"+
			"antenna_height = \"9 m\"\npower = \"mains\"\n[site.mill]\nrole = \"candidate\"\nat = %q\nantenna_height = \"9 m\"\npower = \"mains\"\n", tiles, gate), 0o644)
	}
	flatTile(t, filepath.Join(dir, "N44W031.hgt"), func([]byte) {})
	flatTile(t, filepath.Join(dir, "n44w030.hgt"), func(data []byte) { data[2*(600*1201+3)+1] = 210 }) // at 44.5 N, 29.9975 W
	file(`"N44W031.hgt"`, "44.504 N, 30.006 W")
	l, err := ReadLane(path)
	if err != nil {
		t.Fatal(err)
	}
	if h := l.Terrain.Height(l.Site("mill").At); math.Abs(h-200) > 1e-9 {
		t.Errorf("the ground is at %v, want 200", h)
	}
	file(`"N44W031.hgt", "n44w030.hgt"`, "44.5 N, 29.9975 W")
	if l, err = ReadLane(path); err != nil {
		t.Fatal(err)
	}
	if h := l.Terrain.Height(l.Site("mill").At); math.Abs(h-210) > 0.01 {
		t.Errorf("the ground is at %v, want 210: another tile's", h)
	}
	wants := func(what, want string) {
		t.Helper()
		if _, err := ReadLane(path); err == nil || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), path+":4:") {
			t.Errorf("%s: %v, want %q in line 4", what, err, want)
		}
	}
	file(`"N44W031.hgt"`, "44.5 N, 29.9975 W")
	wants("a site outside", "terrain.tiles: found no tile that covers 44.500000 N, 29.99")
	wants("a site outside", "expected also the tile N44W030.hgt")
	file(`"N44W031.hgt"`, "44.504 N, 30.006 W")
	flatTile(t, filepath.Join(dir, "N44W031.hgt"), func(data []byte) { data[2*(597*1201+1195)], data[2*(597*1201+1195)+1] = 0x80, 0 })
	wants("a void", "terrain.tiles: found 1 heights in N44W031.hgt that are voids, the first at 44.502500 N, 30.004167 W")
	write(t, filepath.Join(dir, "N44W031.hgt"), "", 0o644)
	wants("an empty tile", "terrain.tiles[0]: found 0 bytes, expected 2884802")
}

func TestReadLaneNamesWhatItCannotRead(t *testing.T) {
	if _, err := ReadLane(filepath.Join(t.TempDir(), "none.toml")); !errors.Is(err, os.ErrNotExist) || !strings.Contains(err.Error(), "none.toml") {
		t.Errorf("ReadLane of a missing file = %v", err)
	}
	// What a drawing says wrongly is told by the path that opens it.
	dir := t.TempDir()
	path := filepath.Join(dir, "lane.toml")
	write(t, path, string(read(t, filepath.Join(lanes, "bad", "bad-drawings.toml"))), 0o644)
	write(t, filepath.Join(dir, "bad.gpx"), "<html/>", 0o644)
	write(t, filepath.Join(dir, "bad.geojson"), "[]", 0o644)
	_, err := ReadLane(path)
	var ps Problems
	if !errors.As(err, &ps) || len(ps) != 2 || ps[0].File != filepath.Join(dir, "bad.geojson") || ps[1].File != filepath.Join(dir, "bad.gpx") {
		t.Errorf("ReadLane = %v, want a problem of each drawing", err)
	}
}

// FuzzLane: whatever the bytes, and whatever the drawing beside them, a lane is given or refused; and one that is given has a ground
// between all its sites.
func FuzzLane(f *testing.F) {
	walk := read(f, filepath.Join(lanes, "hill-orchard.gpx"))
	for _, dir := range []string{lanes, filepath.Join(lanes, "bad")} {
		for _, name := range files(f, dir) {
			f.Add(read(f, name), walk)
		}
	}
	f.Add(read(f, filepath.Join(lanes, "hill-orchard-drawn.toml")), read(f, filepath.Join(lanes, "hill-orchard.geojson")))
	f.Fuzz(func(t *testing.T, data, beside []byte) {
		l, err := ParseLane("x.toml", data, func(_ string, limit int64) ([]byte, error) {
			if int64(len(beside)) > min(limit, drawing.MaxSize) {
				return nil, errors.New("too large")
			}
			return beside, nil
		})
		if (l == nil) == (err == nil) {
			t.Fatalf("%v and %v", l, err)
		}
		if l == nil {
			return
		}
		var p lane.Profile
		for i := range l.Sites {
			for j := range min(i, 4) {
				l.Profile(&p, &l.Sites[i], &l.Sites[j], 16)
				for _, h := range append(p.Ground, p.From, p.To, p.Length) {
					if math.IsNaN(h) || math.IsInf(h, 0) {
						t.Fatalf("the way from %s to %s: %+v", l.Sites[i].Name, l.Sites[j].Name, p)
					}
				}
				for _, s := range p.Cover {
					if !(s.Start >= 0 && s.Start < s.End && s.End <= p.Length+1e-6 && s.Below >= 0 && s.Below <= s.End-s.Start+1e-6) {
						t.Fatalf("the way from %s to %s: %+v", l.Sites[i].Name, l.Sites[j].Name, s)
					}
				}
			}
		}
	})
}
