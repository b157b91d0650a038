package soil

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/survey"
)

// FreeHead is one stake with its head free to turn, loaded across its axis at
// RopeHeight and, if Tie is not zero, held back by a force at LashHeight.
// Heights are above ground.
type FreeHead struct {
	Bar        Bar
	Embedment  geo.Length
	RopeHeight geo.Length
	LashHeight geo.Length   // at or above RopeHeight; ignored without a tie
	Tie        survey.Force // across the stake, against the pull
}

// Broms is the strength of one stake by Broms' closed forms.
type Broms struct {
	Force survey.Force // across the stake, at rope height
	Mode  Mode
	// Shear is the depth where the shear is zero and the moment greatest, in
	// clay counted from the bottom of the dead zone of 1.5 diameters.
	Shear geo.Length
	Most  Moment // the greatest moment below ground
	// BentBack tells that the tie alone bends the bar back over the rope: the
	// stake cannot carry so great a tie, whatever Force says.
	BentBack bool
}

// Toe is how the reaction at the toe of a rigid stake in sand is thought of.
type Toe uint8

const (
	// ConcentratedToe is Broms' own: a point force at the toe.
	ConcentratedToe Toe = iota + 1
	// DistributedToe lets the full passive pressure act forwards below the
	// centre of rotation; it is the cautious one and the one of the recursion.
	DistributedToe
)

func (h *FreeHead) validate() error {
	if err := h.Bar.validate(); err != nil {
		return err
	}
	switch {
	case !within(float64(h.Embedment), 0.01, 100):
		return fmt.Errorf("embedment %v: want 0.01 m to 100 m", h.Embedment)
	case !within(float64(h.RopeHeight), 0, 100):
		return fmt.Errorf("rope height %v: want 0 m to 100 m", h.RopeHeight)
	case !within(float64(h.Tie), 0, 1e9):
		return fmt.Errorf("tie %v: want 0 kN to 1 GN", h.Tie)
	case h.Tie > 0 && !within(float64(h.LashHeight), float64(h.RopeHeight), 100):
		return fmt.Errorf("lashing height %v: below the rope at %v", h.LashHeight, h.RopeHeight)
	}
	return nil
}

// BromsClay solves a free head in clay of undrained strength cu: no resistance
// for 1.5 diameters, 9 cu D below (Broms 1964a; UFC 3-220-20 of 2025, eqs 6-55 ff.). The
// terms of the tie follow from the same statics.
func BromsClay(h FreeHead, cu survey.Pressure) (Broms, error) {
	err := h.validate()
	if err == nil {
		err = (&Ground{Kind: Clay, Cu: cu, UnitWeight: KilonewtonPerCubicMetre}).validate()
	}
	dead := 1.5 * float64(h.Bar.Diameter)
	l := float64(h.Embedment) - dead
	if err == nil && l <= 0 {
		err = fmt.Errorf("embedment %v: within the dead zone of 1.5 diameters", h.Embedment)
	}
	if err != nil {
		return Broms{}, fmt.Errorf("solve free head in clay: %w", err)
	}
	q := 9 * float64(cu) * float64(h.Bar.Diameter)
	arm := float64(h.RopeHeight) + dead
	tie, back, mp := h.loads()
	// soil: f²/4 + f (arm + l/2) = l²/4 + T(h-e)/q
	soil := quadratic(0.25, arm+l/2, l*l/4+back/q)
	// bar: f²/2 + f arm = (Mp + T(h-e))/q
	bar := quadratic(0.5, arm, (mp+back)/q)
	out := Broms{Mode: Rigid, BentBack: back > mp}
	f := soil
	if bar < soil {
		f, out.Mode = bar, Hinge
	}
	out.Force = survey.Force(tie + q*f)
	out.Shear = geo.Length(f)
	out.Most = Moment(q*f*f/2 + q*f*arm - back)
	return out, nil
}

// BromsSand solves a free head in sand of friction angle phi and unit weight w:
// a pressure of 3 Kp γ z over the width (Broms 1964b; UFC 3-220-20 of 2025, eqs 6-55 ff.).
func BromsSand(h FreeHead, phi geo.Angle, w UnitWeight, toe Toe) (Broms, error) {
	err := h.validate()
	if err == nil {
		err = (&Ground{Kind: Sand, Phi: phi, UnitWeight: w}).validate()
	}
	if err == nil && toe != ConcentratedToe && toe != DistributedToe {
		err = fmt.Errorf("toe reaction %d: want concentrated or distributed", toe)
	}
	if err != nil {
		return Broms{}, fmt.Errorf("solve free head in sand: %w", err)
	}
	a := 1.5 * PassiveCoefficient(phi, 0) * float64(w) * float64(h.Bar.Diameter)
	l, e := float64(h.Embedment), float64(h.RopeHeight)
	tie, back, mp := h.loads()
	var p float64 // soil-governed
	if toe == ConcentratedToe {
		p = (a*l*l*l/3 + back + tie*(e+l)) / (e + l)
	} else {
		// T(h-e) + (2A/3)(L³-2z³) = A e (2z²-L²)
		z := bisect(0, l, func(z float64) float64 {
			return a*e*(2*z*z-l*l) - 2*a/3*(l*l*l-2*z*z*z) - back
		})
		p = tie + a*(2*z*z-l*l)
	}
	out := Broms{Mode: Rigid, BentBack: back > mp}
	f := math.Sqrt(max(0, p-tie) / a)
	if !math.IsInf(mp, 1) {
		// bar: A f² e + (2/3) A f³ = Mp + T(h-e)
		bar := bisect(0, 1+l, func(z float64) float64 { return a*z*z*(e+2*z/3) - mp - back })
		if bar < l && tie+a*bar*bar < p {
			f, p, out.Mode = bar, tie+a*bar*bar, Hinge
		}
	}
	out.Force = survey.Force(p)
	out.Shear = geo.Length(f)
	out.Most = Moment(a*f*f*(e+2*f/3) - back)
	return out, nil
}

// loads returns the tie, its moment about the rope and the plastic moment.
func (h *FreeHead) loads() (tie, back, mp float64) {
	tie = float64(h.Tie)
	if tie > 0 {
		back = tie * float64(h.LashHeight-h.RopeHeight)
	}
	return tie, back, float64(h.Bar.PlasticMoment())
}

// quadratic returns the positive root of a x² + b x = c, for a, c > 0, b ≥ 0.
func quadratic(a, b, c float64) float64 {
	if math.IsInf(c, 1) {
		return c
	}
	return 2 * c / (b + math.Sqrt(b*b+4*a*c))
}

// bisect returns the zero of a rising function in lo..hi, or the nearer end.
func bisect(lo, hi float64, f func(float64) float64) float64 {
	for range 60 {
		if mid := (lo + hi) / 2; f(mid) > 0 {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2
}
