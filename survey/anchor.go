package survey

import (
	"fmt"

	"holdfast/geo"
)

// AnchorKind is what an anchor is made of.
type AnchorKind string

const (
	KindRig       AnchorKind = "rig" // of stakes; computed, never surveyed
	KindTree      AnchorKind = "tree"
	KindStructure AnchorKind = "structure"
	KindRock      AnchorKind = "rock"
	KindVehicle   AnchorKind = "vehicle"
	KindDeadman   AnchorKind = "deadman"
)

// SurveyedKinds lists the anchors a surveyor can find or plan at a point.
var SurveyedKinds = []AnchorKind{KindTree, KindStructure, KindRock, KindVehicle, KindDeadman}

// Evidence grades where a figure comes from, best first.
type Evidence string

const (
	TestedHere   Evidence = "tested here"
	TestedGround Evidence = "tested in this ground"
	Handbook     Evidence = "handbook"
	Mechanics    Evidence = "mechanics"
	Assumed      Evidence = "assumed"
)

// Evidences lists the grades, best first.
var Evidences = []Evidence{TestedHere, TestedGround, Handbook, Mechanics, Assumed}

// Anchor is a thing at a point that could hold: it is found, not driven.
// Bearing and distance run from the point to the anchor.
type Anchor struct {
	ID         string           `json:"id"`
	Kind       AnchorKind       `json:"kind"`
	BearingDeg Opt[geo.Bearing] `json:"bearing_deg,omitzero"`
	DistanceM  Opt[geo.Length]  `json:"distance_m,omitzero"`
	DiameterMM Opt[float64]     `json:"diameter_mm,omitzero"` // of a deadman, the height of its face
	DepthM     Opt[geo.Length]  `json:"depth_m,omitzero"`     // of a deadman: mean, to the middle of its face
	LengthM    Opt[geo.Length]  `json:"length_m,omitzero"`    // of a deadman, across the pull
	Material   string           `json:"material,omitempty"`
	Condition  string           `json:"condition,omitempty"`
	RatedKN    Opt[float64]     `json:"rated_kn,omitzero"`
	Evidence   Evidence         `json:"evidence,omitempty"` // of the rating
	Note       string           `json:"note,omitempty"`
}

// Rated returns the holding power entered for the anchor.
func (a Anchor) Rated() (Force, bool) {
	v, ok := a.RatedKN.Get()
	return Force(v) * Kilonewton, ok
}

func (p Point) checkAnchors(c *checker, at string) {
	if len(p.Anchors) > 50 {
		c.add(at, "holds %d anchors; at most 50 fit", len(p.Anchors))
		return
	}
	seen := make(map[string]bool, len(p.Anchors))
	for i, a := range p.Anchors {
		ptr := fmt.Sprintf("%s/%d", at, i)
		switch {
		case a.ID == "":
			c.add(ptr+"/id", "is missing: number the anchors T1, T2, …")
		case seen[a.ID]:
			c.add(ptr+"/id", "%q names two anchors of this point", a.ID)
		}
		seen[a.ID] = true
		if a.Kind == "" {
			c.add(ptr+"/kind", "is missing")
		}
		oneOf(c, ptr+"/kind", a.Kind, SurveyedKinds)
		c.bearing(ptr+"/bearing_deg", a.BearingDeg)
		within(c, ptr+"/distance_m", a.DistanceM, 0, 1000, "m")
		within(c, ptr+"/diameter_mm", a.DiameterMM, 0, 10000, "mm")
		within(c, ptr+"/depth_m", a.DepthM, 0, 10, "m")
		within(c, ptr+"/length_m", a.LengthM, 0, 30, "m")
		if a.Kind != KindDeadman && (a.DepthM.Known() || a.LengthM.Known()) {
			c.add(ptr+"/kind", "depth_m and length_m belong to a deadman, not to a %s", a.Kind)
		}
		within(c, ptr+"/rated_kn", a.RatedKN, 0, 10000, "kN")
		oneOf(c, ptr+"/evidence", a.Evidence, Evidences)
		if a.RatedKN.Known() && a.Evidence == "" {
			c.add(ptr+"/evidence", "is missing: say where the rating of %s comes from", a.ID)
		}
		c.text(ptr+"/note", a.Note, 2000)
		c.text(ptr+"/material", a.Material, 100)
		c.text(ptr+"/condition", a.Condition, 200)
	}
}
