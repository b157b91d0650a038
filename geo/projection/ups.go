package projection

import (
	"fmt"
	"math"

	"holdfast/geo"
)

// PolarStereographic is the ellipsoidal polar stereographic projection,
// variant A (EPSG method 9810): true scale k0 at the pole. Formulas: IOGP
// Guidance Note 7-2, section "Polar Stereographic", written with the
// conformal latitude of Karney (2011). It is safe for concurrent use.
type PolarStereographic struct {
	north        bool
	lon0, fe, fn float64
	k0, a        float64
	radius       float64 // metres per unit of tan(π/4 - χ/2)
	e            float64 // eccentricity
}

// NewPolarStereographicA returns the projection about the north or the south
// pole: lon0 in degrees runs straight down from the north pole (up from the
// south pole), k0 is the scale at the pole, fe and fn are the coordinates of
// the pole in metres.
func NewPolarStereographicA(e geo.Ellipsoid, north bool, lon0, k0, fe, fn float64) *PolarStereographic {
	ecc := math.Sqrt(e.E2())
	c := (1 - e.F) * math.Exp(ecc*math.Atanh(ecc))
	return &PolarStereographic{
		north: north, lon0: lon0, fe: fe, fn: fn, k0: k0, a: e.A,
		radius: 2 * k0 * e.A / c, e: ecc,
	}
}

// Forward projects a position in degrees to metres. It refuses a latitude
// beyond ±90 and the far hemisphere.
func (p *PolarStereographic) Forward(lon, lat float64) (x, y float64, err error) {
	rho, err := p.rho(lon, lat)
	if err != nil {
		return 0, 0, err
	}
	s, c := sincosd(lon - p.lon0)
	if p.north {
		c = -c
	}
	return p.fe + rho*s, p.fn + rho*c, nil
}

// ConvergenceScale returns the grid convergence (the bearing of grid north
// clockwise from true north) and the point scale at a position in degrees.
// At the pole itself the convergence follows from the longitude given. Where
// Forward gives an error both are NaN.
func (p *PolarStereographic) ConvergenceScale(lon, lat float64) (gamma geo.Angle, k float64) {
	rho, err := p.rho(lon, lat)
	if err != nil {
		return geo.Angle(math.NaN()), math.NaN()
	}
	g := wrap(lon - p.lon0)
	if !p.north {
		g = -g
	}
	sphi, cphi := sincosd(lat)
	if cphi == 0 {
		return geo.Degrees(g), p.k0
	}
	return geo.Degrees(g), rho / p.a / cphi * math.Sqrt(1-p.e*p.e*sphi*sphi)
}

// Inverse returns the position in degrees of a point in metres, -180 ≤ lon ≤
// 180. At the pole the longitude is lon0. It refuses points beyond the
// equator.
func (p *PolarStereographic) Inverse(x, y float64) (lon, lat float64, err error) {
	dx, dy := x-p.fe, y-p.fn
	rho := math.Hypot(dx, dy)
	if !(rho <= p.radius*(1+1e-12)) {
		return 0, 0, fmt.Errorf("project back %.0f, %.0f: beyond the equator as seen from the pole: %w", x, y, ErrDomain)
	}
	if p.north {
		dy = -dy
	}
	if rho == 0 {
		lon, lat = 0, 90
	} else {
		t := rho / p.radius
		lat = math.Atan(geographicTan(p.e, (1/t-t)/2)) * degree
		lon = math.Atan2(dx, dy) * degree
	}
	if !p.north {
		lat = -lat
	}
	return wrap(p.lon0 + lon), lat, nil
}

// rho is the distance from the pole on the plane, in metres.
func (p *PolarStereographic) rho(lon, lat float64) (float64, error) {
	if !valid(lon, lat) {
		return 0, fmt.Errorf("project %g, %g: not a position in degrees: %w", lon, lat, ErrDomain)
	}
	if (lat < 0) == p.north && lat != 0 {
		return 0, fmt.Errorf("project %g, %g: on the far side of the equator: %w", lon, lat, ErrDomain)
	}
	sphi, cphi := sincosd(math.Abs(lat))
	t := conformalTan(p.e, sphi, cphi)
	// tan(π/4 - χ/2) = 1/(sec χ + tan χ)
	return p.radius * cphi / (math.Hypot(cphi, t) + t), nil
}
