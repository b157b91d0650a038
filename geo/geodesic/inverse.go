package geodesic

import "math"

const (
	epsilon = 0x1p-52
	tiny    = 0x1p-511 // its square does not underflow
)

// endpoints is the inverse problem in the one layout that is solved: point 1
// is the one farther from the equator, in the southern hemisphere, and
// point 2 lies east of it, so that -π/2 ≤ β1 ≤ 0, β1 ≤ β2 ≤ -β1 and
// 0 ≤ λ12 ≤ π, with β the reduced latitude.
type endpoints struct {
	sb1, cb1, sb2, cb2 float64 // sine and cosine of β
	dn1, dn2           float64 // √(1 + e'² sin² β)
	lam12              float64 // rad
	slam12, clam12     float64
	suppl              float64 // π - λ12, accurate near λ12 = π
	swapped            bool
	latSign, lonSign   float64 // to multiply north and east by on the way back
}

// course is the shortest geodesic between endpoints, in their layout.
type course struct {
	s12                float64 // m
	sa1, ca1, sa2, ca2 float64 // sine and cosine of the azimuths, unit length
	sig12              float64 // arc on the auxiliary sphere, rad; not set on the equator
	meridional         bool
}

// arrange puts two points, in degrees, into the layout of endpoints.
func (w *spheroid) arrange(lon1, lat1, lon2, lat2 float64) (p endpoints) {
	lon12, e := angDiff(lon1, lon2)
	p.lonSign = 1
	if math.Signbit(lon12) {
		p.lonSign = -1
		lon12, e = -lon12, -e
	}
	lat1, lat2 = coarsen(lat1), coarsen(lat2)
	if math.Abs(lat1) < math.Abs(lat2) {
		lat1, lat2 = lat2, lat1
		p.lonSign = -p.lonSign
		p.swapped = true
	}
	p.latSign = 1
	if !(lat1 < 0) {
		p.latSign = -1
		lat1, lat2 = -lat1, -lat2
	}

	lon12 = coarsen(lon12)
	suppl := (180 - lon12) - e
	p.lam12 = (lon12 + e) * degree
	p.suppl = suppl * degree
	if lon12 > 90 {
		p.slam12, p.clam12 = sincosd(suppl, 0)
		p.clam12 = -p.clam12
	} else {
		p.slam12, p.clam12 = sincosd(lon12, e)
	}

	p.sb1, p.cb1 = w.reduced(lat1)
	p.sb2, p.cb2 = w.reduced(lat2)
	p.dn1 = math.Sqrt(1 + w.ep2*p.sb1*p.sb1)
	p.dn2 = math.Sqrt(1 + w.ep2*p.sb2*p.sb2)
	return p
}

// reduced returns the sine and cosine of the reduced latitude (eq. 6). The
// cosine is kept above zero so that the azimuth at a pole has a meaning.
func (w *spheroid) reduced(lat float64) (s, c float64) {
	s, c = sincosd(lat, 0)
	s, c = norm(s*w.f1, c)
	return s, max(tiny, c)
}

// restore returns the azimuths of c as they are between the points given.
func (p *endpoints) restore(c *course) (sa1, ca1, sa2, ca2 float64) {
	sa1, ca1, sa2, ca2 = c.sa1, c.ca1, c.sa2, c.ca2
	east, north := p.lonSign, p.latSign
	if p.swapped {
		sa1, ca1, sa2, ca2 = sa2, ca2, sa1, ca1
		east, north = -east, -north
	}
	return east * sa1, north * ca1, east * sa2, north * ca2
}

// solve finds the shortest geodesic.
func (w *spheroid) solve(p *endpoints) course {
	if p.cb1 <= tiny || p.slam12 == 0 {
		if c, ok := w.meridian(p); ok {
			return c
		}
	}
	if p.sb1 == 0 && p.suppl >= w.f*math.Pi {
		// Both on the equator and the equator is still the shortest way.
		return course{s12: w.a * p.lam12, sa1: 1, sa2: 1}
	}
	return w.oblique(p)
}

// meridian solves points on one meridian; ok is false if they are so nearly
// opposite that the meridian is not the shortest way.
func (w *spheroid) meridian(p *endpoints) (c course, ok bool) {
	c = course{sa1: p.slam12, ca1: p.clam12, ca2: 1, meridional: true}
	t := trial{
		ssig1: p.sb1, csig1: p.clam12 * p.cb1,
		ssig2: p.sb2, csig2: p.cb2,
		eps: w.n, k2: w.ep2,
	}
	t.span()
	if t.sig12 >= 1 && w.reducedLength(p, &t) < 0 {
		return c, false
	}
	if t.sig12 >= 3*tiny {
		c.s12 = max(0, w.length(&t))
	}
	return c, true
}

// trial is a geodesic from point 1 to the latitude of point 2.
type trial struct {
	sa2, ca2       float64 // azimuth at point 2
	ssig1, csig1   float64 // arc length from the equator to point 1 (eq. 11)
	ssig2, csig2   float64
	sig12          float64 // rad
	sa0            float64 // sine of the azimuth at the equator
	somg12, comg12 float64 // longitude difference on the auxiliary sphere, not normalised
	k2, eps        float64 // eqs. 9 and 16
}

// span sets the arc length between the two points.
func (t *trial) span() {
	t.sig12 = math.Atan2(
		max(0, t.csig1*t.ssig2-t.ssig1*t.csig2)+0,
		t.csig1*t.csig2+t.ssig1*t.ssig2)
}

