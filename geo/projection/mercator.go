package projection

import (
	"fmt"
	"math"

	"holdfast/geo"
)

// Mercator is the Mercator projection: EPSG methods 9804 (variant A), 9805
// (variant B) and 1024 (pseudo-Mercator, the one of web maps).
type Mercator struct {
	c      conformal
	lon0   float64 // degrees
	r      float64 // radius times scale, m
	fe, fn float64
}

// NewMercatorA returns EPSG method 9804: central meridian lon0 in degrees,
// scale k0 on the equator, false easting and northing in metres.
func NewMercatorA(e geo.Ellipsoid, lon0, k0, fe, fn float64) (*Mercator, error) {
	if !finite(e.A, e.F, lon0, k0, fe, fn) || k0 <= 0 {
		return nil, fmt.Errorf("define Mercator with scale %v: %w", k0, ErrParameter)
	}
	return &Mercator{c: newConformal(e), lon0: lon0, r: e.A * k0, fe: fe, fn: fn}, nil
}

// NewMercatorB returns EPSG method 9805: the scale is 1 on the parallels ±lat1.
func NewMercatorB(e geo.Ellipsoid, lon0, lat1, fe, fn float64) (*Mercator, error) {
	if math.Abs(lat1) >= 90 {
		return nil, fmt.Errorf("define Mercator with standard parallel %v: %w", lat1, ErrParameter)
	}
	return NewMercatorA(e, lon0, parallelRadius(e, lat1*radian), fe, fn)
}

// NewPseudoMercator returns EPSG method 1024: geographic latitude put through
// the formulas of the sphere of equatorial radius. It is not conformal, and
// its "metres" are true on the equator only.
func NewPseudoMercator(e geo.Ellipsoid, lon0, fe, fn float64) (*Mercator, error) {
	return NewMercatorA(geo.Ellipsoid{A: e.A}, lon0, 1, fe, fn)
}

// Forward implements Projection. The poles are outside the domain.
func (m *Mercator) Forward(lon, lat float64) (x, y float64, err error) {
	if !valid(lon, lat) {
		return 0, 0, ErrDomain
	}
	return plane(m.fe+m.r*wrap(lon-m.lon0)*radian, m.fn+m.r*m.c.isometric(lat*radian))
}

// Inverse implements Projection. Eastings more than half a turn from the
// central meridian are outside the domain.
func (m *Mercator) Inverse(x, y float64) (lon, lat float64, err error) {
	lam := (x - m.fe) / m.r
	if math.Abs(lam) > math.Pi*(1+1e-9) {
		return 0, 0, ErrDomain
	}
	return place(m.lon0, lam, m.c.latitude((y-m.fn)/m.r))
}
