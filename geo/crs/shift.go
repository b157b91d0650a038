package crs

import (
	"fmt"
	"math"
	"slices"

	"holdfast/geo"
)

// Shift is a datum shift to WGS 84.
type Shift struct {
	Name     string     // "NAD27 to WGS 84 (4)"
	Code     string     // "EPSG:1173"; empty when it came from a file
	Accuracy geo.Length // as the source states it
	Stated   bool       // whether it states one

	area *Area // nil: everywhere
	h    *helmert
}

// helmert is a seven-parameter transformation of geocentric coordinates as a
// matrix and a translation, with its inverse.
type helmert struct {
	t      [3]float64
	m, inv [3][3]float64
}

// newHelmert takes position-vector parameters (EPSG method 9606): translations
// in metres, rotations in seconds of arc, scale difference in parts per
// million. All zero gives nil, the null shift.
func newHelmert(p [7]float64) *helmert {
	if p == [7]float64{} {
		return nil
	}
	const sec = math.Pi / 180 / 3600
	rx, ry, rz, k := p[3]*sec, p[4]*sec, p[5]*sec, 1+p[6]*1e-6
	h := &helmert{t: [3]float64{p[0], p[1], p[2]}}
	h.m = [3][3]float64{{k, -k * rz, k * ry}, {k * rz, k, -k * rx}, {-k * ry, k * rx, k}}
	// The inverse of k(I + R) for the skew R of the rotation r is
	// ((I - R) + r rᵀ) / (k (1 + r²)), exact.
	r := [3]float64{rx, ry, rz}
	d := k * (1 + rx*rx + ry*ry + rz*rz)
	lin := [3][3]float64{{1, rz, -ry}, {-rz, 1, rx}, {ry, -rx, 1}}
	for i := range 3 {
		for j := range 3 {
			h.inv[i][j] = (lin[i][j] + r[i]*r[j]) / d
		}
	}
	return h
}

func (h *helmert) forward(x, y, z float64) (float64, float64, float64) {
	m := &h.m
	return h.t[0] + m[0][0]*x + m[0][1]*y + m[0][2]*z,
		h.t[1] + m[1][0]*x + m[1][1]*y + m[1][2]*z,
		h.t[2] + m[2][0]*x + m[2][1]*y + m[2][2]*z
}

func (h *helmert) backward(x, y, z float64) (float64, float64, float64) {
	x, y, z = x-h.t[0], y-h.t[1], z-h.t[2]
	m := &h.inv
	return m[0][0]*x + m[0][1]*y + m[0][2]*z,
		m[1][0]*x + m[1][1]*y + m[1][2]*z,
		m[2][0]*x + m[2][1]*y + m[2][2]*z
}

// frame is a geodetic datum with longitudes counted from Greenwich.
type frame struct {
	datum  int // EPSG code of the datum that owns the shifts; 0 when not in the table
	e      geo.Ellipsoid
	shifts []Shift // best first
	grid   *Grid   // used instead of the shifts
}

// within keeps the shifts that can apply in an area of use.
func (f frame) within(a *Area) frame {
	if a == nil {
		return f
	}
	f.shifts = slices.DeleteFunc(slices.Clone(f.shifts), func(s Shift) bool { return s.area != nil && !s.area.meets(a) })
	// A shift behind one that holds in the whole area is never used.
	for i, s := range f.shifts {
		if s.area == nil || (s.area.South <= a.South && s.area.North >= a.North &&
			s.area.contains(a.West, a.South) && s.area.contains(a.East, a.South) && s.area.width() >= a.width()) {
			f.shifts = f.shifts[:i+1]
			break
		}
	}
	return f
}

// at returns the index of the shift for a position, -1 when there is none.
// The most accurate one whose area holds the position is used, or failing
// that one whose area is near; an only one holds all over the system's area.
func (f *frame) at(lon, lat float64) int {
	if len(f.shifts) == 1 {
		return 0
	}
	for i := range f.shifts {
		if a := f.shifts[i].area; a == nil || a.contains(lon, lat) {
			return i
		}
	}
	for i := range f.shifts {
		if f.shifts[i].area.near(lon, lat, zoneMargin) {
			return i
		}
	}
	return -1
}

func (f *frame) toWGS84(lon, lat float64) (float64, float64, error) {
	if f.grid != nil {
		return f.grid.forward(lon, lat)
	}
	i := f.at(lon, lat)
	if i < 0 {
		return 0, 0, fmt.Errorf("longitude %.4f, latitude %.4f: %w", lon, lat, ErrNoShift)
	}
	h := f.shifts[i].h
	if h == nil {
		return lon, lat, nil
	}
	lon, lat, _ = toGeodetic(geo.WGS84, h, false, f.e, lon, lat, 0)
	return lon, lat, nil
}

// fromWGS84 undoes toWGS84 exactly: it finds the position at height zero on
// the frame's own ellipsoid.
func (f *frame) fromWGS84(lon, lat float64) (float64, float64, error) {
	if f.grid != nil {
		return f.grid.backward(lon, lat)
	}
	i := f.at(lon, lat)
	if i < 0 {
		return 0, 0, fmt.Errorf("longitude %.4f, latitude %.4f: %w", lon, lat, ErrNoShift)
	}
	sl, sp := f.undo(i, lon, lat)
	// toWGS84 chooses by the position on this datum, which near the edge of a
	// shift's area may choose another.
	if j := f.at(sl, sp); j != i && j >= 0 {
		sl, sp = f.undo(j, lon, lat)
	}
	return sl, sp, nil
}

func (f *frame) undo(i int, lon, lat float64) (float64, float64) {
	h := f.shifts[i].h
	if h == nil {
		return lon, lat
	}
	var sl, sp, height float64
	for range 4 {
		var hs float64
		sl, sp, hs = toGeodetic(f.e, h, true, geo.WGS84, lon, lat, height)
		if math.Abs(hs) < 1e-5 {
			break
		}
		height -= hs
	}
	return sl, sp
}

// toGeodetic carries a position in degrees and metres on ellipsoid from
// through the transformation h, or back through it, to ellipsoid to.
func toGeodetic(to geo.Ellipsoid, h *helmert, back bool, from geo.Ellipsoid, lon, lat, height float64) (float64, float64, float64) {
	const rad = math.Pi / 180
	sl, cl := math.Sincos(lon * rad)
	sp, cp := math.Sincos(lat * rad)
	n := from.A / math.Sqrt(1-from.E2()*sp*sp)
	x, y, z := (n+height)*cp*cl, (n+height)*cp*sl, (n*(1-from.E2())+height)*sp
	if back {
		x, y, z = h.backward(x, y, z)
	} else {
		x, y, z = h.forward(x, y, z)
	}
	// B. R. Bowring, Transformation from spatial to geographical coordinates,
	// Survey Review 23 (1976) 323-327; near the ellipsoid two steps reach
	// double precision.
	p := math.Hypot(x, y)
	b, e2 := to.B(), to.E2()
	ep2 := e2 / (1 - e2)
	num, den := z, (1-to.F)*p // tangent of the reduced latitude
	for range 2 {
		r := math.Hypot(num, den)
		s, c := num/r, den/r
		num, den = z+ep2*b*s*s*s, p-e2*to.A*c*c*c // tangent of the latitude
		r = math.Hypot(num, den)
		sp, cp = num/r, den/r
		num, den = (1-to.F)*sp, cp
	}
	return math.Atan2(y, x) / rad, math.Atan2(sp, cp) / rad, p*cp + z*sp - to.A*math.Sqrt(1-e2*sp*sp)
}
