package survey_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"holdfast/survey"
)

// source: 1 lbf = 4.4482216152605 N, 1 kgf = 9.80665 N (NIST SP 811, appendix B).
func TestInstrumentCapacity(t *testing.T) {
	for name, kN := range map[string]float64{
		"50 kN dynamometer, hand winch": 50, "load cell 5,000 lbf": 22.2411080763, "500 kg hanging scale": 4.903325, "2 t crane scale, 5 kN read": 19.6133,
		"spring scale": 2, "load cell": 500, "": -1, "hand winch": -1, "borrowed from B2": -1,
	} {
		got, ok := survey.InstrumentCapacity(name)
		if !ok {
			got = -survey.Kilonewton
		}
		assert.InDelta(t, kN, got.Kilonewtons(), 1e-9, name)
	}
	p := survey.PullTest{Rig: "1", ForceKN: 6000, Outcome: survey.Held}
	for _, c := range []struct {
		kN   float64
		name string
		bad  bool
	}{{10, "10 kN dynamometer", false}, {10.1, "10 kN dynamometer", true}, {600, "dynamometer", true}, {600, "hand winch", false}, {26.7, "load cell 5,000 lbf", true}} {
		p.ForceKN, p.Instrument = c.kN, c.name
		err := survey.Point{Site: "s", Label: "l", PullTests: []survey.PullTest{p}}.Validate()
		if c.bad {
			assert.ErrorContains(t, err, "is the unit right?", "%+v", c)
		} else {
			assert.NoError(t, err, "%+v", c)
		}
	}
}
