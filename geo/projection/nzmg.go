package projection

import (
	"fmt"
	"math"
	"math/cmplx"

	"holdfast/geo"
)

// NewZealandMapGrid is EPSG method 9811, a sixth-order complex polynomial
// fitted to New Zealand alone: W. I. Reilly, A conformal mapping projection
// with minimum scale error, Survey Review 22 (1973) 57-71; coefficients from
// Land Information New Zealand's LINZS25002 appendix (from memory; the tests
// hold the projection against PROJ's nzmg).
type NewZealandMapGrid struct {
	a          float64
	lon0, lat0 float64 // degrees
	fe, fn     float64
}

var (
	// isometric latitude difference as a polynomial of the latitude
	// difference in units of 10⁵ seconds of arc, from the first power
	nzmgLatitude = [10]float64{
		0.6399175073, -0.1358797613, 0.063294409, -0.02526853, 0.0117879,
		-0.0055161, 0.0026906, -0.001333, 0.00067, -0.00034,
	}
	nzmgPlane = [6]complex128{
		0.7557853228, 0.249204646 + 0.003371507i, -0.001541739 + 0.041058560i,
		-0.10162907 + 0.01727609i, -0.26623489 - 0.36249218i, -0.6870983 - 1.1651967i,
	}
)

// nzmgSpan bounds the plane coordinates, in units of the radius, within which
// the polynomial is used; the grid itself reaches to 0.14.
const nzmgSpan = 0.25

// NewNewZealandMapGrid returns EPSG method 9811 about lon0, lat0 in degrees
// with false easting and northing in metres. The polynomial is meant for the
// International 1924 ellipsoid and the origin 173° E 41° S.
func NewNewZealandMapGrid(e geo.Ellipsoid, lon0, lat0, fe, fn float64) (*NewZealandMapGrid, error) {
	if !finite(e.A, e.F, lon0, lat0, fe, fn) || math.Abs(lat0) > 90 {
		return nil, fmt.Errorf("define New Zealand Map Grid at %v, %v: %w", lon0, lat0, ErrParameter)
	}
	return &NewZealandMapGrid{a: e.A, lon0: lon0, lat0: lat0, fe: fe, fn: fn}, nil
}

// Forward implements Projection. Places far from New Zealand are outside the
// domain.
func (p *NewZealandMapGrid) Forward(lon, lat float64) (x, y float64, err error) {
	dlat, dlon := lat-p.lat0, wrap(lon-p.lon0)
	if !valid(lon, lat) || math.Abs(dlat) > 12 || math.Abs(dlon) > 12 {
		return 0, 0, ErrDomain
	}
	d := dlat * 3600e-5
	var psi float64
	for i := len(nzmgLatitude) - 1; i >= 0; i-- {
		psi = (psi + nzmgLatitude[i]) * d
	}
	z, _ := nzmgMap(complex(psi, dlon*radian))
	return plane(p.fe+p.a*imag(z), p.fn+p.a*real(z))
}

// Inverse implements Projection.
func (p *NewZealandMapGrid) Inverse(x, y float64) (lon, lat float64, err error) {
	target := complex((y-p.fn)/p.a, (x-p.fe)/p.a)
	if !(cmplx.Abs(target) <= nzmgSpan) {
		return 0, 0, ErrDomain
	}
	zeta := target / nzmgPlane[0]
	for range 10 {
		z, dz := nzmgMap(zeta)
		step := (z - target) / dz
		zeta -= step
		if cmplx.Abs(step) < 1e-15 {
			break
		}
	}
	psi := real(zeta)
	d := psi / nzmgLatitude[0]
	for range 10 {
		var f, df float64
		for i := len(nzmgLatitude) - 1; i >= 0; i-- {
			f = (f + nzmgLatitude[i]) * d
			df = df*d + float64(i+1)*nzmgLatitude[i]
		}
		step := (f - psi) / df
		d -= step
		if math.Abs(step) < 1e-15 {
			break
		}
	}
	return place(p.lon0, imag(zeta), (p.lat0+d/3600e-5)*radian)
}

// nzmgMap returns the polynomial in ζ and its derivative.
func nzmgMap(zeta complex128) (z, dz complex128) {
	for i := len(nzmgPlane) - 1; i >= 0; i-- {
		z = (z + nzmgPlane[i]) * zeta
		dz = dz*zeta + complex(float64(i+1), 0)*nzmgPlane[i]
	}
	return z, dz
}
