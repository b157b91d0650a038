package geodesic

import "math"

// shortArc is the arc, in radians, below which the sphere that fits the
// ellipsoid along the line is exact: its error in azimuth, about f σ²,
// moves the far end by less than a nanometre (190 m).
const shortArc = 3e-5

// start returns a first azimuth at point 1, as sine and cosine, for Newton's
// method; or, for short lines, the finished course.
func (w *spheroid) start(p *endpoints) (sa1, ca1 float64, c course, done bool) {
	sb12 := p.sb2*p.cb1 - p.cb2*p.sb1 // sin(β2 - β1)
	if p.clam12 > 0 && p.cb2*p.lam12 < 0.5 && sb12 < 0.5 && p.sb1*p.sb2+p.cb1*p.cb2 > 0 {
		return w.startShort(p, sb12)
	}
	sa1, ca1 = p.toward(p.slam12, p.clam12)
	csig := p.sb1*p.sb2 + p.cb1*p.cb2*p.clam12
	ssig := math.Sqrt(sa1*sa1 + ca1*ca1)
	if csig < 0 && ssig < 6*w.n*math.Pi*p.cb1*p.cb1 {
		sa1, ca1 = w.startAntipodal(p)
	} else {
		// The longitude on the sphere is longer (eq. 8 to first order in f).
		s, k := math.Sincos(w.f * sa1 * p.cb1 / ssig * math.Atan2(ssig, csig))
		sa1, ca1 = p.toward(p.slam12*k+p.clam12*s, p.clam12*k-p.slam12*s)
	}
	sa1, ca1 = norm(sa1, ca1)
	return sa1, ca1, c, false
}

// toward returns sine and cosine of the azimuth at point 1 to point 2 on a
// sphere, times the sine of their distance, for a longitude difference given
// by sine and cosine (sec. 5).
func (p *endpoints) toward(somg, comg float64) (sa1, ca1 float64) {
	h := p.cb2 * p.sb1 * somg * somg
	if comg > 0 {
		return p.cb2 * somg, p.sb2*p.cb1 - p.cb2*p.sb1 + h/(1+comg)
	}
	return p.cb2 * somg, p.sb2*p.cb1 + p.cb2*p.sb1 - h/(1-comg)
}

// startShort takes the sphere that has the ellipsoid's scale at the middle
// latitude (sec. 5).
func (w *spheroid) startShort(p *endpoints, sb12 float64) (sa1, ca1 float64, c course, done bool) {
	s, k := p.sb1+p.sb2, p.cb1+p.cb2
	s *= s
	dn := math.Sqrt(1 + w.ep2*s/(s+k*k))
	somg, comg := math.Sincos(p.lam12 / (w.f1 * dn))
	sa1, ca1 = p.toward(somg, comg)
	ssig := math.Sqrt(sa1*sa1 + ca1*ca1)
	sa1, ca1 = norm(sa1, ca1)
	if ssig < shortArc {
		c = course{sa1: sa1, ca1: ca1, sig12: ssig * (1 + ssig*ssig/6)}
		c.s12 = w.b * dn * c.sig12
		c.sa2, c.ca2 = norm(p.cb1*somg, sb12-p.cb1*p.sb2*somg*somg/(1+comg))
		done = true
	}
	return sa1, ca1, c, done
}

// startAntipodal solves the nearly antipodal case on the plane of the astroid
// that is the envelope of the geodesics there (sec. 5).
func (w *spheroid) startAntipodal(p *endpoints) (sa1, ca1 float64) {
	sb12a := p.sb2*p.cb1 + p.cb2*p.sb1 // sin(β2 + β1)
	eps := expansion(p.sb1 * p.sb1 * w.ep2)
	lamScale := w.f * p.cb1 * w.seriesA3(eps) * math.Pi
	x := -p.suppl / lamScale
	y := sb12a / (lamScale * p.cb1)
	if y > -200*epsilon && x > -1-1000*math.Sqrt(epsilon) {
		sa1 = min(1, -x)
		return sa1, -math.Sqrt(1 - sa1*sa1)
	}
	k := astroid(x, y)
	omg := lamScale * -x * k / (1 + k) // ω12 = π - omg
	somg, comg := math.Sincos(omg)
	return p.toward(somg, -comg)
}

// astroid returns the largest root k of
// k⁴ + 2k³ - (x² + y² - 1)k² - 2y²k - y² = 0 (eq. 55), for x ≤ 0 and y ≤ 0
// off the segment y = 0, x ≥ -1, where it is 0.
func astroid(x, y float64) float64 {
	p, q := x*x, y*y
	r := (p + q - 1) / 6
	s := p * q / 4
	r3 := r * r * r
	u := r
	if disc := s * (s + 2*r3); disc >= 0 {
		t3 := s + r3
		t3 += math.Copysign(math.Sqrt(disc), t3) // the sign that does not cancel
		t := math.Cbrt(t3)
		u += t
		if t != 0 {
			u += r * r / t
		}
	} else {
		u += 2 * r * math.Cos(math.Atan2(math.Sqrt(-disc), -(s+r3))/3)
	}
	v := math.Sqrt(u*u + q)
	uv := u + v
	if u < 0 {
		uv = q / (v - u)
	}
	h := (uv - q) / (2 * v)
	return uv / (math.Sqrt(uv+h*h) + h)
}
