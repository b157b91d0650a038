package soil

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/survey"
)

// Moment is a bending moment in newton-metres.
type Moment float64

// KilonewtonMetre is 1,000 newton-metres.
const KilonewtonMetre Moment = 1000

// KilonewtonMetres returns the moment in kilonewton-metres.
func (m Moment) KilonewtonMetres() float64 { return float64(m / KilonewtonMetre) }

const (
	// Steel is Young's modulus of structural steel, 200 GPa (from memory).
	Steel survey.Pressure = 200e9
	// MildYield is the least yield strength of ASTM A36 steel, 36 ksi taken
	// as 250 MPa (from memory).
	MildYield survey.Pressure = 250e6
	// ColdDrawnYield is that of cold-drawn AISI 1018 bar, 370 MPa (from memory).
	ColdDrawnYield survey.Pressure = 370e6
)

// Bar is a solid round bar of ideally elastic-plastic metal. A Yield of +Inf
// makes it unbreakable, as theory's rigid pile is.
type Bar struct {
	Diameter geo.Length
	Modulus  survey.Pressure // Young's modulus
	Yield    survey.Pressure
}

// Stiffness returns the bending stiffness EI = E π D⁴/64 in N·m².
func (b Bar) Stiffness() float64 {
	d := float64(b.Diameter)
	return float64(b.Modulus) * math.Pi * d * d * d * d / 64
}

// YieldMoment returns the moment at which the outermost fibre yields,
// fy π D³/32.
func (b Bar) YieldMoment() Moment {
	d := float64(b.Diameter)
	return Moment(float64(b.Yield) * math.Pi * d * d * d / 32)
}

// PlasticMoment returns the moment of the fully yielded section, fy D³/6.
func (b Bar) PlasticMoment() Moment {
	d := float64(b.Diameter)
	return Moment(float64(b.Yield) * d * d * d / 6)
}

// YieldCurvature returns the curvature at first yield, fy/(E r), in 1/m.
func (b Bar) YieldCurvature() float64 {
	return 2 * float64(b.Yield) / (float64(b.Modulus) * float64(b.Diameter))
}

// Moment returns the moment at curvature k (1/m), of the same sign: linear up
// to the yield curvature, then from the integral of the stresses over the
// partly yielded circle, towards the plastic moment.
func (b Bar) Moment(k float64) Moment {
	m, _ := b.section().moment(k)
	return Moment(m)
}

func (b Bar) validate() error {
	switch {
	case !within(float64(b.Diameter), 1e-3, 5):
		return fmt.Errorf("bar diameter %v: want 1 mm to 5 m", b.Diameter.Metres())
	case !within(float64(b.Modulus), 1e8, 1e13):
		return fmt.Errorf("bar modulus %g Pa: want 0.1 to 10,000 GPa", float64(b.Modulus))
	case !within(float64(b.Yield), 1e5, 1e11) && !math.IsInf(float64(b.Yield), 1):
		return fmt.Errorf("bar yield strength %g Pa: want 0.1 to 100,000 MPa, or +Inf", float64(b.Yield))
	}
	return nil
}

// within reports whether lo ≤ x ≤ hi; it is false for NaN.
func within(x, lo, hi float64) bool { return x >= lo && x <= hi }

// section holds what the bar's moment-curvature line needs at every node.
type section struct {
	ei, ky float64 // N·m², 1/m
	r, fy  float64 // m, Pa
}

func (b Bar) section() section {
	return section{ei: b.Stiffness(), ky: b.YieldCurvature(), r: float64(b.Diameter) / 2, fy: float64(b.Yield)}
}

// moment returns the moment at curvature k and its slope dM/dk.
func (s section) moment(k float64) (m, dm float64) {
	a := math.Abs(k)
	if a <= s.ky {
		return s.ei * k, s.ei
	}
	// With q = ky/k the elastic core is |y| ≤ q r and
	// M = fy r³ [asin q/(2q) - √(1-q²)(1-2q²)/2 + 4/3 (1-q²)^(3/2)].
	// The slope is E times the second moment of area of the core.
	q := s.ky / a
	w := math.Sqrt(1 - q*q)
	as := math.Asin(q)
	r3 := s.r * s.r * s.r
	m = s.fy * r3 * (as/(2*q) - w*(1-2*q*q)/2 + 4.0/3*w*w*w)
	dm = s.fy / s.ky * r3 * (as - q*w*(1-2*q*q)) / 2
	if k < 0 {
		m = -m
	}
	return m, dm
}
