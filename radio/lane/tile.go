package lane

import (
	"encoding/binary"
	"fmt"
	"math"
	"path"
	"strings"
)

// Tile is one degree by one degree of terrain: a file NyyExxx.hgt as the Shuttle Radar Topography Mission made it, and others
// since. It holds rows from north to south, each from west to east, of heights in metres above the geoid (EGM96), two bytes each,
// the high one first; the outermost stand on the edges, so that neighbours share them. The name tells the corner in the south-west.
// -32768 is a void: nothing was measured there. Source: NASA/USGS, SRTM Topography (the documentation beside the data), sections
// 2.1 and 3.1, from memory.
//
// Its heights are those of a radar: of treetops rather than of the ground under a dense wood, a mean over 30 m (3601 rows) or 90 m
// (1201), and up to 16 m off, all in all (the mission's requirement, at 90 %; T. Farr et al., The Shuttle Radar Topography Mission,
// Reviews of Geophysics 45, 2007, from memory).
type Tile struct {
	Name     string // NyyExxx.hgt
	lat, lon int    // of the corner
	n        int    // rows, and columns
	data     []byte
}

// TileError is how far a tile's heights may be off, m.
const TileError = 16

// void is the height that is none.
const void = -32768

// tileSizes are the rows that tiles have.
var tileSizes = [...]int{1201, 3601}

// MaxTile is the size of the greatest tile, in bytes.
const MaxTile = 2 * 3601 * 3601

// ParseTile reads a tile; name may have folders before it. The tile keeps data. What is wrong with one is told with its name as the
// path; nil if nothing is.
func ParseTile(name string, data []byte) (*Tile, *FieldError) {
	t := &Tile{Name: path.Base(name), data: data}
	var ok bool
	if t.lat, t.lon, ok = corner(t.Name); !ok {
		return nil, &FieldError{Path: name, Found: fmt.Sprintf("a file called %q", t.Name), Expected: "a name such as N44W031.hgt, which tells the tile's corner in the south-west"}
	}
	for _, n := range tileSizes {
		if len(data) == 2*n*n {
			t.n = n
			return t, nil
		}
	}
	return nil, &FieldError{Path: name, Found: fmt.Sprintf("%d bytes", len(data)), Expected: fmt.Sprintf("%d (1201 rows of 1201 heights) or %d (3601 rows of 3601), unpacked", 2*1201*1201, MaxTile)}
}

// corner reads what a tile's name tells. Beyond 85 degrees there are none.
func corner(name string) (lat, lon int, ok bool) {
	var ns, ew byte
	upper := strings.ToUpper(name)
	if len(upper) != len("N44W031.HGT") || !strings.HasSuffix(upper, ".HGT") || strings.Trim(upper[1:3]+upper[4:7], "0123456789") != "" {
		return 0, 0, false
	}
	if n, err := fmt.Sscanf(upper, "%c%2d%c%3d.HGT", &ns, &lat, &ew, &lon); n != 4 || err != nil {
		return 0, 0, false
	}
	switch ns {
	case 'S':
		lat = -lat
	case 'N':
	default:
		return 0, 0, false
	}
	switch ew {
	case 'W':
		lon = -lon
	case 'E':
	default:
		return 0, 0, false
	}
	return lat, lon, lat >= -85 && lat < 85 && lon >= -180 && lon < 180
}

// covers reports whether a place lies in the tile or on its edge. The 180th meridian is the edge of two.
func (t *Tile) covers(at LatLon) bool {
	_, _, ok := t.cell(at)
	return ok
}

// cell is where a place lies, in rows from the north and columns from the west.
func (t *Tile) cell(at LatLon) (row, col float64, ok bool) {
	lon := at.Lon - float64(t.lon)
	switch {
	case lon < -180:
		lon += 360
	case lon > 180:
		lon -= 360
	}
	row, col = (float64(t.lat+1)-at.Lat)*float64(t.n-1), lon*float64(t.n-1)
	return row, col, row >= 0 && row <= float64(t.n-1) && col >= 0 && col <= float64(t.n-1)
}

func (t *Tile) at(row, col int) float64 {
	h := int16(binary.BigEndian.Uint16(t.data[2*(row*t.n+col):]))
	if h == void {
		return math.NaN()
	}
	return float64(h)
}

