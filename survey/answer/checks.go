package answer

import (
	"fmt"
	"math"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/rig"
	"holdfast/survey/surround"
)

func passed(title, format string, args ...any) Check {
	return Check{Title: title, Ran: true, Passed: true, Matters: true, Message: fmt.Sprintf(format, args...)}
}

func failed(title, fix, format string, args ...any) Check {
	return Check{Title: title, Ran: true, Matters: true, Message: fmt.Sprintf(format, args...), Fix: fix}
}

func notRun(title, fix, format string, args ...any) Check {
	return Check{Title: title, Matters: true, Message: fmt.Sprintf(format, args...), Fix: fix}
}

// minor marks a check that is shown but does not decide the verdict.
func minor(c Check) Check {
	c.Matters = false
	return c
}

// groundChecks are those of a driven rig: what is in and under the ground.
func (w *working) groundChecks(l rig.Layout, refused string) []Check {
	out := []Check{w.groundCheck(refused), w.setbackCheck(), w.refusalCheck(), w.buriedCheck(l)}
	return append(out, w.placeChecks(l)...)
}

// placeChecks are those of every anchor: what is round and above it.
func (w *working) placeChecks(l rig.Layout) []Check {
	return []Check{
		w.bearingCheck(), w.overheadCheck(l), w.waterCheck(l),
		w.roadCheck(l), w.parcelCheck(l), w.accuracyCheck(), w.ageCheck(), w.reviewCheck(),
	}
}

func (w *working) groundCheck(refused string) Check {
	const title = "ground"
	g := w.a.Ground
	switch {
	case refused != "":
		return failed(title, "use an anchor that needs no stakes here", "no stake figure: %s", refused)
	case g.Class == survey.ClassUnknown:
		return notRun(title, "test the soil and name its texture", "the ground class is unknown")
	case len(g.Unsettled) > 0:
		return notRun(title, "find out "+g.Unsettled[0], "not known: %s", strings.Join(g.Unsettled, "; "))
	case g.Provisional:
		return passed(title, "class %s, provisional: it lacks a visual or a manual finding", g.Class)
	}
	return passed(title, "class %s", g.Class)
}

func (w *working) setbackCheck() Check {
	const title = "setback from the crest"
	need := rig.NeededSetback(w.in.Policy)
	d, how := w.setback()
	switch {
	case how == "":
		return notRun(title, "measure from the point to the crest", "the distance to the crest is not recorded")
	case d < need:
		return failed(title, fmt.Sprintf("set the front stake back %.1f m more", (need-d).Metres()), "%.1f m %s; %.1f m is needed", d.Metres(), how, need.Metres())
	}
	if layer, ok := w.in.Around.Setback.Get(); ok && how == "surveyed" && layer < need {
		return notRun(title, "measure again: the crest layer puts the crest closer", "%.1f m surveyed, but %.1f m by the bank crest layer", d.Metres(), layer.Metres())
	}
	return passed(title, "%.1f m %s; %.1f m is needed", d.Metres(), how, need.Metres())
}

// sharingCheck says how rigs that share must be led together, and whether
// there is room for it before the edge. That they then share equally is taken,
// not shown: it is the crew's to equalise them.
func (w *working) sharingCheck(count int) Check {
	const title = "sharing the load"
	reach, apart := rig.CollectorReach(count, w.in.Policy), rig.SharingSpacing(w.in.Policy)
	how := fmt.Sprintf("%d rigs %.1f m apart, taken to share equally: lead the legs together at least %.1f m ahead of the front stakes and equalise them", count, apart.Metres(), reach.Metres())
	switch d, known := w.setback(); {
	case known == "":
		return minor(notRun(title, "measure from the point to the crest", "%s", how))
	case d < reach:
		return minor(failed(title, fmt.Sprintf("set the rigs back %.1f m more", (reach-d).Metres()), "%s; the crest is only %.1f m away", how, d.Metres()))
	}
	return minor(passed(title, "%s", how))
}

func (w *working) refusalCheck() Check {
	const title = "depth to refusal"
	need := rig.DrivenDepth(w.in.Policy)
	d, ok := w.in.Point.Ground.DepthToRefusalM.Get()
	switch {
	case !ok:
		return minor(notRun(title, "drive a probe bar", "not recorded: watch the depth while driving, %.2f m is needed", need.Metres()))
	case d < need:
		return failed(title, "use an anchor that needs no stakes here", "a bar stops at %.2f m; %.2f m is needed", d.Metres(), need.Metres())
	}
	return passed(title, "a bar goes %.2f m; %.2f m is needed", d.Metres(), need.Metres())
}