// aim sets t to the geodesic that leaves point 1 with azimuth α1 (sec. 4).
func (w *spheroid) aim(p *endpoints, sa1, ca1 float64, t *trial) {
	if p.sb1 == 0 && ca1 == 0 {
		ca1 = tiny // off the equator, where σ is counted from
	}
	t.sa0 = sa1 * p.cb1
	q := sa1 * p.sb1
	ca0 := math.Sqrt(ca1*ca1 + q*q)

	x1 := ca1 * p.cb1
	var x2 float64 // cos α2 cos β2
	if p.cb2 == p.cb1 && math.Abs(p.sb2) == -p.sb1 {
		x2 = math.Abs(x1)
		t.sa2, t.ca2 = sa1, math.Abs(ca1)
	} else {
		// eq. 45, the difference of squares so written as not to cancel
		var d float64
		if p.cb1 < -p.sb1 {
			d = (p.cb2 - p.cb1) * (p.cb1 + p.cb2)
		} else {
			d = (p.sb1 - p.sb2) * (p.sb1 + p.sb2)
		}
		x2 = math.Sqrt(x1*x1 + d)
		t.sa2, t.ca2 = t.sa0/p.cb2, x2/p.cb2
	}
	t.ssig1, t.csig1 = p.sb1/ca0, x1/ca0
	t.ssig2, t.csig2 = p.sb2/ca0, x2/ca0
	t.span()

	o1, o2 := t.sa0*p.sb1, t.sa0*p.sb2
	t.somg12 = max(0, x1*o2-o1*x2) + 0
	t.comg12 = x1*x2 + o1*o2
	t.k2 = ca0 * ca0 * w.ep2
	t.eps = expansion(t.k2)
}

// miss returns how far east of point 2 the trial meets its latitude, in
// radians of longitude (eqs. 8 and 23).
func (w *spheroid) miss(p *endpoints, t *trial) float64 {
	eta := math.Atan2(
		t.somg12*p.clam12-t.comg12*p.slam12,
		t.comg12*p.clam12+t.somg12*p.slam12)
	c3 := w.seriesC3(t.eps)
	b := sinSeries5(t.ssig2, t.csig2, &c3) - sinSeries5(t.ssig1, t.csig1, &c3)
	return eta - w.f*t.sa0*w.seriesA3(t.eps)*(t.sig12+b)
}

// slope returns the derivative of miss with respect to α1 (eq. 46).
func (w *spheroid) slope(p *endpoints, t *trial) float64 {
	if t.ca2 == 0 {
		return -2 * w.f1 * p.dn1 / p.sb1
	}
	return w.f1 * w.reducedLength(p, t) / (t.ca2 * p.cb2)
}

// reducedLength returns m12/b (eq. 38) with the small integral J(σ) cut after
// k⁴: good to 1e-7, enough to steer by.
func (w *spheroid) reducedLength(p *endpoints, t *trial) float64 {
	s1, s2 := 2*t.ssig1*t.csig1, 2*t.ssig2*t.csig2 // sin 2σ
	c1, c2 := 1-2*t.ssig1*t.ssig1, 1-2*t.ssig2*t.ssig2
	d2, d4 := s2-s1, 2*(s2*c2-s1*c1) // differences of sin 2σ, sin 4σ
	j := t.k2 * ((t.sig12/2 - d2/4) - t.k2/2*(t.sig12*3/8-d2/4+d4/32))
	return p.dn2*(t.csig1*t.ssig2) - p.dn1*(t.ssig1*t.csig2) - t.csig1*t.csig2*j
}

// length returns the distance in metres along the trial (eqs. 7 and 15).
func (w *spheroid) length(t *trial) float64 {
	c1 := seriesC1(t.eps)
	b := sinSeries(t.ssig2, t.csig2, &c1) - sinSeries(t.ssig1, t.csig1, &c1)
	return w.b * seriesA1(t.eps) * (t.sig12 + b)
}

// oblique solves the general case by Newton's method on α1 (sec. 4). From the
// start it is given it takes at most five steps on WGS 84; the limit is there
// so that it ends whatever happens.
func (w *spheroid) oblique(p *endpoints) course {
	sa1, ca1, c, done := w.start(p)
	if done {
		return c
	}
	var t trial
	w.aim(p, sa1, ca1, &t)
	for range 20 {
		v := w.miss(p, &t)
		if !(math.Abs(v) > epsilon) {
			break
		}
		slope := w.slope(p, &t)
		step := -v / slope
		s, c := math.Sincos(step)
		last := math.Abs(v) <= 16*epsilon || w.settles(p, &t, ca1, v, slope)
		sa1, ca1 = norm(max(tiny, sa1*c+ca1*s), ca1*c-sa1*s)
		w.aim(p, sa1, ca1, &t)
		if last {
			break
		}
	}
	return course{s12: w.length(&t), sa1: sa1, ca1: ca1, sa2: t.sa2, ca2: t.ca2, sig12: t.sig12}
}

// settles tells whether the Newton step for the miss v leaves an error below
// round-off, so that no further look at the miss is needed. After the step
// the azimuth is off by about step² times bend, half the logarithmic
// derivative of the slope, and by step times the relative error of the slope;
// the longitude by that times the slope.
func (w *spheroid) settles(p *endpoints, t *trial, ca1, v, slope float64) bool {
	bend := 2 + math.Abs(ca1*p.cb1/(t.ca2*t.ca2*p.cb2))
	if t.csig1*t.csig2+t.ssig1*t.ssig2 < 0 {
		bend += math.Abs(1 / (slope * t.ca2 * p.cb2))
	}
	step := math.Abs(v / slope)
	return (step*bend+t.k2*t.k2*t.k2/8)*max(step, math.Abs(v)) < epsilon
}
