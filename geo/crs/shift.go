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
	const sec = radian / 3600
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

// parameters returns what newHelmert took; nil is the null shift.
func (h *helmert) parameters() [7]float64 {
	if h == nil {
		return [7]float64{}
	}
	const sec = radian / 3600
	k := h.m[0][0]
	return [7]float64{h.t[0], h.t[1], h.t[2], h.m[2][1] / k / sec, h.m[0][2] / k / sec, h.m[1][0] / k / sec, math.Round((k-1)*1e15) / 1e9}
}

func (h *helmert) forward(x, y, z float64) (float64, float64, float64) {
	m := &h.m
	return h.t[0] + m[0][0]*x + m[0][1]*y + m[0][2]*z,
		h.t[1] + m[1][0]*x + m[1][1]*y + m[1][2]*z,
		h.t[2] + m[2][0]*x + m[2][1]*y + m[2][2]*z
}

func (h *helmert) backward(x, y, z float64) (float64, float64, float64) {
	return h.turnBack(x-h.t[0], y-h.t[1], z-h.t[2])
}

// turnBack undoes the rotation and scale of a vector.
func (h *helmert) turnBack(x, y, z float64) (float64, float64, float64) {
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
	lon, lat = h.toWGS84(f.e, lon, lat)
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
	sl, cl := math.Sincos(lon * radian)
	sp, cp := math.Sincos(lat * radian)
	// The vertical through the position, X + hN, becomes another line P + hD,
	// which meets the frame's ellipsoid where a quadratic in h is zero.
	n := geo.WGS84.A / math.Sqrt(1-geo.WGS84.E2()*sp*sp)
	px, py, pz := h.backward(n*cp*cl, n*cp*sl, n*(1-geo.WGS84.E2())*sp)
	dx, dy, dz := h.turnBack(cp*cl, cp*sl, sp)
	a2, b2 := f.e.A*f.e.A, f.e.B()*f.e.B()
	qa := (dx*dx+dy*dy)/a2 + dz*dz/b2
	qb := (px*dx+py*dy)/a2 + pz*dz/b2
	qc := (px*px+py*py)/a2 + pz*pz/b2 - 1
	height := -qc / (qb + math.Sqrt(qb*qb-qa*qc))
	px, py, pz = px+height*dx, py+height*dy, pz+height*dz
	return math.Atan2(py, px) / radian, math.Atan2(pz, (1-f.e.E2())*math.Sqrt(px*px+py*py)) / radian
}

const radian = math.Pi / 180 // one degree, in radians

// toWGS84 carries a position in degrees at height zero on ellipsoid e.
func (h *helmert) toWGS84(e geo.Ellipsoid, lon, lat float64) (float64, float64) {
	sl, cl := math.Sincos(lon * radian)
	sp, cp := math.Sincos(lat * radian)
	n := e.A / math.Sqrt(1-e.E2()*sp*sp)
	x, y, z := h.forward(n*cp*cl, n*cp*sl, n*(1-e.E2())*sp)
	// B. R. Bowring, Transformation from spatial to geographical coordinates,
	// Survey Review 23 (1976) 323-327; this near the ellipsoid two steps
	// reach double precision.
	w := geo.WGS84
	p, b, e2 := math.Sqrt(x*x+y*y), w.B(), w.E2()
	num, den := z, (1-w.F)*p // tangent of the reduced latitude
	for range 2 {
		r := math.Sqrt(num*num + den*den)
		s, c := num/r, den/r
		num, den = (1-w.F)*(z+e2/(1-e2)*b*s*s*s), p-e2*w.A*c*c*c
	}
	return math.Atan2(y, x) / radian, math.Atan2(num, (1-w.F)*den) / radian
}