// buriedCheck sets every stake against the buried lines on file and the
// point's own locate record. A line inside its tolerance zone fails whatever
// the record says; otherwise the record decides.
func (w *working) buriedCheck(l rig.Layout) Check {
	const title = "buried utilities"
	const locate = "have buried utilities located and marked, and record it"
	tolerance := w.in.Policy.UtilityToleranceM.Value
	accuracy, _ := w.in.Point.Fix.AccuracyM.Get()
	closest := geo.Length(math.Inf(1))
	var line surround.Near
	for _, n := range w.in.Around.Of(survey.RoleBuried) {
		for _, s := range l.Stakes {
			if _, d, ok := surround.Nearest(orb.Point{s.Lon, s.Lat}, n.Feature.Geometry); ok && d < closest {
				closest, line = d, n
			}
		}
	}
	file := "no buried line on file within reach"
	if !w.in.Around.Roles[survey.RoleBuried] {
		file = "no buried utility layer in the atlas"
	} else if !math.IsInf(float64(closest), 1) {
		file = fmt.Sprintf("nearest line on file %s at %.1f m (%s)", strings.TrimSpace(line.Name+" "+line.ID), closest.Metres(), line.Dated())
	}
	if closest < tolerance {
		return failed(title, fmt.Sprintf("move the rig: keep every stake %.2f m clear", tolerance.Metres()), "%s: inside the %.2f m tolerance zone", file, tolerance.Metres())
	}
	if closest < tolerance+accuracy {
		return notRun(title, "measure from the marked line to the stakes", "%s, and the point is only known to ±%.0f m", file, accuracy.Metres())
	}
	b := w.in.Point.BuriedUtilities
	until, dated := b.Until.Get()
	switch {
	case b.State == survey.BuriedClear && dated && until.Before(w.in.AsOf):
		return notRun(title, locate+" again", "the locate ran out on %s; %s", until.Format("2006-01-02"), file)
	case b.State == survey.BuriedClear:
		return passed(title, "marked clear; %s", file)
	case b.State == survey.BuriedPresent && !math.IsInf(float64(closest), 1):
		return passed(title, "marked present; %s, outside the %.2f m tolerance zone", file, tolerance.Metres())
	case b.State == survey.BuriedPresent:
		return notRun(title, "measure from the marks to the stakes and load the line as a layer", "marked present, and %s", file)
	case b.State == survey.BuriedNotLocated:
		return notRun(title, locate, "not located yet; %s", file)
	}
	return notRun(title, locate, "not known; %s", file)
}

// clearances is 29 CFR 1926.1408 Table A: up to kV, feet. Above 1,000 kV the
// owner or a registered engineer sets it.
var clearances = []struct{ kV, feet float64 }{{50, 10}, {200, 15}, {350, 20}, {500, 25}, {750, 35}, {1000, 45}}

// Clearance returns the least distance to an overhead line of a voltage in kV
// by 29 CFR 1926.1408 Table A; ok is false above 1,000 kV.
func Clearance(kV float64) (d geo.Length, ok bool) {
	for _, c := range clearances {
		if kV <= c.kV {
			return geo.Length(c.feet) * geo.Foot, true
		}
	}
	return 0, false
}

func (w *working) overheadCheck(l rig.Layout) Check {
	const title = "overhead lines"
	o := w.in.Point.Overhead
	for _, n := range w.in.Around.Of(survey.RoleOverhead) {
		need := 20 * geo.Foot
		if kv, ok := o.KV.Get(); ok {
			if d, ok := Clearance(kv); ok {
				need = d
			}
		}
		if _, d, ok := surround.Nearest(l.Front(), n.Feature.Geometry); ok && d < need && o.State != survey.OverheadPresent {
			return failed(title, "look up, and record the line's voltage and clearance", "a line on file passes %.1f m away (%s), which the survey does not show", d.Metres(), n.Dated())
		}
	}
	switch o.State {
	case survey.OverheadNone:
		return passed(title, "none seen")
	case survey.OverheadPresent:
	default:
		return notRun(title, "look up, and record whether there are overhead lines", "not recorded")
	}
	clear, ok := o.ClearanceM.Get()
	if !ok {
		return notRun(title, "estimate the clearance to the nearest conductor from outside its zone", "present, clearance not recorded")
	}
	kv, known := o.KV.Get()
	need, listed := Clearance(kv)
	words := fmt.Sprintf("%g kV", kv)
	if !known {
		need, listed, words = 20*geo.Foot, true, "voltage not known, taken as up to 350 kV"
	}
	switch {
	case !listed:
		return failed(title, "ask the line's owner for a clearance", "%s: the owner or a registered engineer sets the clearance", words)
	case clear < need:
		return failed(title, "work further away, or have the line made dead", "%.1f m to the line (%s); %.1f m is needed (29 CFR 1926.1408 Table A)", clear.Metres(), words, need.Metres())
	}
	return passed(title, "%.1f m to the line (%s); %.1f m is needed", clear.Metres(), words, need.Metres())
}

