package load

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"

	"holdfast/survey"
)

// The least and greatest own load that is answered for: nothing lifted on a
// rope is outside them, and the rest is a slip of the unit.
const (
	leastLoad = 10 * survey.Newton
	mostLoad  = 1000 * survey.Kilonewton
)

// Find returns the load case an id names, or one made of an own value such as
// "280 kg", "3.5 kN" or "600 lbf" on the terms of the first case. A mass in kg
// or lb stands for its weight at standard gravity.
func Find(p survey.Policy, id string) (survey.LoadCase, error) {
	c, err := p.LoadCase(id)
	if err == nil {
		return c, nil
	}
	if w, ok := parse(id); ok && len(p.LoadCases) > 0 {
		if !(w >= leastLoad && w <= mostLoad) {
			return survey.LoadCase{}, survey.Invalid("", "a load of %s is outside %g to %g kN", strings.TrimSpace(id), leastLoad.Kilonewtons(), mostLoad.Kilonewtons())
		}
		own := p.LoadCases[0]
		own.ID, own.Title, own.LoadN, own.Source = id, "load of "+strings.TrimSpace(id), w.Newtons(), "as entered"
		return own, nil
	}
	return survey.LoadCase{}, fmt.Errorf("%w; or write a load like 280 kg, 3.5 kN or 600 lbf", err)
}

// parse reads a number with a unit of force, or of mass for its weight.
func parse(s string) (survey.Force, bool) {
	s = strings.TrimSpace(s)
	number := strings.TrimRightFunc(s, unicode.IsLetter)
	v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || math.IsNaN(v) {
		return 0, false
	}
	switch strings.ToLower(s[len(number):]) {
	case "kg":
		return survey.Weight(v), true
	case "n":
		return survey.Force(v), true
	case "kn":
		return survey.Force(v) * survey.Kilonewton, true
	case "lbf", "lb":
		return survey.Force(v) * survey.PoundForce, true
	}
	return 0, false
}
