package projection

import (
	"fmt"
	"math"

	"holdfast/geo"
)

// LambertConic is the Lambert conformal conic projection: EPSG methods 9801
// (one standard parallel), 9802 (two), 9803 (Belgium) and 1051 (Michigan).
type LambertConic struct {
	c      conformal
	lon0   float64 // degrees
	n      float64 // cone constant
	r      float64 // radius of the parallel of isometric latitude 0, m
	r0     float64 // radius of the parallel of the false origin, m
	bend   float64 // Belgium's rotation of the cone, radians
	fe, fn float64
	side   float64 // sign of n
}

// NewLambertConic1SP returns EPSG method 9801: natural origin lon0, lat0 in
// degrees, scale k0 on its parallel, false easting and northing in metres.
// The parallel must not be the equator or a pole.
func NewLambertConic1SP(e geo.Ellipsoid, lon0, lat0, k0, fe, fn float64) (*LambertConic, error) {
	return newLambert(e, lon0, lat0, lat0, lat0, k0, fe, fn)
}

// NewLambertConic2SP returns EPSG method 9802: false origin lon0, lat0 and
// standard parallels lat1, lat2 in degrees, coordinates of the false origin
// in metres. Equal parallels are allowed; parallels mirrored about the
// equator are an error.
func NewLambertConic2SP(e geo.Ellipsoid, lon0, lat0, lat1, lat2, fe, fn float64) (*LambertConic, error) {
	return newLambert(e, lon0, lat0, lat1, lat2, 1, fe, fn)
}

// NewLambertConicMichigan returns EPSG method 1051, the two-parallel form
// with the ellipsoid enlarged by the factor k.
func NewLambertConicMichigan(e geo.Ellipsoid, lon0, lat0, lat1, lat2, k, fe, fn float64) (*LambertConic, error) {
	return newLambert(e, lon0, lat0, lat1, lat2, k, fe, fn)
}

// NewLambertConicBelgium returns EPSG method 9803, the two-parallel form with
// the meridians turned by 29.2985 seconds (Guidance Note 7-2, 3.1.1.3).
func NewLambertConicBelgium(e geo.Ellipsoid, lon0, lat0, lat1, lat2, fe, fn float64) (*LambertConic, error) {
	l, err := newLambert(e, lon0, lat0, lat1, lat2, 1, fe, fn)
	if err != nil {
		return nil, err
	}
	l.bend = 29.2985 / 3600 * radian
	return l, nil
}

func newLambert(e geo.Ellipsoid, lon0, lat0, lat1, lat2, k, fe, fn float64) (*LambertConic, error) {
	if !finite(e.A, e.F, lon0, lat0, lat1, lat2, k, fe, fn) || k <= 0 || math.Abs(lat0) > 90 ||
		math.Abs(lat1) >= 90 || math.Abs(lat2) >= 90 || math.Abs(lat1+lat2) < 1e-9 {
		return nil, fmt.Errorf("define Lambert conic with parallels %v and %v: %w", lat1, lat2, ErrParameter)
	}
	l := &LambertConic{c: newConformal(e), lon0: lon0, fe: fe, fn: fn}
	phi1, phi2 := lat1*radian, lat2*radian
	m1, m2 := parallelRadius(e, phi1), parallelRadius(e, phi2)
	psi1, psi2 := l.c.isometric(phi1), l.c.isometric(phi2)
	if math.Abs(lat1-lat2) < 1e-9 {
		l.n = math.Sin(phi1)
	} else {
		l.n = (math.Log(m1) - math.Log(m2)) / (psi2 - psi1)
	}
	l.side = math.Copysign(1, l.n)
	l.r = k * e.A * m1 * math.Exp(l.n*psi1) / l.n
	l.r0 = l.r * math.Exp(-l.n*l.c.isometric(lat0*radian))
	if !finite(l.r, l.r0) {
		return nil, fmt.Errorf("define Lambert conic with origin %v: %w", lat0, ErrParameter)
	}
	return l, nil
}

// parallelRadius returns the radius of the parallel phi (radians) in units of
// the equatorial radius: EPSG's m.
func parallelRadius(e geo.Ellipsoid, phi float64) float64 {
	s := math.Sin(phi)
	return math.Cos(phi) / math.Sqrt(1-e.E2()*s*s)
}

// Forward implements Projection. The pole away from the cone's apex is
// outside the domain.
func (l *LambertConic) Forward(lon, lat float64) (x, y float64, err error) {
	if !valid(lon, lat) {
		return 0, 0, ErrDomain
	}
	r := l.r * math.Exp(-l.n*l.c.isometric(lat*radian))
	sin, cos := math.Sincos(l.n*wrap(lon-l.lon0)*radian - l.bend)
	return plane(l.fe+r*sin, l.fn+l.r0-r*cos)
}

// Inverse implements Projection.
func (l *LambertConic) Inverse(x, y float64) (lon, lat float64, err error) {
	dx, dy := l.side*(x-l.fe), l.side*(l.r0-(y-l.fn))
	r := math.Hypot(dx, dy)
	theta := math.Atan2(dx, dy) + l.bend
	psi := -math.Log(r/math.Abs(l.r)) / l.n
	if math.Abs(theta) > math.Abs(l.n)*math.Pi*(1+1e-9) {
		return 0, 0, ErrDomain // the gap between the edges of the unrolled cone
	}
	return place(l.lon0, theta/l.n, l.c.latitude(psi))
}
