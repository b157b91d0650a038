package surround

import "holdfast/survey"

// Describe reads what a feature says of itself - its name, voltage, width and
// tolerance - without a place to measure from: the distance is 0 and there is
// no bearing.
func Describe(f survey.LayerFeature) Near {
	n := Near{Role: f.Role, Layer: f.Layer, ID: f.ID, AsOf: f.AsOf, Feature: f}
	n.attributes(f.Properties)
	n.dated = n.Dated()
	return n
}
