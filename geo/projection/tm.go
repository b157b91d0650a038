package projection

import (
	"fmt"
	"math"

	"holdfast/geo"
)

// maxTMOffset is the largest distance in longitude from the central meridian,
// in degrees, at which the series is still used. The paper gives a few
// nanometres within 3,900 km of the meridian; at 60° and the equator it is
// still below a millimetre, beyond that it diverges.
const maxTMOffset = 60

// TransverseMercator is the ellipsoidal transverse Mercator (Gauss-Krüger)
// projection, EPSG method 9807, by Krüger's series to the sixth order in the
// third flattening: C. F. F. Karney, "Transverse Mercator with an accuracy of
// a few nanometers", J. Geodesy 85 (2011) 475-485, eqs. 7-36,
// doi:10.1007/s00190-011-0445-3. It is safe for concurrent use.
type TransverseMercator struct {
	lon0   float64    // degrees
	fe, fn float64    // metres; fn includes the shift of the latitude of origin
	scale  float64    // metres per unit of ξ: k0 A
	k0b1   float64    // k0 A / a
	e      float64    // eccentricity
	alp    [7]float64 // α1..α6, eq. 35
	bet    [7]float64 // β1..β6, eq. 36
}

// NewTransverseMercator returns the projection with central meridian lon0 and
// latitude of origin lat0 in degrees, scale k0 on the central meridian, and
// false easting and northing in metres.
func NewTransverseMercator(e geo.Ellipsoid, lon0, lat0, k0, falseEasting, falseNorthing float64) *TransverseMercator {
	n := e.N()
	n2 := n * n
	n3, n4, n5, n6 := n2*n, n2*n2, n2*n2*n, n2*n2*n2
	b1 := (1 + n2/4 + n4/64 + n6/256) / (1 + n)
	p := &TransverseMercator{
		lon0: lon0, fe: falseEasting, fn: falseNorthing,
		scale: k0 * e.A * b1, k0b1: k0 * b1,
		e: math.Sqrt(e.E2()),
		alp: [7]float64{
			0,
			n/2 - 2*n2/3 + 5*n3/16 + 41*n4/180 - 127*n5/288 + 7891*n6/37800,
			13*n2/48 - 3*n3/5 + 557*n4/1440 + 281*n5/630 - 1983433*n6/1935360,
			61*n3/240 - 103*n4/140 + 15061*n5/26880 + 167603*n6/181440,
			49561*n4/161280 - 179*n5/168 + 6601661*n6/7257600,
			34729*n5/80640 - 3418889*n6/1995840,
			212378941 * n6 / 319334400,
		},
		bet: [7]float64{
			0,
			n/2 - 2*n2/3 + 37*n3/96 - n4/360 - 81*n5/512 + 96199*n6/604800,
			n2/48 + n3/15 - 437*n4/1440 + 46*n5/105 - 1118711*n6/3870720,
			17*n3/480 - 37*n4/840 - 209*n5/4480 + 5569*n6/90720,
			4397*n4/161280 - 11*n5/504 - 830251*n6/7257600,
			4583*n5/161280 - 108847*n6/3991680,
			20648693 * n6 / 638668800,
		},
	}
	_, y, err := p.Forward(lon0, lat0)
	if err == nil {
		p.fn -= y - falseNorthing
	}
	return p
}

// Forward projects a position in degrees to metres. It refuses a latitude
// beyond ±90 and a longitude more than 60° from the central meridian.
func (p *TransverseMercator) Forward(lon, lat float64) (x, y float64, err error) {
	dlon, err := p.offset(lon, lat)
	if err != nil {
		return 0, 0, err
	}
	xip, etap := p.sphere(dlon, lat)
	sum, _ := krueger(&p.alp, xip, etap)
	return p.fe + p.scale*(etap+imag(sum)), p.fn + p.scale*(xip+real(sum)), nil
}

// ConvergenceScale returns the grid convergence (the bearing of grid north
// clockwise from true north) and the point scale at a position in degrees.
// Where Forward gives an error both are NaN.
func (p *TransverseMercator) ConvergenceScale(lon, lat float64) (gamma geo.Angle, k float64) {
	dlon, err := p.offset(lon, lat)
	if err != nil {
		return geo.Angle(math.NaN()), math.NaN()
	}
	xip, etap := p.sphere(dlon, lat)
	_, d := krueger(&p.alp, xip, etap)
	slam, clam := sincosd(dlon)
	sphi, cphi := sincosd(lat)
	// Multiplied through by cos φ, so that the pole needs no special case.
	taupc := conformalTan(p.e, sphi, cphi) // tan χ cos φ
	rp := math.Hypot(taupc, cphi*clam)
	gamma1 := math.Atan2(taupc*slam, math.Hypot(taupc, cphi)*clam)
	k1 := math.Sqrt(1-p.e*p.e*sphi*sphi) / rp
	return geo.Angle(gamma1 - math.Atan2(imag(d), real(d))),
		p.k0b1 * k1 * math.Hypot(real(d), imag(d))
}

