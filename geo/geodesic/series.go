package geodesic

import (
	"math"

	"holdfast/geo"
)

// spheroid is an oblate ellipsoid with the coefficients that depend on its
// shape alone. Equation numbers in this package are those of C. F. F. Karney,
// "Algorithms for geodesics", J. Geodesy 87, 43-55 (2013).
type spheroid struct {
	a, b    float64 // equatorial and polar radius, m
	f, f1   float64 // flattening and 1 - f
	n       float64 // third flattening
	e2, ep2 float64 // first and second eccentricity squared
	c2      float64 // authalic radius squared, m²
	a3      [6]float64
	c3      [15]float64
	c4      [21]float64
}

func newSpheroid(el geo.Ellipsoid) *spheroid {
	w := &spheroid{a: el.A, b: el.B(), f: el.F, f1: 1 - el.F, n: el.N(), e2: el.E2()}
	w.ep2 = w.e2 / (w.f1 * w.f1)
	q := 1.0 // atanh(e)/e
	if w.e2 > 0 {
		e := math.Sqrt(w.e2)
		q = math.Atanh(e) / e
	}
	w.c2 = (w.a*w.a + w.b*w.b*q) / 2 // sec. 6
	w.a3 = coeffA3(w.n)
	w.c3 = coeffC3(w.n)
	w.c4 = coeffC4(w.n)
	return w
}

// expansion returns ε for k² (eq. 16).
func expansion(k2 float64) float64 {
	return k2 / (2*(1+math.Sqrt(1+k2)) + k2)
}

// sinSeries returns Σ c[l-1] sin 2lσ, l = 1…6, by Clenshaw summation.
func sinSeries(s, c float64, k *[6]float64) float64 {
	t := 2 * (c - s) * (c + s) // 2 cos 2σ
	b6 := k[5]
	b5 := k[4] + t*b6
	b4 := k[3] - b6 + t*b5
	b3 := k[2] - b5 + t*b4
	b2 := k[1] - b4 + t*b3
	b1 := k[0] - b3 + t*b2
	return 2 * s * c * b1
}

// sinSeries5 is sinSeries with five terms.
func sinSeries5(s, c float64, k *[5]float64) float64 {
	t := 2 * (c - s) * (c + s)
	b5 := k[4]
	b4 := k[3] + t*b5
	b3 := k[2] - b5 + t*b4
	b2 := k[1] - b4 + t*b3
	b1 := k[0] - b3 + t*b2
	return 2 * s * c * b1
}

// cosSeries returns Σ k[l] cos (2l+1)σ, l = 0…5.
func cosSeries(s, c float64, k *[6]float64) float64 {
	t := 2 * (c - s) * (c + s)
	b5 := k[5]
	b4 := k[4] + t*b5
	b3 := k[3] - b5 + t*b4
	b2 := k[2] - b4 + t*b3
	b1 := k[1] - b3 + t*b2
	b0 := k[0] - b2 + t*b1
	return c * (b0 - b1)
}

// seriesA1 returns the scale of the distance integral I1 (eq. 17).
func seriesA1(e float64) float64 {
	e2 := e * e
	return (1 + e2*(1.0/4+e2*(1.0/64+e2*(1.0/256)))) / (1 - e)
}

// seriesC1 returns the Fourier coefficients of I1 (eq. 18).
func seriesC1(e float64) (c [6]float64) {
	e2 := e * e
	d := e
	c[0] = d * (-1.0/2 + e2*(3.0/16-e2*(1.0/32)))
	d *= e
	c[1] = d * (-1.0/16 + e2*(1.0/32-e2*(9.0/2048)))
	d *= e
	c[2] = d * (-1.0/48 + e2*(3.0/256))
	d *= e
	c[3] = d * (-5.0/512 + e2*(3.0/512))
	d *= e
	c[4] = d * (-7.0 / 1280)
	d *= e
	c[5] = d * (-7.0 / 2048)
	return c
}

// seriesC1p returns the coefficients of the series that inverts I1 (eq. 21).
func seriesC1p(e float64) (c [6]float64) {
	e2 := e * e
	d := e
	c[0] = d * (1.0/2 + e2*(-9.0/32+e2*(205.0/1536)))
	d *= e
	c[1] = d * (5.0/16 + e2*(-37.0/96+e2*(1335.0/4096)))
	d *= e
	c[2] = d * (29.0/96 - e2*(75.0/128))
	d *= e
	c[3] = d * (539.0/1536 - e2*(2391.0/2560))
	d *= e
	c[4] = d * (3467.0 / 7680)
	d *= e
	c[5] = d * (38081.0 / 61440)
	return c
}

