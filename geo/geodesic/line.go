package geodesic

import (
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Line is a geodesic through a point in a direction, prepared so that points
// along it are cheap to find. Make it with NewLine.
type Line struct {
	w            *spheroid
	lon1         float64 // degrees, in [-180, 180]
	sa0, ca0     float64 // azimuth at the equator (eq. 10)
	ssig1, csig1 float64 // arc length from the equator to the start (eq. 11)
	somg1, comg1 float64 // longitude from there on the auxiliary sphere (eq. 12)
	stau1, ctau1 float64 // distance from there as an angle (eq. 20)
	b1, b3       float64 // I1 and I3 at the start, less their linear part
	scale        float64 // b A1, m
	a3           float64 // f sin α0 A3
	c1p          [6]float64
	c3           [5]float64
}

// NewLine returns the geodesic that leaves a on bearing az. With an invalid
// point or bearing all its points are NaN.
func NewLine(a orb.Point, az geo.Bearing) Line { return wgs84.line(a, az) }

func (w *spheroid) line(a orb.Point, az geo.Bearing) (l Line) {
	l.w = w
	l.lon1 = normalize(a[0])
	lat := a[1]
	if !valid(a) {
		lat = math.NaN()
	}
	sa1, ca1 := sincosd(coarsen(float64(az)), 0)
	sb1, cb1 := w.reduced(coarsen(lat))

	l.sa0 = sa1 * cb1
	q := sa1 * sb1
	l.ca0 = math.Sqrt(ca1*ca1 + q*q)
	x1 := ca1 * cb1
	if sb1 == 0 && ca1 == 0 {
		x1 = 1 // along the equator: any point of it is the node
	}
	l.somg1, l.comg1 = l.sa0*sb1, x1
	l.ssig1, l.csig1 = norm(sb1, x1)

	eps := expansion(l.ca0 * l.ca0 * w.ep2)
	c1 := seriesC1(eps)
	l.c1p = seriesC1p(eps)
	l.c3 = w.seriesC3(eps)
	l.scale = w.b * seriesA1(eps)
	l.a3 = w.f * l.sa0 * w.seriesA3(eps)
	l.b1 = sinSeries(l.ssig1, l.csig1, &c1)
	l.b3 = sinSeries5(l.ssig1, l.csig1, &l.c3)
	s, c := math.Sincos(l.b1)
	l.stau1 = l.ssig1*c + l.csig1*s
	l.ctau1 = l.csig1*c - l.ssig1*s
	return l
}

// At returns the point s along the line, behind the start if s is negative,
// and the bearing of the line there. The longitude is in [-180, 180].
func (l *Line) At(s geo.Length) (orb.Point, geo.Bearing) {
	tau := float64(s) / l.scale
	st, ct := math.Sincos(tau)
	b := sinSeries(l.stau1*ct+l.ctau1*st, l.ctau1*ct-l.stau1*st, &l.c1p)
	sig12 := tau + (b + l.b1)
	ss, cs := math.Sincos(sig12)
	ssig2 := l.ssig1*cs + l.csig1*ss
	csig2 := l.csig1*cs - l.ssig1*ss

	sb2 := l.ca0 * ssig2
	x2 := l.ca0 * csig2
	cb2 := math.Sqrt(l.sa0*l.sa0 + x2*x2)
	so2 := l.sa0 * ssig2
	omg12 := math.Atan2(so2*l.comg1-csig2*l.somg1, csig2*l.comg1+so2*l.somg1)
	b3 := sinSeries5(ssig2, csig2, &l.c3)
	lam12 := omg12 - l.a3*(sig12+(b3-l.b3)) // eq. 8
	lon := normalize(l.lon1 + normalize(lam12/degree))
	return orb.Point{lon, atan2d(sb2, l.w.f1*cb2)}, bearing(l.sa0, x2)
}
