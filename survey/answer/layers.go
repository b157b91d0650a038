package answer

import (
	"cmp"
	"math"
	"strings"
	"time"

	"holdfast/geo"
	"holdfast/geo/tangent"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/load"
	"holdfast/survey/rig"
	"holdfast/survey/surround"
)

// each visits the features of a role that are near, with their distance from
// the candidate, which may be understated beyond a limit; no candidate has none.
func (w *working) each(c *candidate, role survey.Role, limit geo.Length, visit func(n *surround.Near, d geo.Length)) {
	if c == nil {
		return
	}
	for _, n := range w.near {
		if n.Role == role {
			own, _ := n.Tolerance.Get()
			visit(n, w.nearest(c, n, limit+n.HalfWidth+own))
		}
	}
}

// touched returns the first feature of a role that comes within reach of the
// candidate, its own half width counted.
func (w *working) touched(c *candidate, role survey.Role, reach geo.Length) (first *surround.Near) {
	w.each(c, role, reach, func(n *surround.Near, d geo.Length) {
		if first == nil && d <= reach+n.HalfWidth {
			first = n
		}
	})
	return first
}

const setbackTitle = "setback from the crest"

// setbackCheck holds the point's own distance to the crest against the policy's.
func (w *working) setbackCheck() Check {
	const title = setbackTitle
	need := rig.NeededSetback(w.policy())
	d, how := w.setback()
	switch {
	case how == "":
		return notRun(title, "measure from the point to the crest", "the distance to the crest is not recorded")
	case d < need-fine:
		return failed(title, w.setBack("front stake", need-d), w.t.length(d).s(" ").s(how).s("; ").need(need).s(" is needed").end())
	}
	if layer, ok := w.in.Around.Setback.Get(); ok && how == "surveyed" && layer < need-fine {
		return notRun(title, "measure again: the crest layer puts the crest closer", w.t.length(d).s(" surveyed, but ").length(layer).s(" by the bank crest layer").end())
	}
	return passed(title, w.t.length(d).s(" ").s(how).s("; ").need(need).s(" is needed").end())
}

// setBack says how much further back something is to stand.
func (w *working) setBack(what string, by geo.Length) string {
	if w.t.mute {
		return ""
	}
	return "set the " + what + " back " + wording.Need(w.t.units, by) + " more"
}

// crestCheck is setbackCheck of a candidate: a rig beside the point may stand
// closer to a crest that bends, and one set back on a levee to the other crest,
// or beyond it.
func (w *working) crestCheck(c *candidate) Check {
	if k := &w.common.setback; !(k.Ran && k.Passed) {
		return *k
	}
	need, least := rig.NeededSetback(w.policy()), geo.Length(math.Inf(1))
	beyond := false
	w.each(c, survey.RoleCrest, need, func(n *surround.Near, d geo.Length) {
		least = min(least, d)
		if c.back > 0 {
			c.spots(func(p tangent.XY) { beyond = beyond || n.Between(p) })
		}
	})
	if beyond {
		return failed(setbackTitle, "use an anchor that needs less room", w.t.s("set back ").length(c.back).s(" a stake would stand beyond a bank crest on file").end())
	}
	if least < need-fine {
		return failed(setbackTitle, w.setBack("front stake", need-least),
			w.t.length(least).s(" from the nearest stake to the bank crest layer; ").need(need).s(" is needed").end())
	}
	return w.common.setback
}

const locate = "have buried utilities located and marked, and record it"

