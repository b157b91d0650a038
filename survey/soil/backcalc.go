package soil

import (
	"errors"
	"fmt"
	"math"

	"holdfast/survey"
)

// ErrBarFirst tells that no strength of the ground explains a pull: with the
// bar as described, the stake would have bent before. A held pull then says
// that bar or geometry are not as entered, a failed one nothing of the soil.
var ErrBarFirst = errors.New("bar bends before the ground can be that strong")

const leastCu, mostCu survey.Pressure = 100, 2e6

// CuFromForce returns the undrained strength that a force across one untied
// stake calls for, by Broms' closed forms: the greater of what keeps a rigid
// stake and what keeps the bar from bending. A force that held makes it a lower
// bound of the ground's strength, one that failed an upper bound.
func CuFromForce(h FreeHead, force survey.Force) (survey.Pressure, error) {
	h.Tie = 0
	err := h.validate()
	if err == nil && !within(float64(force), 1e-3, 1e9) {
		err = fmt.Errorf("force %v: want more than 0 kN", force)
	}
	if err != nil {
		return 0, fmt.Errorf("read strength from pull: %w", err)
	}
	rigid := h
	rigid.Bar.Yield = survey.Pressure(math.Inf(1))
	unit, err := BromsClay(rigid, survey.Kilopascal)
	if err != nil {
		return 0, fmt.Errorf("read strength from pull: %w", err)
	}
	p, d := float64(force), float64(h.Bar.Diameter)
	cu := survey.Pressure(p / float64(unit.Force) * float64(survey.Kilopascal))
	// Mp = P (e + 1.5 D) + P²/(18 cu D)
	spare := float64(h.Bar.PlasticMoment()) - p*(float64(h.RopeHeight)+1.5*d)
	if spare <= 0 {
		return 0, fmt.Errorf("read strength from %v: %w", force, ErrBarFirst)
	}
	return max(cu, survey.Pressure(p*p/(18*d*spare))), nil
}

// CuFromPull returns the undrained strength at which the rig, standing in clay
// like r.Ground, holds just the given pull, by the limit equilibrium of
// NewCollapse. A pull that held makes it a lower bound of the ground's
// strength, one that failed an upper bound. One stake tells most: a rig of many
// rows soon depends on its bars alone.
func CuFromPull(r Rig, pull survey.Force) (survey.Pressure, error) {
	if r.Ground.Kind != Clay {
		return 0, errors.New("read strength from pull: ground is not clay")
	}
	hold := func(cu survey.Pressure) survey.Force {
		r.Ground.Cu = cu
		return r.pull()
	}
	r.Ground.Cu = leastCu
	if err := r.validate(); err != nil {
		return 0, fmt.Errorf("read strength from pull: %w", err)
	}
	if !(pull > hold(leastCu)) {
		return 0, fmt.Errorf("read strength from %v: any ground holds that", pull)
	}
	if !(pull <= hold(mostCu)) {
		return 0, fmt.Errorf("read strength from %v: %w", pull, ErrBarFirst)
	}
	return survey.Pressure(bisect(float64(leastCu), float64(mostCu), func(cu float64) float64 {
		return float64(hold(survey.Pressure(cu)) - pull)
	})), nil
}