// height is that of a place, between the four heights around it; NaN beside a void. ok is false outside.
func (t *Tile) height(at LatLon) (h float64, ok bool) {
	row, col, ok := t.cell(at)
	if !ok {
		return math.NaN(), false
	}
	r, c := min(int(row), t.n-2), min(int(col), t.n-2)
	y, x := row-float64(r), col-float64(c)
	north := t.at(r, c)*(1-x) + t.at(r, c+1)*x
	south := t.at(r+1, c)*(1-x) + t.at(r+1, c+1)*x
	return north*(1-y) + south*y, true
}

// tiles are one or more, around a plane.
type tiles struct {
	list  []*Tile
	plane *Plane
}

// straight is how long a stretch may be for latitude and longitude to change evenly along it, m: within 1 km they are off by less
// than 1000²/8R tan(lat), which is 0.2 m at 85 degrees and 2 cm at 45.
const straight = 1000

func (ts *tiles) heights(out []float64, a, b Point) {
	last := len(out) - 1
	if last == 0 {
		out[0] = ts.height(ts.plane.LatLon(a))
		return
	}
	pieces := min(int(a.Distance(b)/straight)+1, last)
	from := ts.plane.LatLon(a)
	for i, first := 0, 0; i < pieces; i++ {
		end := last * (i + 1) / pieces
		to := ts.plane.LatLon(a.between(b, float64(end)/float64(last)))
		if to.Lon-from.Lon > 180 {
			to.Lon -= 360
		} else if from.Lon-to.Lon > 180 {
			to.Lon += 360
		}
		for k := first; k <= end; k++ {
			t := float64(k-first) / float64(end-first)
			out[k] = ts.height(LatLon{from.Lat + t*(to.Lat-from.Lat), from.Lon + t*(to.Lon-from.Lon)})
		}
		first, from = end, to
	}
}

func (ts *tiles) height(at LatLon) float64 {
	for _, t := range ts.list {
		if h, ok := t.height(at); ok {
			return h
		}
	}
	return math.NaN()
}

// gaps says what is missing in a box: the first place in no tile, or else how many heights in the box are voids, in which tile, and
// the first of them.
func (ts *tiles) gaps(b box) (outside *LatLon, voids int, in *Tile, first LatLon) {
	const steps = 64 // along each side: a tile is 1 degree wide, so its edges cannot slip through
	for i := range steps + 1 {
		for j := range steps + 1 {
			p := Point{b.min.East + (b.max.East-b.min.East)*float64(i)/steps, b.min.North + (b.max.North-b.min.North)*float64(j)/steps}
			at := ts.plane.LatLon(p)
			covered := false
			for _, t := range ts.list {
				covered = covered || t.covers(at)
			}
			if !covered {
				return &at, 0, nil, LatLon{}
			}
		}
	}
	for _, t := range ts.list {
		for _, v := range t.voids(ts.plane, b) {
			if voids == 0 {
				in, first = t, v
			}
			if in == t {
				voids++
			}
		}
	}
	return nil, voids, in, first
}

// voids are the places in the box, or at a corner of a cell that reaches into it, at which nothing was measured.
func (t *Tile) voids(plane *Plane, b box) (list []LatLon) {
	rows, cols := [2]float64{math.Inf(1), math.Inf(-1)}, [2]float64{math.Inf(1), math.Inf(-1)}
	for _, p := range []Point{b.min, {b.max.East, b.min.North}, b.max, {b.min.East, b.max.North},
		{(b.min.East + b.max.East) / 2, b.min.North}, {(b.min.East + b.max.East) / 2, b.max.North}} { // parallels are curved
		row, col, _ := t.cell(plane.LatLon(p))
		rows, cols = [2]float64{min(rows[0], row), max(rows[1], row)}, [2]float64{min(cols[0], col), max(cols[1], col)}
	}
	for r := max(int(rows[0]), 0); r <= min(int(rows[1])+1, t.n-1); r++ {
		for c := max(int(cols[0]), 0); c <= min(int(cols[1])+1, t.n-1); c++ {
			if math.IsNaN(t.at(r, c)) {
				list = append(list, LatLon{float64(t.lat+1) - float64(r)/float64(t.n-1), float64(t.lon) + float64(c)/float64(t.n-1)})
			}
		}
	}
	return list
}