// buriedCheck sets every stake against the buried lines on file and the
// point's own locate record. A line inside its tolerance zone, half its own
// width added, fails whatever the record says; otherwise the record decides.
func (w *working) buriedCheck(c *candidate) Check {
	const title = "buried utilities"
	closest := geo.Length(math.Inf(1)) // to the edge of a tolerance zone
	var line *surround.Near
	var away, zone geo.Length
	accuracy, known := w.in.Point.Fix.AccuracyM.Get()
	limit := w.policy().UtilityToleranceM.Value + accuracy
	if !w.t.mute || !known { // so near, the distance is written down, or decides
		limit = max(limit, w.policy().UtilityFilesDoubtM.Value)
	}
	w.each(c, survey.RoleBuried, limit, func(n *surround.Near, d geo.Length) {
		z := buriedZone(w.policy(), n)
		if d-z < closest {
			closest, line, away, zone = d-z, n, d, z
		}
	})
	if c != nil && line == nil {
		return w.common.buried
	}
	file := "no buried line on file nearby"
	switch {
	case !w.in.Around.Roles[survey.RoleBuried]:
		file = "no buried utility layer in the atlas"
	case line != nil && away <= max(w.policy().UtilityFilesDoubtM.Value, zone):
		file = w.t.s("nearest line on file ").s(strings.TrimSpace(line.Name + " " + line.ID)).s(" at ").length(away).s(" (").s(line.Dated()).s(")").end()
	}
	switch {
	case closest < -fine:
		return failed(title, w.t.f("move the rig: keep every stake %s clear", wording.Need(w.t.units, zone)), w.t.s(file).s(": inside the ").length(zone).s(" tolerance zone").end())
	case line != nil && closest < accuracy:
		return notRun(title, "measure from the marked line to the stakes", w.t.s(file).s(", and the point is only known to ±").length(accuracy).end())
	case line != nil && !known && away <= w.policy().UtilityFilesDoubtM.Value:
		return notRun(title, "measure from the marked line to the stakes", w.t.s(file).s(", and how well the point is known is not recorded").end())
	}
	return w.locateCheck(title, file, line != nil, zone)
}

