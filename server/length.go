package server

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
)

// lengthUnit is the unit in which a form of the department takes lengths.
func lengthUnit(u survey.Units) string {
	if u == survey.UnitsSI {
		return "m"
	}
	return "ft"
}

func unitOf(u survey.Units) geo.Length {
	if u == survey.UnitsSI {
		return geo.Metre
	}
	return geo.Foot
}

// inUnit is a length as a number of the department's unit.
func inUnit(u survey.Units, l geo.Length) float64 { return float64(l / unitOf(u)) }

// readLength reads what somebody typed into a form, a comma for a point
// allowed.
func readLength(u survey.Units, text string) (geo.Length, error) {
	v, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(text), ",", ".", 1), 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("read length %q: %w", text, survey.ErrInvalid)
	}
	return geo.Length(v) * unitOf(u), nil
}
