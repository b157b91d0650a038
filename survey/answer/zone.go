package answer

import (
	"fmt"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/surround"
)

// Zone is the ground along a feature of a layer that the checks keep work out
// of, or let it into on terms only.
type Zone struct {
	Width geo.Length // to each side of the feature
	Terms string     // in words, without the width
}

// ZoneOf returns the zone of a feature; ok is false for a feature that has
// none. An overhead line of unknown voltage is taken for one of 350 kV, one
// above 1,000 kV gets the widest clearance of the table, as the checks do.
func ZoneOf(p survey.Policy, n *surround.Near) (z Zone, ok bool) {
	switch n.Role {
	case survey.RoleBuried:
		z = Zone{buriedZone(&p, n), "no stake is driven within it; tolerance by policy"}
		if own, has := n.Tolerance.Get(); has && own > p.UtilityToleranceM.Value {
			z.Terms = "no stake is driven within it; tolerance by the line's own record"
		}
		return z, true
	case survey.RoleOverhead:
		kv, known := n.KV.Get()
		terms := fmt.Sprintf("nobody and nothing comes nearer; clearance for %g kV by 29 CFR 1926.1408 Table A", kv)
		if !known {
			kv, terms = unknownVoltage, "nobody and nothing comes nearer; voltage not known, taken as up to 350 kV"
		}
		width, listed := Clearance(kv)
		if !listed {
			width, terms = widestClearance, "at the least; above 1,000 kV the owner or a registered engineer sets the clearance"
		}
		return Zone{width + n.HalfWidth, terms}, true
	case survey.RoleRoad:
		return Zone{laneRoom + n.HalfWidth, "work within it closes the lane"}, true
	}
	return Zone{}, false
}

// buriedZone is how far from the middle of a buried line no stake is driven:
// the greater of the policy's tolerance and its own, from its edge.
func buriedZone(p *survey.Policy, n *surround.Near) geo.Length {
	own, _ := n.Tolerance.Get()
	return max(p.UtilityToleranceM.Value, own) + n.HalfWidth
}
