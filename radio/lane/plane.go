package lane

import (
	"fmt"
	"math"
)

// The ellipsoid of WGS 84: semi-major axis in metres, flattening. Source: NIMA TR8350.2, "Department of Defense World Geodetic
// System 1984", 3rd edition, table 3.1.
const (
	semiMajor  = 6378137.0
	flattening = 1 / 298.257223563
)

// eccentricity2 is the first eccentricity, squared.
const eccentricity2 = flattening * (2 - flattening)

// LatLon is a place on the ellipsoid of WGS 84, in degrees; north and east are positive.
type LatLon struct{ Lat, Lon float64 }

func (l LatLon) String() string {
	ns, ew := "N", "E"
	if l.Lat < 0 {
		ns = "S"
	}
	if l.Lon < 0 {
		ew = "W"
	}
	return fmt.Sprintf("%.6f %s, %.6f %s", math.Abs(l.Lat), ns, math.Abs(l.Lon), ew)
}

// Valid reports whether both are in range: within 90 and 180 degrees.
func (l LatLon) Valid() bool { return math.Abs(l.Lat) <= 90 && math.Abs(l.Lon) <= 180 }

// Point is a place in metres east and north of the lane's origin.
type Point struct{ East, North float64 }

func (p Point) String() string {
	return fmt.Sprintf("%.1f m E, %.1f m N", p.East, p.North)
}

// Distance is how far two points lie apart, m.
func (p Point) Distance(q Point) float64 { return math.Hypot(p.East-q.East, p.North-q.North) }

// between is the point at the share t of the way from p to q.
func (p Point) between(q Point, t float64) Point {
	return Point{p.East + t*(q.East-p.East), p.North + t*(q.North-p.North)}
}

// vector is a place or a direction in earth-centred, earth-fixed axes.
type vector struct{ x, y, z float64 }

func (a vector) dot(b vector) float64 { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vector) plus(b vector, k float64) vector {
	return vector{a.x + k*b.x, a.y + k*b.y, a.z + k*b.z}
}

// Plane is the plane that touches the ellipsoid at an origin. A place on the ellipsoid is where it lies straight above or below the
// plane: the difference of the earth-centred coordinates,
//
//	X = N cos(lat) cos(lon), Y = N cos(lat) sin(lon), Z = N (1 - e²) sin(lat), N = a / sqrt(1 - e² sin²(lat)),
//
// turned into the origin's east and north. Source: B. Hofmann-Wellenhof et al., Global Positioning System, 5th ed. 2001, equations
// (10.1) and (10.10), from memory; TestPlane holds it against the geodesics of GeographicLib.
//
// What lies d from the origin is d³/(6 R²) too near in the plane: 4.1 mm at 10 km, and no more than 8.2 mm are missing between two
// places within Reach (10 km) of it. Heights are not in it: above the ellipsoid true distances are longer, by 8 cm in each km at
// 500 m. Neither the poles nor the 180th meridian are special.
type Plane struct {
	origin, east, north, up vector
}

// Reach is how far from the origin of its plane the places of a lane may lie, m.
const Reach = 10_000

// NewPlane returns the plane at an origin, whose latitude and longitude must be in range.
func NewPlane(origin LatLon) *Plane {
	sinLat, cosLat := math.Sincos(origin.Lat * math.Pi / 180)
	sinLon, cosLon := math.Sincos(origin.Lon * math.Pi / 180)
	return &Plane{
		origin: centred(origin),
		east:   vector{-sinLon, cosLon, 0},
		north:  vector{-sinLat * cosLon, -sinLat * sinLon, cosLat},
		up:     vector{cosLat * cosLon, cosLat * sinLon, sinLat},
	}
}

func centred(at LatLon) vector {
	sinLat, cosLat := math.Sincos(at.Lat * math.Pi / 180)
	sinLon, cosLon := math.Sincos(at.Lon * math.Pi / 180)
	n := semiMajor / math.Sqrt(1-eccentricity2*sinLat*sinLat)
	return vector{n * cosLat * cosLon, n * cosLat * sinLon, n * (1 - eccentricity2) * sinLat}
}

// Local is where a place of the ellipsoid lies in the plane. A place on the other side of the earth has one too, so whoever takes
// places from a file looks at Distance first.
func (p *Plane) Local(at LatLon) Point {
	d := centred(at).plus(p.origin, -1)
	return Point{East: d.dot(p.east), North: d.dot(p.north)}
}

// Distance is how far a place lies from the origin, m, straight through the earth: for what is near it, the distance.
func (p *Plane) Distance(at LatLon) float64 {
	d := centred(at).plus(p.origin, -1)
	return math.Sqrt(d.dot(d))
}

// LatLon is the place of the ellipsoid at a point of the plane, which must be within Reach. It undoes Local: the ellipsoid is met
// straight below the point, where x²/a² + y²/a² + z²/b² = 1, a quadratic in the depth; and there tan(lat) = z / ((1-e²) sqrt(x²+y²)).
func (p *Plane) LatLon(at Point) LatLon {
	const (
		wxy = 1 / (semiMajor * semiMajor)
		wz  = wxy / ((1 - flattening) * (1 - flattening))
	)
	v := p.origin.plus(p.east, at.East).plus(p.north, at.North)
	a := wxy*(p.up.x*p.up.x+p.up.y*p.up.y) + wz*p.up.z*p.up.z
	b := wxy*(v.x*p.up.x+v.y*p.up.y) + wz*v.z*p.up.z
	c := wxy*(v.x*v.x+v.y*v.y) + wz*v.z*v.z - 1
	v = v.plus(p.up, -c/(b+math.Sqrt(b*b-a*c))) // the root near 0, without the difference of two near numbers
	return LatLon{
		Lat: math.Atan2(v.z, (1-eccentricity2)*math.Hypot(v.x, v.y)) * 180 / math.Pi,
		Lon: math.Atan2(v.y, v.x) * 180 / math.Pi,
	}
}
