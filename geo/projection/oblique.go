package projection

import (
	"fmt"
	"math"

	"holdfast/geo"
)

// HotineObliqueMercator is the rectified skew orthomorphic projection: EPSG
// methods 9812 (variant A, coordinates counted from the natural origin on the
// aposphere's equator) and 9815 (variant B, from the projection centre). With
// an initial line due east, variant B is the Swiss oblique Mercator.
type HotineObliqueMercator struct {
	c          conformal
	lonO       float64 // longitude of the natural origin, degrees
	b, ab      float64 // EPSG's B; A/B in metres
	lnH        float64
	sinG, cosG float64 // of γ0, the azimuth of the initial line at the equator
	sinC, cosC float64 // of γc, the angle from rectified to skew grid
	uc         float64 // u of the point with the false coordinates, m
	fe, fn     float64
}

// NewHotineObliqueMercatorA returns EPSG method 9812: projection centre lonc,
// latc, azimuth of the initial line and angle from the rectified to the skew
// grid in degrees, scale kc on the initial line, false easting and northing
// at the natural origin in metres.
func NewHotineObliqueMercatorA(e geo.Ellipsoid, lonc, latc, azimuth, gamma, kc, fe, fn float64) (*HotineObliqueMercator, error) {
	h, _, err := newHotine(e, lonc, latc, azimuth, gamma, kc, fe, fn)
	return h, err
}

// NewHotineObliqueMercatorB returns EPSG method 9815: as variant A, with ec
// and nc in metres the coordinates of the projection centre.
func NewHotineObliqueMercatorB(e geo.Ellipsoid, lonc, latc, azimuth, gamma, kc, ec, nc float64) (*HotineObliqueMercator, error) {
	h, uc, err := newHotine(e, lonc, latc, azimuth, gamma, kc, ec, nc)
	if err != nil {
		return nil, err
	}
	h.uc = uc
	return h, nil
}

// newHotine also returns u of the projection centre in metres.
func newHotine(e geo.Ellipsoid, lonc, latc, azimuth, gamma, kc, fe, fn float64) (*HotineObliqueMercator, float64, error) {
	if !finite(e.A, e.F, lonc, latc, azimuth, gamma, kc, fe, fn) || kc <= 0 || math.Abs(latc) >= 90 {
		return nil, 0, fmt.Errorf("define oblique Mercator at latitude %v: %w", latc, ErrParameter)
	}
	phi := latc * radian
	sin, cos := math.Sincos(phi)
	e2, w := e.E2(), 1-e.E2()*sin*sin
	h := &HotineObliqueMercator{c: newConformal(e), fe: fe, fn: fn}
	h.b = math.Sqrt(1 + e2*cos*cos*cos*cos/(1-e2))
	h.ab = e.A * kc * math.Sqrt(1-e2) / w
	d := h.b * math.Sqrt(1-e2) / (cos * math.Sqrt(w))
	// √(D²-1) with the sign of the latitude, written out so that it keeps its
	// digits near the equator; it is also the guidance note's G.
	g := math.Sqrt(1-e2) * sin / (cos * math.Sqrt(w))
	h.lnH = math.Asinh(g) - h.b*h.c.isometric(phi)

	// γ0 is taken in -90°…90°, as the guidance note and PROJ do.
	sa, ca := sincosd(azimuth)
	h.sinG = sa / d
	h.cosG = math.Sqrt(1 - h.sinG*h.sinG)
	// asin(G·tan γ0), written with atan2 so that it keeps its digits when
	// the initial line runs due east.
	h.lonO = lonc - math.Atan2(g*sa, d*math.Abs(ca))/h.b*degree
	h.sinC, h.cosC = sincosd(gamma)
	uc := h.ab * math.Atan2(g, math.Abs(ca))
	return h, uc, nil
}

// Forward implements Projection. The two poles of the initial line lie at
// infinity.
func (h *HotineObliqueMercator) Forward(lon, lat float64) (x, y float64, err error) {
	if !valid(lon, lat) {
		return 0, 0, ErrDomain
	}
	q := h.lnH + h.b*h.c.isometric(lat*radian)
	s, t := math.Sinh(q), math.Cosh(q)
	sinL, cosL := math.Sincos(h.b * wrap(lon-h.lonO) * radian)
	v := -h.ab * math.Atanh((s*h.sinG-sinL*h.cosG)/t)
	u := h.ab*math.Atan2(s*h.cosG+sinL*h.sinG, cosL) - h.uc
	return plane(h.fe+v*h.cosC+u*h.sinC, h.fn+u*h.cosC-v*h.sinC)
}

// Inverse implements Projection.
func (h *HotineObliqueMercator) Inverse(x, y float64) (lon, lat float64, err error) {
	dx, dy := x-h.fe, y-h.fn
	v := dx*h.cosC - dy*h.sinC
	u := dy*h.cosC + dx*h.sinC + h.uc
	s, t := math.Sinh(-v/h.ab), math.Cosh(v/h.ab)
	sin, cos := math.Sincos(u / h.ab)
	q := math.Atanh((sin*h.cosG + s*h.sinG) / t)
	lam := -math.Atan2(s*h.cosG-sin*h.sinG, cos)
	return place(h.lonO, lam/h.b, h.c.latitude((q-h.lnH)/h.b))
}
