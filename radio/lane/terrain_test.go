package lane

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// TestSpots holds the ground between spots against SciPy: see testdata/lane/make_references.py.
func TestSpots(t *testing.T) {
	var list []Spot
	asked := 0
	var ground Terrain
	for _, line := range lines(t, "spots.txt") {
		var what string
		var s Spot
		if _, err := fmt.Sscan(line, &what, &s.At.East, &s.At.North, &s.Height); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if what == "spot" {
			list = append(list, s)
			continue
		}
		if asked == 0 {
			var err error
			if ground, err = FromSpots(list); err != nil {
				t.Fatal(err)
			}
		}
		asked++
		if got := ground.Height(s.At); math.Abs(got-s.Height) > 1e-6 {
			t.Errorf("height at %v = %.9f, want %.9f", s.At, got, s.Height)
		}
	}
	if asked == 0 {
		t.Fatal("nothing was asked")
	}
	for _, s := range list {
		if got := ground.Height(s.At); math.Abs(got-s.Height) > 1e-9 {
			t.Errorf("height at the spot %v = %v, want %v", s.At, got, s.Height)
		}
	}
}

// TestSpotsAlongALine: between spots in a row the ground is straight, and one spot alone is flat ground.
func TestSpotsAlongALine(t *testing.T) {
	row, err := FromSpots([]Spot{{Point{0, 0}, 10}, {Point{300, 400}, 60}, {Point{600, 800}, 20}})
	if err != nil {
		t.Fatal(err)
	}
	for at, want := range map[Point]float64{{150, 200}: 35, {450, 600}: 40, {30, 40}: 15} {
		if got := row.Height(at); math.Abs(got-want) > 1e-9 {
			t.Errorf("height at %v = %v, want %v", at, got, want)
		}
	}
	one, err := FromSpots([]Spot{{Point{5, 5}, 411}})
	if err != nil || one.Height(Point{-900, 77}) != 411 {
		t.Errorf("one spot gives %v, %v, want 411 everywhere", one.Height(Point{-900, 77}), err)
	}
	if _, err := FromSpots([]Spot{{Point{5, 5}, 411}, {Point{50, 5}, 411}, {Point{5, 5}, 411}}); err == nil {
		t.Error("two spots at one place were taken")
	}
	if _, err := FromSpots(nil); err == nil {
		t.Error("no spots were taken")
	}
}

func TestHill(t *testing.T) {
	ground := Flat(100)
	ground.Hills = []Hill{{At: Point{200, 0}, Height: 20, Radius: 100}}
	for east, want := range map[float64]float64{200: 120, 150: 110, 250: 110, 100: 100, 301: 100, 0: 100} {
		if got := ground.Height(Point{east, 0}); math.Abs(got-want) > 1e-9 {
			t.Errorf("height at %v m = %v, want %v", east, got, want)
		}
	}
	// Along a way it is what it is point by point, also where the way only grazes the hill.
	out := make([]float64, 41)
	a, b := Point{0, -80}, Point{400, 90}
	ground.heights(out, a, b)
	for i, got := range out {
		if want := ground.Height(a.between(b, float64(i)/40)); math.Abs(got-want) > 1e-9 {
			t.Errorf("height %d along a way = %v, want %v", i, got, want)
		}
	}
}