// coeffA3 returns the powers of ε in the scale of the longitude integral I3
// (eq. 24).
func coeffA3(n float64) [6]float64 {
	return [6]float64{
		1,
		-(1.0/2 - n/2),
		-(1.0/4 + n*(1.0/8-n*3/8)),
		-(1.0/16 + n*(3.0/16+n/16)),
		-(3.0/64 + n/32),
		-3.0 / 128,
	}
}

func (w *spheroid) seriesA3(e float64) float64 {
	k := &w.a3
	return k[0] + e*(k[1]+e*(k[2]+e*(k[3]+e*(k[4]+e*k[5]))))
}

// coeffC3 returns the powers of ε in the Fourier coefficients of I3 (eq. 25):
// ε…ε⁵ of the first, ε²…ε⁵ of the second, and so on.
func coeffC3(n float64) [15]float64 {
	return [15]float64{
		1.0/4 - n/4,
		1.0/8 - n*n/8,
		3.0/64 + n*(3.0/64-n/64),
		5.0/128 + n/64,
		3.0 / 128,

		1.0/16 + n*(-3.0/32+n/32),
		3.0/64 - n*(1.0/32+n*3/64),
		3.0/128 + n/128,
		5.0 / 256,

		5.0/192 + n*(-3.0/64+n*5/192),
		3.0/128 - n*5/192,
		7.0 / 512,

		7.0/512 - n*7/256,
		7.0 / 512,

		21.0 / 2560,
	}
}

func (w *spheroid) seriesC3(e float64) (c [5]float64) {
	k := &w.c3
	d := e
	c[0] = d * (k[0] + e*(k[1]+e*(k[2]+e*(k[3]+e*k[4]))))
	d *= e
	c[1] = d * (k[5] + e*(k[6]+e*(k[7]+e*k[8])))
	d *= e
	c[2] = d * (k[9] + e*(k[10]+e*k[11]))
	d *= e
	c[3] = d * (k[12] + e*k[13])
	d *= e
	c[4] = d * k[14]
	return c
}

// coeffC4 returns the powers of ε in the Fourier coefficients of the area
// integral I4 (eq. 63): 1…ε⁵ of the first, ε…ε⁵ of the second, and so on.
func coeffC4(n float64) [21]float64 {
	return [21]float64{
		2.0/3 + n*(-4.0/15+n*(8.0/105+n*(4.0/315+n*(16.0/3465+n*20/9009)))),
		-1.0/5 + n*(16.0/35+n*(-32.0/105+n*(16.0/385+n*64/15015))),
		-2.0/105 + n*(-32.0/315+n*(1088.0/3465-n*1184/5005)),
		11.0/315 - n*(368.0/3465+n*32/6435),
		4.0/1155 + n*1088/45045,
		97.0 / 15015,

		1.0/45 + n*(-16.0/315+n*(32.0/945-n*(16.0/3465+n*64/135135))),
		-2.0/105 + n*(64.0/945+n*(-128.0/1485+n*1984/45045)),
		-1.0/105 + n*(16.0/2079+n*5792/135135),
		4.0/1155 - n*2944/135135,
		1.0 / 9009,

		4.0/525 + n*(-32.0/1575+n*(64.0/3465-n*32/5005)),
		-8.0/1575 + n*(128.0/5775-n*256/6825),
		-8.0/1925 + n*1856/225225,
		8.0 / 10725,

		8.0/2205 + n*(-256.0/24255+n*512/45045),
		-16.0/8085 + n*1024/105105,
		-136.0 / 63063,

		64.0/31185 - n*512/81081,
		-128.0 / 135135,

		128.0 / 99099,
	}
}

func (w *spheroid) seriesC4(e float64) (c [6]float64) {
	k := w.c4[:]
	d := 1.0
	for l := range c {
		m := len(c) - l
		p := 0.0
		for j := m - 1; j >= 0; j-- {
			p = p*e + k[j]
		}
		c[l] = d * p
		d *= e
		k = k[m:]
	}
	return c
}
