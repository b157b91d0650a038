package rig

import (
	"fmt"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/soil"
)

// unmeasured lists what a deadman's table still needs.
func unmeasured(a *survey.Anchor) []string {
	var out []string
	for _, m := range []struct {
		known bool
		what  string
	}{{a.DepthM.Known(), "its mean depth"}, {a.LengthM.Known(), "its length"}, {a.DiameterMM.Known(), "the height of its face"}} {
		if !m.known {
			out = append(out, m.what)
		}
	}
	return out
}

// buried is a surveyed deadman as the table sees it. Its line is taken as 1:1,
// which TM 5-5420-278-10 has one assume where the slope is not known. It is a
// log unless its material says timber or beam, which are then square.
func buried(a *survey.Anchor, s soil.DeadmanSoil) (d soil.Deadman, ok bool) {
	depth, okD := a.DepthM.Get()
	length, okL := a.LengthM.Get()
	face, okF := a.DiameterMM.Get()
	if !okD || !okL || !okF {
		return d, false
	}
	m := strings.ToLower(a.Material)
	f := geo.Length(face) * geo.Millimetre
	return soil.Deadman{
		Log: !strings.Contains(m, "timber") && !strings.Contains(m, "beam"), Length: length, Face: f, Thickness: f,
		Depth: depth, Line: soil.LineUnknown, Soil: s,
	}, true
}

// slender says why a deadman is too long for its thickness, or measured beyond
// the table, or "".
func slender(a *survey.Anchor) string {
	d, ok := buried(a, soil.Loam)
	if !ok {
		return ""
	}
	if _, err := d.Holds(); err != nil {
		return fmt.Sprintf("%s is outside the table: %v", a.ID, err)
	}
	if ratio, most := d.Slenderness(); ratio > most+fine {
		return fmt.Sprintf("%s is %.1f times as long as thick; %.0f is the most (TM 5-5420-278-10): bury it deeper, or take a thicker or a double one", a.ID, ratio, most)
	}
	return ""
}

// Usual loam behind the table: γ 105 lb/ft³ and φ 32° reproduce it within
// 6 % below and 14 % above.
const (
	loamWeight = 105 * soil.PoundPerCubicFoot
	loamPhi    = 32 * geo.Degree
)

// deadman gives the table's figure and the passive earth pressure check for a
// measured deadman in known ground; the lower governs.
func (a *Anchor) deadman(of *survey.Anchor, c *Conditions, u survey.Units, low *estimate) {
	d, ok := buried(of, deadmanSoil(c))
	if !ok || slender(of) != "" || c.Ground.Class == survey.ClassUnknown || c.Ground.Class == "" || c.now() == survey.Frozen {
		return
	}
	if f, err := d.Holds(); err == nil {
		low.lower(f, survey.Handbook)
		fig := Figure{Grade: survey.Handbook, HoldingN: f.Newtons(), Source: "TM 5-5420-278-10, WP 0035, Table 9: mean depth and line slope, times the face less 1 ft of trench"}
		if !c.Brief {
			fig.Note = fmt.Sprintf("%s deep, %s long, face %s, line 1:1 as none is recorded; %s", wording.Length(u, d.Depth), wording.Length(u, d.Length), wording.Length(u, d.Face), soilWords[d.Soil])
		}
		a.show(c, fig)
	}
	weight, phi, words := loamWeight, geo.Angle(loamPhi), "loam of φ 32°"
	if v, ok := c.Ground.PhiDeg.Get(); ok {
		g, _ := c.Ground.GammaKNM3.Get()
		weight, phi = soil.UnitWeight(g*1000), geo.Degrees(v)
		if !c.Brief {
			words = fmt.Sprintf("φ %.0f°", v)
		}
	}
	if now := c.now(); now == survey.Wet || now == survey.Submerged {
		weight, words = max(weight-9.81*soil.KilonewtonPerCubicMetre, soil.KilonewtonPerCubicMetre), words+", buoyant"
	} else if d.Soil == soil.WetOrSandy && !c.Ground.PhiDeg.Known() {
		weight, words = weight/2, words+", halved as the table is"
	}
	if f, err := d.Passive(weight, phi); err == nil {
		low.lower(f, survey.Mechanics)
		a.show(c, Figure{Grade: survey.Mechanics, HoldingN: f.Newtons(), Source: "passive earth pressure before and above the deadman, ends not counted", Note: words})
	}
}

var soilWords = map[soil.DeadmanSoil]string{
	soil.Loam: "loam", soil.RockOrHardpan: "rock or hardpan: × 5", soil.WetOrSandy: "wet, sandy, soft, disturbed or not known to be none of these: × ½",
}

// deadmanSoil tells the table's ground apart. Only undisturbed, moist or dry A
// and B ground that is not sand counts as loam. Rock and hardpan are not
// credited their five times: the passive check would take it back.
func deadmanSoil(c *Conditions) soil.DeadmanSoil {
	now := c.now()
	firm := c.Ground.Factor == survey.FactorA || c.Ground.Factor == survey.FactorB
	if firm && (now == survey.Dry || now == survey.Moist) && len(c.Ground.Unsettled) == 0 {
		return soil.Loam
	}
	return soil.WetOrSandy
}
