package projection

import (
	"math"

	"holdfast/geo"
)

// conformal carries an ellipsoid's isometric latitude, the variable in which
// every conformal projection of the ellipsoid is written.
type conformal struct {
	e      float64    // first eccentricity
	toGeog [6]float64 // conformal → geographic latitude, sin 2jχ terms
}

func newConformal(el geo.Ellipsoid) conformal {
	return conformal{e: math.Sqrt(el.E2()), toGeog: seriesInN(el.N(), conformalToGeographic)}
}

// isometric returns ψ = asinh(tan φ) - e·atanh(e·sin φ) for φ in radians.
// It is ±infinite at the poles.
func (c conformal) isometric(phi float64) float64 {
	s := math.Sin(phi)
	if math.Abs(phi) >= math.Pi/2 {
		return math.Copysign(math.Inf(1), phi)
	}
	return math.Asinh(s/math.Cos(phi)) - c.e*math.Atanh(c.e*s)
}

// latitude returns the geographic latitude in radians of isometric latitude
// psi.
func (c conformal) latitude(psi float64) float64 {
	ep := math.Exp(-math.Abs(psi))
	d := 1 + ep*ep
	sin, cos := (1-ep*ep)/d, 2*ep/d // of the conformal latitude
	if psi < 0 {
		sin = -sin
	}
	return math.Atan2(sin, cos) + sineSeries(c.toGeog, sin, cos)
}

// authalic carries an ellipsoid's authalic latitude, the variable of the
// equal-area projections.
type authalic struct {
	e, qp  float64    // first eccentricity; q at the pole
	toGeog [6]float64 // authalic → geographic latitude, sin 2jβ terms
}

func newAuthalic(el geo.Ellipsoid) authalic {
	a := authalic{e: math.Sqrt(el.E2()), toGeog: seriesInN(el.N(), authalicToGeographic)}
	a.qp = a.q(1)
	return a
}

// q returns Snyder's q (eq. 3-12), the area north of the equator in units of
// πa² per hemisphere turn, for the sine of a latitude.
func (a authalic) q(sin float64) float64 {
	if a.e == 0 {
		return 2 * sin
	}
	es := a.e * sin
	return (1 - a.e*a.e) * (sin/(1-es*es) + math.Atanh(es)/a.e)
}

// latitude returns the geographic latitude in radians for q; it is NaN
// beyond the poles.
func (a authalic) latitude(q float64) float64 {
	sin := q / a.qp
	if math.Abs(sin) > 1 {
		if math.Abs(sin) > 1+1e-12 {
			return math.NaN()
		}
		sin = math.Copysign(1, sin)
	}
	cos := math.Sqrt((1 - sin) * (1 + sin))
	return math.Atan2(sin, cos) + sineSeries(a.toGeog, sin, cos)
}

// sineSeries sums c[j-1]·sin 2jθ by Clenshaw's recurrence, from sin θ, cos θ.
func sineSeries(c [6]float64, sin, cos float64) float64 {
	x := 2 * (cos - sin) * (cos + sin) // 2 cos 2θ
	var u0, u1 float64
	for j := len(c) - 1; j >= 0; j-- {
		u0, u1 = x*u0-u1+c[j], u0
	}
	return 2 * sin * cos * u0
}

// seriesInN evaluates a triangular table of polynomials in the third
// flattening; row j starts at the power n^(j+1).
func seriesInN(n float64, table [6][6]float64) (c [6]float64) {
	for j, row := range table {
		p := 0.0
		for k := len(row) - 1 - j; k >= 0; k-- {
			p = p*n + row[k]
		}
		c[j] = p * math.Pow(n, float64(j+1))
	}
	return c
}

// Coefficients of sin 2jθ in powers of the third flattening n, to n⁶:
// C. F. F. Karney, On auxiliary latitudes, Survey Review 56 (2024) 165-180,
// tables for φ-χ and φ-ξ (figures from memory; the tests hold each against
// the closed forms of χ and ξ).
var (
	conformalToGeographic = [6][6]float64{
		{2, -2.0 / 3, -2, 116.0 / 45, 26.0 / 45, -2854.0 / 675},
		{7.0 / 3, -8.0 / 5, -227.0 / 45, 2704.0 / 315, 2323.0 / 945},
		{56.0 / 15, -136.0 / 35, -1262.0 / 105, 73814.0 / 2835},
		{4279.0 / 630, -332.0 / 35, -399572.0 / 14175},
		{4174.0 / 315, -144838.0 / 6237},
		{601676.0 / 22275},
	}
	authalicToGeographic = [6][6]float64{
		{4.0 / 3, 4.0 / 45, -16.0 / 35, -2582.0 / 14175, 60136.0 / 467775, 28112932.0 / 212837625},
		{46.0 / 45, 152.0 / 945, -11966.0 / 14175, -21016.0 / 51975, 251310128.0 / 638512875},
		{3044.0 / 2835, 3802.0 / 14175, -94388.0 / 66825, -8797648.0 / 10945935},
		{6059.0 / 4725, 41072.0 / 93555, -1472637812.0 / 638512875},
		{768272.0 / 467775, 455935736.0 / 638512875},
		{4210684958.0 / 1915538625},
	}
)
