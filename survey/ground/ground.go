// Package ground classifies the soil at a point from simple field tests by
// 29 CFR 1926 Subpart P Appendix A and keeps the evidence: which rule moved
// the class, what is missing, and what the strength may be taken as.
package ground

import (
	"holdfast/survey"
)

// Result is the class of the ground on the day it was surveyed.
type Result struct {
	Class       survey.GroundClass  `json:"class"`
	Written     survey.GroundClass  `json:"written,omitempty"` // when it differs from the computed class
	Because     []string            `json:"because"`
	Provisional bool                `json:"provisional"`         // fewer than one visual and one manual finding
	Cohesive    survey.Answer       `json:"cohesive,omitempty"`  // unknown when nothing tells
	QuLowKPa    survey.Opt[float64] `json:"qu_low_kpa,omitzero"` // strength band, unconfined compression
	QuHighKPa   survey.Opt[float64] `json:"qu_high_kpa,omitzero"`
	CuKPa       survey.Opt[float64] `json:"cu_kpa,omitzero"`  // shear strength used by the mechanics
	PhiDeg      survey.Opt[float64] `json:"phi_deg,omitzero"` // sand and gravel
	GammaKNM3   survey.Opt[float64] `json:"gamma_kn_m3,omitzero"`
	Factor      survey.GroundKey    `json:"factor,omitempty"`       // which ground factor applies; empty: none does
	Assumed     bool                `json:"assumed,omitempty"`      // the class is as written, with no test behind it
	Unsettled   []string            `json:"unsettled,omitempty"`    // questions whose answer could lower the class
	Unsuitable  string              `json:"unsuitable,omitempty"`   // why no stake figure may be given here
	IfWet       survey.GroundClass  `json:"if_wet,omitempty"`       // the class if it is wet tonight
	IfSubmerged survey.GroundClass  `json:"if_submerged,omitempty"` // and if it is under water
	Doubts      []string            `json:"doubts,omitempty"`
	Settles     []string            `json:"settles,omitempty"`
}
