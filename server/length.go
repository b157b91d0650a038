package server

import (
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

// readLength reads a length typed into a form of the department.
func readLength(u survey.Units, text string) (geo.Length, error) {
	v, err := survey.ParseTyped(text)
	return geo.Length(v) * unitOf(u), err
}
