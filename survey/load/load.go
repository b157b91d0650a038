// Package load works a load case out to the force on each anchor: the weight
// on the slope, friction, the haul system by the tension method, redirects.
// Every step is returned so that it can be drawn and printed.
package load

import (
	"holdfast/survey"
)

// Step is one line of the working.
type Step struct {
	What   string  `json:"what"`
	How    string  `json:"how"` // the formula with its numbers
	ForceN float64 `json:"force_n"`
	Source string  `json:"source,omitempty"`
}

// Result is what an anchor must resist under a load case.
type Result struct {
	ID             string              `json:"id"`
	Title          string              `json:"title"`
	ForceOnAnchorN float64             `json:"force_on_anchor_n"`
	HoldingN       float64             `json:"holding_n"` // rope tension while held still
	RaisingN       float64             `json:"raising_n"` // rope tension while raised
	HaulForceN     survey.Opt[float64] `json:"haul_force_n,omitzero"`
	HaulAnchorN    survey.Opt[float64] `json:"haul_anchor_force_n,omitzero"` // on the haul system's anchor
	HaulPeople     survey.Opt[float64] `json:"haul_people,omitzero"`
	RedirectN      survey.Opt[float64] `json:"redirect_force_n,omitzero"` // on the redirect's own anchor
	Steps          []Step              `json:"steps"`
	Doubts         []string            `json:"doubts,omitempty"`
}

// Force returns the force on the main anchor.
func (r Result) Force() survey.Force { return survey.Force(r.ForceOnAnchorN) }