// Inverse returns the position in degrees of a point in metres, -180 ≤ lon ≤
// 180. It refuses points outside the area the series covers.
func (p *TransverseMercator) Inverse(x, y float64) (lon, lat float64, err error) {
	xi, eta := (y-p.fn)/p.scale, (x-p.fe)/p.scale
	// η = asinh(tan 60°) = 1.317 is 60° of longitude on the equator; ξ = ±π/2 are the poles.
	if !(math.Abs(eta) <= 1.32 && math.Abs(xi) <= math.Pi/2+1e-9) {
		return 0, 0, fmt.Errorf("project back %.0f, %.0f: too far from the central meridian %g°: %w", x, y, p.lon0, ErrDomain)
	}
	sum, _ := krueger(&p.bet, xi, eta)
	xip, etap := xi-real(sum), eta-imag(sum)
	s := math.Sinh(etap)
	sxi, cxi := math.Sincos(xip)
	cxi = max(0, cxi)
	lon = math.Atan2(s, cxi) * degree
	lat = math.Atan(geographicTan(p.e, sxi/math.Hypot(s, cxi))) * degree
	return wrap(p.lon0 + lon), lat, nil
}

// offset returns the longitude relative to the central meridian, checked.
func (p *TransverseMercator) offset(lon, lat float64) (float64, error) {
	dlon := wrap(lon - p.lon0)
	if !(math.Abs(lat) <= 90) {
		return 0, fmt.Errorf("project %g, %g: latitude outside -90…90: %w", lon, lat, ErrDomain)
	}
	if !(math.Abs(dlon) <= maxTMOffset) {
		return 0, fmt.Errorf("project %g, %g: more than %d° of longitude from the central meridian %g°: %w", lon, lat, maxTMOffset, p.lon0, ErrDomain)
	}
	return dlon, nil
}

// sphere returns ξ' and η', the spherical transverse Mercator coordinates
// of the conformal latitude (eqs. 7-10).
func (p *TransverseMercator) sphere(dlon, lat float64) (xip, etap float64) {
	slam, clam := sincosd(dlon)
	sphi, cphi := sincosd(lat)
	taupc := conformalTan(p.e, sphi, cphi)
	c := cphi * clam
	return math.Atan2(taupc, c), math.Asinh(cphi * slam / math.Sqrt(taupc*taupc+c*c))
}

// krueger sums Σ c_j sin 2jζ and 1 + Σ 2j c_j cos 2jζ for ζ = xi + i eta by
// Clenshaw's recurrence.
func krueger(c *[7]float64, xi, eta float64) (sum, deriv complex128) {
	s, co := math.Sincos(2 * xi)
	ex := math.Exp(2 * eta)
	sh, ch := (ex-1/ex)/2, (ex+1/ex)/2
	if math.Abs(eta) < 0.1 { // the difference of exponentials loses digits near zero
		sh = math.Sinh(2 * eta)
	}
	ar, ai := 2*co*ch, -2*s*sh // 2 cos 2ζ
	var y0r, y0i, y1r, y1i, z0r, z0i, z1r, z1i float64
	for j := 6; j > 0; j-- {
		d := 2 * float64(j) * c[j]
		y0r, y0i, y1r, y1i = ar*y0r-ai*y0i-y1r+c[j], ar*y0i+ai*y0r-y1i, y0r, y0i
		z0r, z0i, z1r, z1i = ar*z0r-ai*z0i-z1r+d, ar*z0i+ai*z0r-z1i, z0r, z0i
	}
	sr, si := s*ch, co*sh // sin 2ζ
	sum = complex(y0r*sr-y0i*si, y0r*si+y0i*sr)
	// Σ d_j cos 2jζ = z0 cos 2ζ - z1
	deriv = complex(1-z1r+(z0r*ar-z0i*ai)/2, -z1i+(z0r*ai+z0i*ar)/2)
	return sum, deriv
}

// conformalTan returns cos φ · tan χ, χ the conformal latitude of φ (Karney
// 2011, eqs. 7-9), for eccentricity e. The factor cos φ keeps it finite at the
// poles.
func conformalTan(e, sphi, cphi float64) float64 {
	sig := math.Sinh(e * math.Atanh(e*sphi))
	return sphi*math.Sqrt(1+sig*sig) - sig
}

// geographicTan returns tan φ from tan χ by Newton's method (Karney 2011,
// eqs. 19-21), which reaches full precision in three steps on any planet-like
// ellipsoid.
func geographicTan(e, taup float64) float64 {
	if math.Abs(taup) > 1e8 { // so near the pole that rounding swamps the steps
		return taup * math.Exp(e*math.Atanh(e))
	}
	e2m := 1 - e*e
	tau := taup / e2m
	for range 5 {
		t1 := math.Sqrt(1 + tau*tau)
		sig := math.Sinh(e * math.Atanh(e*tau/t1))
		ta := tau*math.Sqrt(1+sig*sig) - sig*t1
		d := (taup - ta) / math.Sqrt(1+ta*ta) * (1 + e2m*tau*tau) / (e2m * t1)
		tau += d
		if math.Abs(d) <= 1e-9*max(1, math.Abs(tau)) { // quadratic: the next step is below rounding
			break
		}
	}
	return tau
}

// sincosd is the sine and cosine of an angle in degrees, exact at multiples
// of 90°, so that points on a meridian stay on it.
func sincosd(deg float64) (s, c float64) {
	r := math.Remainder(deg, 90)
	q := int(math.RoundToEven((math.Mod(deg, 360) - r) / 90))
	s, c = math.Sincos(r * radian)
	switch q & 3 {
	case 1:
		s, c = c, -s
	case 2:
		s, c = -s, -c
	case 3:
		s, c = -c, s
	}
	return s + 0, c + 0 // no negative zero
}
