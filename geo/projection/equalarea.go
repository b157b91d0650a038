package projection

import (
	"fmt"
	"math"

	"holdfast/geo"
)

// Albers is the Albers equal-area conic projection, EPSG method 9822.
type Albers struct {
	q      authalic
	lon0   float64 // degrees
	a      float64 // equatorial radius, m
	n, c   float64
	r0     float64 // radius of the parallel of the false origin, m
	side   float64 // sign of n
	fe, fn float64
}

// NewAlbers returns EPSG method 9822: false origin lon0, lat0 and standard
// parallels lat1, lat2 in degrees, coordinates of the false origin in metres.
// Parallels mirrored about the equator are an error.
func NewAlbers(e geo.Ellipsoid, lon0, lat0, lat1, lat2, fe, fn float64) (*Albers, error) {
	if !finite(e.A, e.F, lon0, lat0, lat1, lat2, fe, fn) || math.Abs(lat0) > 90 ||
		math.Abs(lat1) > 90 || math.Abs(lat2) > 90 || math.Abs(lat1+lat2) < 1e-9 {
		return nil, fmt.Errorf("define Albers with parallels %v and %v: %w", lat1, lat2, ErrParameter)
	}
	p := &Albers{q: newAuthalic(e), lon0: lon0, a: e.A, fe: fe, fn: fn}
	s1, s2 := math.Sin(lat1*radian), math.Sin(lat2*radian)
	m1, m2 := parallelRadius(e, lat1*radian), parallelRadius(e, lat2*radian)
	if math.Abs(lat1-lat2) < 1e-9 {
		p.n = s1
	} else {
		p.n = (m1*m1 - m2*m2) / (p.q.q(s2) - p.q.q(s1))
	}
	p.side = math.Copysign(1, p.n)
	p.c = m1*m1 + p.n*p.q.q(s1)
	p.r0 = p.radius(lat0)
	if !finite(p.n, p.r0) || p.n == 0 {
		return nil, fmt.Errorf("define Albers with origin %v: %w", lat0, ErrParameter)
	}
	return p, nil
}

// radius returns the radius of the parallel lat (degrees) in metres, with the
// sign of n.
func (p *Albers) radius(lat float64) float64 {
	// Rounding may carry the apex just below zero.
	return p.a * math.Sqrt(math.Max(0, p.c-p.n*p.q.q(math.Sin(lat*radian)))) / p.n
}

// Forward implements Projection.
func (p *Albers) Forward(lon, lat float64) (x, y float64, err error) {
	if !valid(lon, lat) {
		return 0, 0, ErrDomain
	}
	r := p.radius(lat)
	sin, cos := math.Sincos(p.n * wrap(lon-p.lon0) * radian)
	return plane(p.fe+r*sin, p.fn+p.r0-r*cos)
}

// Inverse implements Projection.
func (p *Albers) Inverse(x, y float64) (lon, lat float64, err error) {
	dx, dy := p.side*(x-p.fe), p.side*(p.r0-(y-p.fn))
	r := math.Hypot(dx, dy) * p.n / p.a
	theta := math.Atan2(dx, dy)
	if math.Abs(theta) > math.Abs(p.n)*math.Pi*(1+1e-9) {
		return 0, 0, ErrDomain // the gap between the edges of the unrolled cone
	}
	return place(p.lon0, theta/p.n, p.q.latitude((p.c-r*r)/p.n))
}

// LambertAzimuthal is the Lambert azimuthal equal-area projection, EPSG
// method 9820, oblique, equatorial and polar.
type LambertAzimuthal struct {
	q          authalic
	lon0       float64 // degrees
	sin0, cos0 float64 // of the origin's authalic latitude
	rq, d      float64 // radius of the authalic sphere, m; EPSG's D
	fe, fn     float64
}

// NewLambertAzimuthal returns EPSG method 9820: natural origin lon0, lat0 in
// degrees, false easting and northing in metres.
func NewLambertAzimuthal(e geo.Ellipsoid, lon0, lat0, fe, fn float64) (*LambertAzimuthal, error) {
	if !finite(e.A, e.F, lon0, lat0, fe, fn) || math.Abs(lat0) > 90 {
		return nil, fmt.Errorf("define Lambert azimuthal at latitude %v: %w", lat0, ErrParameter)
	}
	p := &LambertAzimuthal{q: newAuthalic(e), lon0: lon0, fe: fe, fn: fn}
	p.rq = e.A * math.Sqrt(p.q.qp/2)
	s, _ := sincosd(lat0)
	p.sin0 = p.q.q(s) / p.q.qp
	p.cos0 = math.Sqrt((1 - p.sin0) * (1 + p.sin0))
	p.d = 1 // the limit at the poles, and no stretch there
	if math.Abs(lat0) < 90 {
		p.d = e.A * parallelRadius(e, lat0*radian) / (p.rq * p.cos0)
	}
	return p, nil
}

// Forward implements Projection. The point opposite the origin is outside the
// domain.
func (p *LambertAzimuthal) Forward(lon, lat float64) (x, y float64, err error) {
	if !valid(lon, lat) {
		return 0, 0, ErrDomain
	}
	s, _ := sincosd(lat)
	sin := p.q.q(s) / p.q.qp
	cos := math.Sqrt(math.Max(0, (1-sin)*(1+sin)))
	sl, cl := sincosd(wrap(lon - p.lon0))
	den := 1 + p.sin0*sin + p.cos0*cos*cl
	if den < 1e-12 {
		return 0, 0, ErrDomain
	}
	b := p.rq * math.Sqrt(2/den)
	return plane(p.fe+b*p.d*cos*sl, p.fn+b/p.d*(p.cos0*sin-p.sin0*cos*cl))
}

// Inverse implements Projection.
func (p *LambertAzimuthal) Inverse(x, y float64) (lon, lat float64, err error) {
	dx, dy := (x-p.fe)/(p.d*2*p.rq), (y-p.fn)*p.d/(2*p.rq)
	h := dx*dx + dy*dy // sin² of half the angular distance
	if !(h <= 1) {
		return 0, 0, ErrDomain
	}
	c := 2 * math.Sqrt(1-h)
	sin := (1-2*h)*p.sin0 + c*dy*p.cos0
	lam := math.Atan2(c*dx, (1-2*h)*p.cos0-c*dy*p.sin0)
	return place(p.lon0, lam, p.q.latitude(sin*p.q.qp))
}