func (w *working) bearingCheck() Check {
	const title = "pull bearing"
	d := w.a.Pull.Doubts
	switch {
	case !w.a.Pull.TrueDeg.Known():
		return notRun(title, "take the pull bearing on the ground", "no bearing is known")
	case len(w.a.Pull.Readings) > 1 && len(d) > 0:
		return minor(failed(title, "take the pull bearing again on the ground", "%s", strings.Join(d, "; ")))
	case len(w.a.Pull.Readings) == 1:
		return passed(title, "one reading, %s", w.a.Pull.Source)
	}
	return passed(title, "%d readings agree within %.0f°", len(w.a.Pull.Readings), w.in.Policy.BearingDoubtDeg.Value)
}

// touches returns the first feature of a role that comes within reach of the
// stakes or the anchor.
func (w *working) touches(l rig.Layout, role survey.Role, reach geo.Length) (surround.Near, bool) {
	places := []orb.Point{l.Front()}
	for _, s := range l.Stakes {
		places = append(places, orb.Point{s.Lon, s.Lat})
	}
	for _, n := range w.in.Around.Of(role) {
		for _, at := range places {
			if _, d, ok := surround.Nearest(at, n.Feature.Geometry); ok && d <= reach {
				return n, true
			}
		}
	}
	return surround.Near{}, false
}

func (w *working) waterCheck(l rig.Layout) Check {
	const title = "water"
	if n, ok := w.touches(l, survey.RoleWater, 0); ok {
		return failed(title, "move the anchor out of the water", "the anchor stands in water on file (%s)", n.Dated())
	}
	if g := w.in.Site.Water; g.Gauge != "" {
		if s, ok := g.WarnStageM.Get(); ok {
			return minor(notRun(title, "read the gauge", "read gauge %s: unsafe from a stage of %.1f m", g.Gauge, s.Metres()))
		}
	}
	if !w.in.Around.Roles[survey.RoleWater] {
		return minor(notRun(title, "load a water layer", "no water layer in the atlas"))
	}
	return minor(passed(title, "not in water on file"))
}

func (w *working) roadCheck(l rig.Layout) Check {
	const title = "road and traffic"
	if !w.in.Around.Roles[survey.RoleRoad] {
		return minor(notRun(title, "load a road layer", "no road layer in the atlas"))
	}
	if n, ok := w.touches(l, survey.RoleRoad, 3); ok {
		return minor(failed(title, "close the lane before work starts", "the anchor is within 3 m of %s (%s)", orUnknown(n.Name), n.Dated()))
	}
	return minor(passed(title, "no road within 3 m"))
}

func (w *working) parcelCheck(l rig.Layout) Check {
	const title = "owner's leave"
	if !w.in.Around.Roles[survey.RoleParcel] {
		return minor(notRun(title, "load a parcel layer", "no parcel layer in the atlas"))
	}
	if n, ok := w.touches(l, survey.RoleParcel, 0); ok {
		return minor(notRun(title, "ask "+orUnknown(n.Name)+" for leave to drive stakes", "on the land of %s (%s)", orUnknown(n.Name), n.Dated()))
	}
	return minor(passed(title, "on no parcel on file"))
}

func (w *working) accuracyCheck() Check {
	const title = "position accuracy"
	d, ok := w.in.Point.Fix.AccuracyM.Get()
	limit := w.in.Policy.PositionAccuracyM.Value
	switch {
	case !ok:
		return minor(notRun(title, "average the position for a minute", "not recorded"))
	case d > limit:
		return minor(failed(title, "average the position for a minute, or tape from a mark", "±%.0f m; ±%.0f m is wanted", d.Metres(), limit.Metres()))
	}
	return minor(passed(title, "±%.0f m", d.Metres()))
}

func (w *working) ageCheck() Check {
	const title = "age of the survey"
	limit := w.in.Policy.ResurveyMonths.Value * 30.44
	days, ok := survey.Age(w.in.Point.SurveyedAt, w.in.AsOf)
	switch {
	case !ok && w.in.Point.SurveyedAt.Known():
		return minor(failed(title, "correct the survey date", "the survey date lies in the future"))
	case !ok:
		return minor(notRun(title, "walk the point again", "the survey date is not recorded"))
	case float64(days) > limit:
		return minor(failed(title, "walk the point again", "%d days old; due after %.0f months", days, w.in.Policy.ResurveyMonths.Value))
	}
	return minor(passed(title, "%d days", days))
}

func (w *working) reviewCheck() Check {
	const title = "sign-off"
	r := w.in.Site.Review
	due, ok := r.Due.Get()
	switch {
	case r.State == survey.Signed && ok && due.Before(w.in.AsOf):
		return minor(failed(title, "review and sign the site again", "signed, but review was due %s", due.Format("2006-01-02")))
	case r.State == survey.Signed:
		return minor(passed(title, "signed by %s", orUnknown(r.By)))
	case r.State == survey.Reviewed:
		return minor(failed(title, "have the site signed", "reviewed, not signed"))
	}
	return minor(failed(title, "have the site reviewed and signed", "draft: nobody has signed it"))
}