// tile makes one of n rows, with a height for each place.
func tile(t testing.TB, name string, n int, height func(lat, lon float64) int16) *Tile {
	t.Helper()
	data := make([]byte, 2*n*n)
	lat, lon, ok := corner(name)
	if !ok {
		t.Fatalf("no name of a tile: %s", name)
	}
	for r := range n {
		for c := range n {
			h := height(float64(lat+1)-float64(r)/float64(n-1), float64(lon)+float64(c)/float64(n-1))
			binary.BigEndian.PutUint16(data[2*(r*n+c):], uint16(h))
		}
	}
	got, err := ParseTile("maps/"+name, data)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestTileNames(t *testing.T) {
	for name, want := range map[string][2]int{"N44W031.hgt": {44, -31}, "S01E179.hgt": {-1, 179}, "n00e000.HGT": {0, 0}, "S85W180.hgt": {-85, -180}, "N84E179.hgt": {84, 179}} {
		lat, lon, ok := corner(name)
		if !ok || lat != want[0] || lon != want[1] {
			t.Errorf("%s: %d, %d, %v, want %v", name, lat, lon, ok, want)
		}
	}
	for _, name := range []string{"", "N44W031", "N44W31.hgt", "X44W031.hgt", "N44X031.hgt", "N-4W031.hgt", "N90E000.hgt", "N44E180.hgt", "N44W181.hgt", "N 4W031.hgt", "N44W031.hgt.zip", "S86E000.hgt"} {
		if _, _, ok := corner(name); ok {
			t.Errorf("%q was taken for the name of a tile", name)
		}
	}
	for _, size := range []int{0, 1, 2*1201*1201 - 1, 2*1201*1201 + 2} {
		if _, wrong := ParseTile("N44W031.hgt", make([]byte, size)); wrong == nil || !strings.Contains(wrong.Error(), fmt.Sprintf("N44W031.hgt: found %d bytes, expected 2884802", size)) {
			t.Errorf("a tile of %d bytes: %v", size, wrong)
		}
	}
}

// TestTileHeights: rows go from north to south, columns from west to east, and between four heights the ground is even.
func TestTileHeights(t *testing.T) {
	plain := func(lat, lon float64) int16 { return int16(math.Round(1200*(lat-44) + 2400*(lon+31))) } // whole metres at each height of 1201
	at := tile(t, "N44W031.hgt", 1201, plain)
	for _, p := range []LatLon{{44, -31}, {45, -30}, {44.5, -30.5}, {44.25123, -30.87654}, {44.0004, -30.0003}, {45, -30.5}} {
		want := 1200*(p.Lat-44) + 2400*(p.Lon+31)
		if got, ok := at.height(p); !ok || math.Abs(got-want) > 1e-6 {
			t.Errorf("height at %v = %v, %v, want %v", p, got, ok, want)
		}
	}
	last, first := tile(t, "N44E179.hgt", 1201, plain), tile(t, "N44W180.hgt", 1201, plain)
	for _, lon := range []float64{180, -180} {
		if !last.covers(LatLon{44.5, lon}) || !first.covers(LatLon{44.5, lon}) {
			t.Errorf("%v degrees is the edge of both tiles", lon)
		}
	}
	for _, p := range []LatLon{{43.9999, -30.5}, {45.0001, -30.5}, {44.5, -31.0001}, {44.5, -29.9999}, {44.5, 149.5}} {
		if _, ok := at.height(p); ok {
			t.Errorf("%v is said to lie in the tile", p)
		}
	}
}

// TestTileByGDAL: the tile of testdata/lane/make_references.py has the bytes that GDAL gives it, and between its heights the ground is
// where GDAL has it.
func TestTileByGDAL(t *testing.T) {
	const n = 1201
	data := make([]byte, 2*n*n)
	for r := range n {
		for c := range n {
			h := (7*r+13*c+r*c)%997 - 100
			if r == 100 && c == 200 {
				h = void
			}
			binary.BigEndian.PutUint16(data[2*(r*n+c):], uint16(int16(h)))
		}
	}
	list := lines(t, "tile.txt")
	if got := fmt.Sprintf("%x", sha256.Sum256(data)); got != list[0] {
		t.Fatalf("the tile's SHA-256 is %s, GDAL's %s", got, list[0])
	}
	one, wrong := ParseTile("N44W031.hgt", data)
	if wrong != nil {
		t.Fatal(wrong)
	}
	for _, line := range list[1:] {
		var at LatLon
		var want float64
		if _, err := fmt.Sscan(line, &at.Lat, &at.Lon, &want); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		if got, ok := one.height(at); !ok || math.Abs(got-want) > 0.01 {
			t.Errorf("height at %v = %v, %v, GDAL has %v", at, got, ok, want)
		}
	}
}

// TestTilesAlongAWay: latitude and longitude are taken to change evenly along stretches of a kilometre; over a plane of heights
// that is good to centimetres, over the edge between two tiles and over the 180th meridian.
func TestTilesAlongAWay(t *testing.T) {
	for _, c := range []struct {
		origin LatLon
		names  []string
	}{{LatLon{44.5, -30.001}, []string{"N44W031.hgt", "N44W030.hgt"}}, {LatLon{-17.5, 179.99}, []string{"S18E179.hgt", "S18W180.hgt"}}} {
		east := func(lon float64) float64 { return math.Mod(lon-c.origin.Lon+540, 360) - 180 }
		var list []*Tile
		for _, name := range c.names {
			list = append(list, tile(t, name, 1201, func(lat, lon float64) int16 {
				return int16(math.Round(12000*(lat-c.origin.Lat) + 12000*east(lon)))
			}))
		}
		plane := NewPlane(c.origin)
		ground := FromTiles(list, plane)
		out := make([]float64, 256)
		a, b := Point{-4000, -3000}, Point{4500, 2500}
		back := make([]float64, 256)
		ground.heights(back, b, a)
		ground.heights(out, a, b)
		for i, got := range out {
			if other := back[255-i]; math.IsNaN(other) || math.Abs(got-other) > 0.05 {
				t.Fatalf("%v: height %d of the way is %v, from the other side %v", c.names, i, got, other)
			}
			at := plane.LatLon(a.between(b, float64(i)/255))
			want := 12000*(at.Lat-c.origin.Lat) + 12000*east(at.Lon)
			// heights are rounded to whole metres at 1/1200 degree
			if math.IsNaN(got) || math.Abs(got-want) > 0.6 {
				t.Fatalf("%v: height %d of the way, at %v, is %v, want %v", c.names, i, at, got, want)
			}
			if one := ground.Height(a.between(b, float64(i)/255)); math.Abs(got-one) > 0.05 {
				t.Fatalf("%v: height %d of the way is %v, by itself %v", c.names, i, got, one)
			}
		}
	}
}

// TestGaps: ground that no tile knows is found wherever it lies, and so is a void.
func TestGaps(t *testing.T) {
	hole := LatLon{44.5 + 3.0/1200, -30.5}
	west := tile(t, "N44W031.hgt", 1201, func(lat, lon float64) int16 {
		if math.Abs(lat-hole.Lat) < 1e-6 && math.Abs(lon-hole.Lon) < 1e-6 {
			return void
		}
		return 5
	})
	plane := NewPlane(LatLon{44.5, -30.5})
	around := func(r float64) box { return box{Point{-r, -r}, Point{r, r}} }
	ts := &tiles{[]*Tile{west}, plane}
	if outside, voids, in, first := ts.gaps(around(400)); outside != nil || voids != 1 || in != west || NewPlane(hole).Distance(first) > 1 {
		t.Errorf("gaps = %v, %d, %v, %v, want the void at %v", outside, voids, in, first, hole)
	}
	if outside, voids, _, _ := ts.gaps(around(100)); outside != nil || voids != 0 {
		t.Errorf("gaps = %v, %d, want none: the void lies %.0f m away", outside, voids, plane.Distance(hole))
	}
	ts.plane = NewPlane(LatLon{44.5, -30.001})
	if outside, _, _, _ := ts.gaps(around(400)); outside == nil || tileOf(*outside) != "N44W030.hgt" {
		t.Errorf("gaps over the edge = %v, want a place in N44W030.hgt", outside)
	}
}

// FuzzTile: whatever the name and the bytes, a tile is refused or can be asked.
func FuzzTile(f *testing.F) {
	f.Add("N44W031.hgt", []byte{0x80, 0, 1, 2}, 44.5, -30.5)
	f.Add("S01E179.HGT", []byte{0}, -0.5, -179.99)
	whole := make([]byte, 2*1201*1201)
	f.Fuzz(func(t *testing.T, name string, data []byte, lat, lon float64) {
		_, _ = ParseTile(name, data)
		n := copy(whole, data)
		defer clear(whole[:n])
		tl, err := ParseTile(name, whole)
		if err != nil {
			return
		}
		h, ok := tl.height(LatLon{lat, lon})
		if ok && !math.IsNaN(h) && math.Abs(h) > 32768 {
			t.Fatalf("height %v", h)
		}
	})
}

func BenchmarkSpots(b *testing.B) {
	for _, n := range []int{10, 100, 500} {
		rng := rand.New(rand.NewPCG(5, 5))
		list := make([]Spot, n)
		for i := range list {
			list[i] = Spot{Point{rng.Float64() * 2000, rng.Float64() * 2000}, rng.Float64() * 50}
		}
		ground, err := FromSpots(list)
		if err != nil {
			b.Fatal(err)
		}
		out := make([]float64, 256)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			for b.Loop() {
				ground.heights(out, Point{0, 0}, Point{2000, 1500})
			}
		})
	}
}
