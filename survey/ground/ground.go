// Package ground classifies the soil at a point from simple field tests by
// 29 CFR 1926 Subpart P Appendix A and keeps the evidence: which rule moved
// the class, what is missing, and what the strength may be taken as.
package ground

import (
	"holdfast/survey"
)

// Result is the class of the ground, on the day it was surveyed or tonight,
// and what the figures may rest on.
type Result struct {
	Class        survey.GroundClass  `json:"class"`
	Written      survey.GroundClass  `json:"written,omitempty"` // when it differs from the computed class
	Because      []string            `json:"because"`
	Provisional  bool                `json:"provisional"`         // fewer than one visual and one manual finding
	Cohesive     survey.Answer       `json:"cohesive,omitempty"`  // unknown when nothing tells
	QuLowKPa     survey.Opt[float64] `json:"qu_low_kpa,omitzero"` // strength band, unconfined compression
	QuHighKPa    survey.Opt[float64] `json:"qu_high_kpa,omitzero"`
	CuKPa        survey.Opt[float64] `json:"cu_kpa,omitzero"`         // shear strength used by the mechanics, a low one
	CuMedianKPa  survey.Opt[float64] `json:"cu_median_kpa,omitzero"`  // the middle one, about which the 5-95 % range lies
	PhiDeg       survey.Opt[float64] `json:"phi_deg,omitzero"`        // sand and gravel, a low one
	PhiMedianDeg survey.Opt[float64] `json:"phi_median_deg,omitzero"` // the middle one
	GammaKNM3    survey.Opt[float64] `json:"gamma_kn_m3,omitzero"`
	Factor       survey.GroundKey    `json:"factor,omitempty"`       // which ground factor applies; empty: none does
	Assumed      bool                `json:"assumed,omitempty"`      // the class is as written, with no test behind it
	Unsettled    []string            `json:"unsettled,omitempty"`    // questions whose answer could lower the class or the figures
	Unsuitable   string              `json:"unsuitable,omitempty"`   // why no stake figure may be given here
	IfWet        survey.GroundClass  `json:"if_wet,omitempty"`       // the class if it is wet tonight
	IfSubmerged  survey.GroundClass  `json:"if_submerged,omitempty"` // and if it is under water
	Doubts       []string            `json:"doubts,omitempty"`
	Settles      []string            `json:"settles,omitempty"`
}

// Classify works the class out from the field tests and answers, for the day
// of the survey. Unknown stays unknown: a soil without a strength test has a
// class only where its texture alone settles it.
func Classify(g survey.Ground) Result { return Tonight(g, "") }

// Tonight is Classify for ground that may be wetter than it was surveyed; ""
// is as surveyed. A drier night than the survey's credits nothing.
func Tonight(g survey.Ground, now survey.Moisture) Result {
	w := working{g: g}
	w.run(now)
	if w.r.Class != survey.ClassUnknown && w.r.Class != survey.ClassRock {
		w.r.IfWet = Brief(g, later(now, survey.Wet)).Class
		w.r.IfSubmerged = Brief(g, later(now, survey.Submerged)).Class
	}
	return w.r
}

// Brief is Tonight without reasons, doubts and advice: class and figures alone.
func Brief(g survey.Ground, now survey.Moisture) Result {
	w := working{g: g, mute: true}
	w.run(now)
	return w.r
}

// run classifies the ground as it is tonight.
func (w *working) run(now survey.Moisture) {
	w.wetten(now)
	w.asked = w.g
	w.family = families[w.g.Texture]
	w.readTests()
	w.baseClass()
	w.disqualify()
	w.reconcile()
	w.strength()
	w.fitness()
}
