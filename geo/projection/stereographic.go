package projection

import (
	"fmt"
	"math"

	"holdfast/geo"
)

// ObliqueStereographic is the oblique (double) stereographic projection, EPSG
// method 9809: the ellipsoid onto Gauss's conformal sphere, the sphere onto
// the plane. The Dutch grid uses it.
type ObliqueStereographic struct {
	c          conformal
	lon0       float64 // degrees
	n, shift   float64 // isometric latitude of the sphere = n·ψ + shift
	sin0, cos0 float64 // of the origin's latitude on the sphere
	r          float64 // radius of the sphere times scale, m
	fe, fn     float64
}

// NewObliqueStereographic returns EPSG method 9809: natural origin lon0, lat0
// in degrees (not a pole), scale k0 there, false easting and northing in
// metres.
func NewObliqueStereographic(e geo.Ellipsoid, lon0, lat0, k0, fe, fn float64) (*ObliqueStereographic, error) {
	if !finite(e.A, e.F, lon0, lat0, k0, fe, fn) || k0 <= 0 || math.Abs(lat0) >= 90 {
		return nil, fmt.Errorf("define oblique stereographic at latitude %v: %w", lat0, ErrParameter)
	}
	phi := lat0 * radian
	sin, cos := math.Sincos(phi)
	w := 1 - e.E2()*sin*sin
	rho, nu := e.A*(1-e.E2())/(w*math.Sqrt(w)), e.A/math.Sqrt(w)
	s := &ObliqueStereographic{c: newConformal(e), lon0: lon0, fe: fe, fn: fn}
	s.r = math.Sqrt(rho*nu) * k0
	s.n = math.Sqrt(1 + e.E2()/(1-e.E2())*cos*cos*cos*cos)
	// The constant of integration makes the sphere's latitude of the origin
	// χ0 with sin χ0 = sin φ0 / n, Gauss's second condition; it is ½ ln c of
	// the guidance note.
	s.sin0 = sin / s.n
	s.cos0 = math.Sqrt(1 - s.sin0*s.sin0)
	s.shift = math.Atanh(s.sin0) - s.n*s.c.isometric(phi)
	return s, nil
}

// Forward implements Projection. The point opposite the origin is outside the
// domain.
func (s *ObliqueStereographic) Forward(lon, lat float64) (x, y float64, err error) {
	if !valid(lon, lat) {
		return 0, 0, ErrDomain
	}
	q := s.n*s.c.isometric(lat*radian) + s.shift
	sin, cos := math.Tanh(q), 1/math.Cosh(q)
	sl, cl := math.Sincos(s.n * wrap(lon-s.lon0) * radian)
	b := 1 + sin*s.sin0 + cos*s.cos0*cl
	k := 2 * s.r / b
	return plane(s.fe+k*cos*sl, s.fn+k*(sin*s.cos0-cos*s.sin0*cl))
}

// Inverse implements Projection.
func (s *ObliqueStereographic) Inverse(x, y float64) (lon, lat float64, err error) {
	dx, dy := (x-s.fe)/(2*s.r), (y-s.fn)/(2*s.r)
	h := dx*dx + dy*dy
	// Sine and cosine of the sphere's latitude, both times 1+h.
	sin := (1-h)*s.sin0 + 2*dy*s.cos0
	east, north := 2*dx, (1-h)*s.cos0-2*dy*s.sin0
	lam := math.Atan2(east, north)
	q := math.Asinh(sin / math.Hypot(east, north))
	if math.Abs(lam) > s.n*math.Pi {
		return 0, 0, ErrDomain
	}
	return place(s.lon0, lam/s.n, s.c.latitude((q-s.shift)/s.n))
}

// NewPolarStereographicB returns EPSG method 9829: true scale on the parallel
// lat1, whose sign tells the pole; fe and fn in metres are the coordinates of
// the pole.
func NewPolarStereographicB(e geo.Ellipsoid, lon0, lat1, fe, fn float64) (*PolarStereographic, error) {
	rho, err := polarParallel(e, lat1)
	if err != nil {
		return nil, err
	}
	unit := NewPolarStereographicA(e, lat1 > 0, lon0, 1, fe, fn)
	at1, err := unit.rho(lon0, lat1)
	if err != nil {
		return nil, fmt.Errorf("define polar stereographic: %w", err)
	}
	k0 := 1.0
	if at1 > 0 {
		k0 = rho / at1
	}
	return NewPolarStereographicA(e, lat1 > 0, lon0, k0, fe, fn), nil
}

// NewPolarStereographicC returns EPSG method 9830: as variant B, with ef and
// nf in metres the coordinates of the point where the parallel lat1 crosses
// the meridian lon0.
func NewPolarStereographicC(e geo.Ellipsoid, lon0, lat1, ef, nf float64) (*PolarStereographic, error) {
	rho, err := polarParallel(e, lat1)
	if err != nil {
		return nil, err
	}
	if lat1 < 0 {
		rho = -rho
	}
	return NewPolarStereographicB(e, lon0, lat1, ef, nf+rho)
}

// polarParallel returns the radius in metres of the parallel lat1, which is
// also its radius on a plane of true scale there.
func polarParallel(e geo.Ellipsoid, lat1 float64) (float64, error) {
	if !(math.Abs(lat1) > 0 && math.Abs(lat1) <= 90) {
		return 0, fmt.Errorf("define polar stereographic with standard parallel %v: %w", lat1, ErrParameter)
	}
	if math.Abs(lat1) == 90 {
		return 0, nil
	}
	return e.A * parallelRadius(e, lat1*radian), nil
}
