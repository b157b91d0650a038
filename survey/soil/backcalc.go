package soil

import (
	"errors"
	"fmt"

	"holdfast/survey"
)

// ErrBarFirst tells that no strength of the ground explains a pull: with the
// bar as described, the stake would have bent before. A held pull then says
// that bar or geometry are not as entered, a failed one nothing of the soil.
var ErrBarFirst = errors.New("bar bends before the ground can be that strong")

const leastCu, mostCu survey.Pressure = 100, 2e6

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