// locateCheck judges the point's own locate record.
func (w *working) locateCheck(title, file string, line bool, zone geo.Length) Check {
	b := &w.in.Point.BuriedUtilities
	until, dated := b.Until.Get()
	located := b.State == survey.BuriedClear || b.State == survey.BuriedPresent
	switch {
	case located && !dated:
		return notRun(title, "record until when the locate is good", w.t.s(string(b.State)).s(", but until when is not recorded; ").s(file).end())
	case located && until.Before(w.in.AsOf):
		return notRun(title, locate+" again", w.t.s("the locate ran out on ").s(until.Format(time.DateOnly)).s("; ").s(file).end())
	case b.State == survey.BuriedClear:
		return passed(title, w.t.s("marked clear; ").s(file).end())
	case b.State == survey.BuriedPresent && line:
		return passed(title, w.t.s("marked present; ").s(file).s(", outside the ").length(zone).s(" tolerance zone").end())
	case b.State == survey.BuriedPresent:
		return notRun(title, "measure from the marks to the stakes and load the line as a layer", w.t.s("marked present, and ").s(file).end())
	case b.State == survey.BuriedNotLocated:
		return notRun(title, locate, w.t.s("not located yet; ").s(file).end())
	}
	return notRun(title, locate, w.t.s("not known; ").s(file).end())
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

// widestClearance is the last of them.
const widestClearance = 45 * geo.Foot

// unknownVoltage is what a line of unknown voltage is taken for, kV.
const unknownVoltage = 350

// OverheadReach is how near a line on file must be to be pointed out where the
// survey saw none: a ladder of 100 ft raised beside the point (common practice, no
// source), and the 20 ft to which nothing may come near a line of unknown voltage
// (29 CFR 1926.1408(a)(2)).
const OverheadReach = 120 * geo.Foot

// overheadCheck holds the lines seen, and the lines on file, against the
// clearance of their voltage. A line on file is known in plan only: beyond its
// clearance in plan it is clear; within it only a measured clearance decides.
func (w *working) overheadCheck(c *candidate) Check {
	const title = overheadTitle
	o := &w.in.Point.Overhead
	kv := o.KV
	var near, unseen *surround.Near
	var away, unseenAway geo.Length
	w.each(c, survey.RoleOverhead, OverheadReach, func(n *surround.Near, d geo.Length) {
		own := unknownVoltage * 1.0
		if v, ok := n.KV.Get(); ok {
			own = v
		} else if v, ok := o.KV.Get(); ok {
			own = v
		}
		need, listed := Clearance(own)
		if !listed {
			need = widestClearance // at the least
		}
		if d >= need {
			if d <= OverheadReach && (unseen == nil || d < unseenAway) {
				unseen, unseenAway = n, d
			}
			return
		}
		if near == nil || d < away {
			near, away = n, d
		}
		if v, ok := kv.Get(); n.KV.Known() && (!ok || own > v) {
			kv = n.KV // the greater voltage asks for the greater clearance
		}
	})
	if near == nil && unseen != nil && o.State == survey.OverheadNone {
		return minor(notRun(title, "look again, and record the line", w.t.s("none was recorded, but a line is on file ").length(unseenAway).s(" away (").s(unseen.Dated()).s("): look again").end()))
	}
	if c != nil && near == nil {
		return w.common.overhead
	}
	if near != nil && o.State != survey.OverheadPresent {
		return failed(title, "look up, and record the line's voltage and clearance", w.t.s("a line on file passes ").length(away).s(" away (").s(near.Dated()).s("), which the survey does not show").end())
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
	v, known := kv.Get()
	words := "voltage not known, taken as up to 350 kV"
	if !known {
		v = unknownVoltage
	} else {
		words = w.t.f("%g kV", v)
	}
	need, listed := Clearance(v)
	switch {
	case !listed:
		return failed(title, "ask the line's owner for a clearance", w.t.s(words).s(": the owner or a registered engineer sets the clearance").end())
	case clear < need-fine:
		return failed(title, "work further away, or have the line made dead", w.t.length(clear).s(" to the line (").s(words).s("); ").need(need).s(" is needed (29 CFR 1926.1408 Table A)").end())
	}
	return passed(title, w.t.length(clear).s(" to the line (").s(words).s("); ").need(need).s(" is needed").end())
}

func (w *working) waterCheck(c *candidate) Check {
	const title = waterTitle
	if n := w.touched(c, survey.RoleWater, 0); n != nil {
		return failed(title, "move the anchor out of the water", w.t.s("the anchor stands in water on file (").s(n.Dated()).s(")").end())
	} else if c != nil {
		return w.common.water
	}
	g := &w.in.Site.Water
	if stage, ok := g.WarnStageM.Get(); ok {
		datum, okDatum := g.DatumM.Get()
		height, okHeight := w.in.Point.ElevationM.Get()
		if okDatum && okHeight && height <= datum+stage {
			return minor(failed(title, "read the gauge before going there", w.t.s("at the warning stage of ").s(wording.Stage(w.t.units, stage)).s(" the water reaches this point").end()))
		}
		return minor(notRun(title, "read the gauge", w.t.s("read gauge ").s(orUnknown(g.Gauge)).s(": unsafe from a stage of ").s(wording.Stage(w.t.units, stage)).end()))
	}
	if !w.in.Around.Roles[survey.RoleWater] {
		return minor(notRun(title, "load a water layer", "no water layer in the atlas"))
	}
	return minor(passed(title, "not in water on file"))
}

// laneRoom is how near a road's edge work closes a lane, metres (department). A
// road of no recorded width is taken to reach as far from its line: two lanes.
const laneRoom = 3 * geo.Metre

// onto returns the first feature of a role on which a rig that is set back would
// have a stake. Where the surveyor stood a layer may be wrong; further back only
// the layer speaks.
func (w *working) onto(c *candidate, role survey.Role, half func(*surround.Near) geo.Length) (first *surround.Near) {
	if c.back == 0 {
		return nil
	}
	w.each(c, role, laneRoom, func(n *surround.Near, d geo.Length) {
		if first == nil && d <= half(n) {
			first = n
		}
	})
	return first
}

func (w *working) noRoom(title string, c *candidate, n *surround.Near) Check {
	return failed(title, "use an anchor that needs less room",
		w.t.s("set back ").length(c.back).s(" a stake would stand on ").s(named(n)).s(" (").s(n.Dated()).s(")").end())
}

func (w *working) roadCheck(c *candidate) Check {
	const title = "road and traffic"
	if !w.in.Around.Roles[survey.RoleRoad] {
		return minor(notRun(title, "load a road layer", "no road layer in the atlas"))
	}
	if n := w.onto(c, survey.RoleRoad, func(n *surround.Near) geo.Length { return cmp.Or(n.HalfWidth, laneRoom) }); n != nil {
		return w.noRoom(title, c, n)
	}
	if n := w.touched(c, survey.RoleRoad, laneRoom); n != nil {
		return minor(failed(title, "close the lane before work starts", w.t.s("the anchor is within ").length(laneRoom).s(" of ").s(named(n)).s(" (").s(n.Dated()).s(")").end()))
	}
	return minor(passed(title, w.t.s("no road within ").length(laneRoom).end()))
}

func (w *working) parcelCheck(c *candidate) Check {
	const title = "owner's leave"
	if !w.in.Around.Roles[survey.RoleParcel] {
		return minor(notRun(title, "load a parcel layer", "no parcel layer in the atlas"))
	}
	if n := w.touched(c, survey.RoleParcel, 0); n != nil {
		return minor(notRun(title, w.t.s("ask ").s(named(n)).s(" for leave to work there").end(), w.t.s("on the land of ").s(named(n)).s(" (").s(n.Dated()).s(")").end()))
	}
	return minor(passed(title, "on no parcel on file"))
}

func (w *working) buildingCheck(c *candidate) Check {
	const title = "buildings"
	if !w.in.Around.Roles[survey.RoleBuilding] {
		return minor(notRun(title, "load a building layer", "no building layer in the atlas"))
	}
	if n := w.onto(c, survey.RoleBuilding, func(*surround.Near) geo.Length { return 0 }); n != nil {
		return w.noRoom(title, c, n)
	}
	if n := w.touched(c, survey.RoleBuilding, 0); n != nil {
		return minor(failed(title, "check the position: nothing is driven inside a building", w.t.s("inside ").s(named(n)).s(" on file (").s(n.Dated()).s(")").end()))
	}
	return minor(passed(title, "inside no building on file"))
}

// layersCheck holds the age of the layers' data near the point against policy.
func (w *working) layersCheck() Check {
	const title = "age of the layers"
	months := w.policy().LayerMonths.Value
	var old, undated, seen []string
	for i := range w.in.Around.Near {
		n := &w.in.Around.Near[i]
		if rank(seen, n.Layer) < len(seen) {
			continue
		}
		seen = append(seen, n.Layer)
		if !n.AsOf.Known() {
			undated = append(undated, w.t.f("%q", n.Layer))
		} else if days, ok := survey.Age(n.AsOf, w.in.AsOf); ok && float64(days) > months*daysPerMonth {
			old = append(old, n.Dated())
		}
	}
	switch {
	case len(seen) == 0:
		return minor(passed(title, "no layer data near the point"))
	case len(old) > 0:
		return minor(failed(title, "load the layers anew", w.t.f("older than %.0f months: %s", months, strings.Join(old, "; "))))
	case len(undated) > 0:
		return minor(notRun(title, "ask the layers' owner for their date", w.t.f("not stated for %s", strings.Join(undated, ", "))))
	}
	return minor(passed(title, w.t.s("all layers near the point are newer than ").num(months, 0).s(" months").end()))
}

// leg is the force in an outer leg of sharing rigs at the policy's interior angle.
func (w *working) leg(count int) (newtons float64, warn string, ok bool) {
	share := w.a.LoadCase.Force() * survey.Force(2) / survey.Force(count)
	f, warn, err := load.Leg(share, geo.Degrees(w.policy().SharingAngleDeg.Value))
	return f.Newtons(), warn, err == nil
}

// named is what a feature calls itself.
func named(n *surround.Near) string { return orUnknown(n.Name) }
