package answer

import (
	"holdfast/geo"
	"holdfast/survey"
)

// What the sentences are made of, for tests.

func LengthWords(l geo.Length, u survey.Units) string {
	t := text{units: u}
	return t.length(l).end()
}

func RatioWords(r float64) string {
	var t text
	return t.ratio(r).end()
}

func BearingWords(d float64) string {
	var t text
	return t.bearing(d).end()
}
