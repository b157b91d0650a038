package preplan_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/grid"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/ground"
	"holdfast/survey/load"
	"holdfast/survey/preplan"
	"holdfast/survey/rig"
	"holdfast/survey/surround"
)

// Everything here is invented: the river, the road, the people and the tests.
var here = orb.Point{-84.41230, 38.20510}

const lbf = 4.4482216152605 // N

func day(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 9, 30, 0, 0, time.UTC) }

var printed = time.Date(2026, 11, 25, 3, 12, 0, 0, time.UTC)

func policy(t testing.TB) survey.Policy {
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	return p
}

func usng(p orb.Point) string {
	s, err := grid.USNG(p, 5)
	if err != nil {
		return ""
	}
	return s
}

// off returns the place some metres ahead along a bearing and to the right of it.
func off(from orb.Point, bearing geo.Bearing, ahead, right float64) orb.Point {
	p, _ := geodesic.Direct(from, bearing, geo.Length(ahead))
	p, _ = geodesic.Direct(p, bearing.Turn(90*geo.Degree), geo.Length(right))
	return p
}

// layout sets a rig out by hand: rows 1.2192 m apart, stakes of a row side by side.
func layout(front orb.Point, pull geo.Bearing, count int, pattern ...int) *rig.Layout {
	l := &rig.Layout{SectorDeg: [2]geo.Bearing{pull.Turn(-15 * geo.Degree), pull.Turn(15 * geo.Degree)}}
	l.Anchor = rig.Place(front)
	for n := range count {
		for row, k := range pattern {
			for i := range k {
				right := (float64(n)-float64(count-1)/2)*1.2192 + (float64(i)-float64(k-1)/2)*0.0254
				p := off(front, pull, -1.2192*float64(row), right)
				s := rig.Stake{Rig: n + 1, Row: row + 1, Place: i + 1, Lon: p.Lon(), Lat: p.Lat(), LeanDeg: 15, LeanTowardDeg: pull.Back()}
				if d, az, _, ok := geodesic.Inverse(front, p); ok && d > geo.Millimetre {
					s.MarkBearingDeg, s.MarkDistanceM = survey.Known(az), d
				}
				l.Stakes = append(l.Stakes, s)
			}
		}
		for row := 1; row < len(pattern); row++ {
			l.Lashings = append(l.Lashings, rig.Lashing{Rig: n + 1, What: fmt.Sprintf("head of row %d to foot of row %d", row, row+1), WebbingM: 10.3, Pieces: 2})
		}
		if len(pattern) > 1 {
			l.Lashings = append(l.Lashings, rig.Lashing{Rig: n + 1, What: "foot tie through all rows", WebbingM: 5.8, Pieces: 1})
		}
	}
	return l
}

func check(title string, ran, passed, matters bool, message, fix string) answer.Check {
	return answer.Check{Title: title, Ran: ran, Passed: passed, Matters: matters, Message: message, Fix: fix}
}

// rig321 is a 3-2-1 rig by the handbook, with the mechanics beside it.
func rig321(at orb.Point, pull geo.Bearing, count int) answer.Placed {
	n := 4000 * lbf * float64(count)
	return answer.Placed{
		Anchor: rig.Anchor{
			Kind: survey.KindRig, Rig: "3-2-1", Count: count, HoldingN: survey.Known(n), Governs: survey.Handbook,
			YieldN: survey.Known(0.66 * n), Weakest: "the front bar bends",
			Evidence: []rig.Figure{
				{Grade: survey.Handbook, HoldingN: n, Source: "NAVEDTRA 14251 Steelworker, chapter 6: 4,000 lbf, undisturbed loam", Used: true},
				{Grade: survey.Mechanics, HoldingN: 1.12 * n, LowN: survey.Known(0.6 * n), HighN: survey.Known(1.9 * n), Source: "limit equilibrium, cu 72 kPa", Note: "soil yields after the front bar", Used: true},
			},
		},
		Ratio: survey.Known(n / (600 * lbf)), Verdict: answer.Holds,
		Reasons: []string{"the handbook figure governs, the mechanics is higher"},
		Layout:  layout(at, pull, count, 3, 2, 1),
		Checks: []answer.Check{
			check("ground", true, true, true, "class A", ""),
			check("setback from the crest", true, true, true, "4.6 m surveyed; 2.0 m is needed", ""),
			check("buried utilities", true, true, true, "marked clear; nearest line on file 8 in gas at 18.2 m (2025-06-01)", ""),
			check("overhead lines", true, true, true, "none seen", ""),
			check("water", false, false, false, "read gauge LSR-2: unsafe from a stage of 2.4 m", "read the gauge"),
			check("owner's leave", false, false, false, "no parcel layer in the atlas", "load a parcel layer"),
			check("sign-off", true, true, false, "signed by Capt. R. Oduya", ""),
		},
	}
}

func tree(at orb.Point, pull geo.Bearing) answer.Placed {
	return answer.Placed{
		Anchor:  rig.Anchor{Kind: survey.KindTree, ID: "T1"},
		Verdict: answer.Short,
		Reasons: []string{"no rating is entered; by diameter it may serve as a back-up, not as the main anchor"},
		Layout:  layout(at, pull, 0),
		Checks:  []answer.Check{check("tree alive and rooted", false, false, true, "condition not recorded", "look at the tree and record it")},
	}
}

func pull(deg float64) answer.Pull {
	b := geo.NewBearing(deg)
	return answer.Pull{
		TrueDeg: survey.Known(b), MagneticDeg: survey.Known(deg + 5.3), BackDeg: survey.Known(b.Back()), BackMagDeg: survey.Known(float64(b.Back()) + 5.3),
		DeclinationDeg: survey.Known(-5.3), DeclinationErrDeg: survey.Known(0.4), ConvergenceDeg: survey.Known(1.6), Source: "measured on the ground",
		Readings: []answer.Reading{{Source: "measured on the ground, compass", TrueDeg: b}, {Source: "square to the bank crest layer of 2025", TrueDeg: b + 6}},
	}
}

func twoPerson() load.Result {
	return load.Result{
		ID: "two-person", Title: "two-person load", ForceOnAnchorN: 600 * lbf, HoldingN: 1643, RaisingN: 1643,
		Steps: []load.Step{
			{What: "load", How: "two-person load", ForceN: 600 * lbf, Source: "600 lbf: trade convention, wording of NFPA 1983 (1995 edition)"},
			{What: "held still on the slope", How: "W·max(0, sin 38° − 0.00·cos 38°)", ForceN: 1643, Source: "statics of a block on a slope"},
			{What: "force on the anchor", How: "max(W, raising tension)", ForceN: 600 * lbf, Source: "policy: the greater of hanging and raising"},
		},
	}
}

func feature(role survey.Role, name string, g orb.Geometry) survey.LayerFeature {
	return survey.LayerFeature{
		Layer: "county " + string(role), LayerID: strings.ReplaceAll(string(role), " ", "-"), Role: role, AsOf: survey.Known(day(2025, 6, 1)),
		Geometry: g, Properties: fmt.Appendf(nil, `{"name":%q}`, name),
	}
}

const bank = geo.Bearing(124) // along the bank, the river to its right

func along(metres, right float64) orb.Point { return off(here, bank, metres, right) }

func layers() []survey.LayerFeature {
	line := func(right ...float64) (l orb.LineString) {
		for i, r := range right {
			l = append(l, along(float64(i)*60-180, r))
		}
		return l
	}
	river := append(line(30, 33, 28, 30, 36, 33, 30), along(180, 75), along(0, 80), along(-180, 75))
	return []survey.LayerFeature{
		feature(survey.RoleCrest, "", line(5, 5.5, 5, 4.8, 5, 5.5, 5)),
		feature(survey.RoleToe, "", line(20, 21, 19, 19, 21, 22, 20)),
		feature(survey.RoleWater, "Little Sorrel River", orb.Polygon{append(orb.Ring(river), river[0])}),
		feature(survey.RoleRoad, "Mill Road", line(-30, -32, -30, -26, -28, -30, -34)),
		feature(survey.RoleBuried, "8 in gas", line(-18, -18, -18, -18, -18, -18, -18)),
		feature(survey.RoleOverhead, "12 kV", line(-40, -40, -40, -40, -40, -40, -40)),
		feature(survey.RoleBuilding, "pump house", orb.Polygon{{along(20, -60), along(34, -60), along(34, -50), along(20, -50), along(20, -60)}}),
	}
}

func around(p orb.Point) surround.Around {
	roles := map[survey.Role]bool{}
	for _, f := range layers() {
		roles[f.Role] = true
	}
	a := surround.Around{Roles: roles}
	for _, f := range layers() {
		if f.Role == survey.RoleBuried || f.Role == survey.RoleCrest || f.Role == survey.RoleRoad || f.Role == survey.RoleOverhead {
			_, d, _ := surround.Nearest(p, f.Geometry)
			name := map[survey.Role]string{survey.RoleBuried: "8 in gas", survey.RoleRoad: "Mill Road", survey.RoleOverhead: "12 kV"}[f.Role]
			a.Near = append(a.Near, surround.Near{Role: f.Role, Layer: f.Layer, Name: name, Distance: d, Bearing: survey.Known(geo.Bearing(34)), AsOf: f.AsOf, Feature: f})
		}
	}
	return a
}

func point(label string, at orb.Point) survey.Point {
	p := survey.Point{
		ID: label, Position: at, Site: "r7", Label: label, SurveyedAt: survey.Known(day(2026, 11, 2)), SurveyedBy: "Lt. A. Nakagawa",
		Fix:     survey.Fix{Source: "gnss", AccuracyM: survey.Known(geo.Length(2.1))},
		Terrain: survey.Terrain{SlopeDeg: survey.Known(38.0), HeightM: survey.Known(geo.Length(11)), FallLineDeg: survey.Known(geo.Bearing(214)), SetbackM: survey.Known(geo.Length(4.6)), Source: survey.TerrainMeasured},
		Pull:    survey.Pull{BearingDeg: survey.Known(219.3), North: survey.MagneticNorth, Source: survey.PullMeasured},
		Ground: survey.Ground{
			Class: survey.ClassA, Texture: survey.ClayLoam, Moisture: survey.Moist, Disturbed: survey.No, Fissured: survey.No, Seeping: survey.No, Vibration: survey.AnswerUnknown,
			Tests: []survey.GroundTest{
				{Kind: survey.PocketPenetrometer, Reading: survey.Num(1.75), Unit: "tsf", At: survey.Known(day(2026, 11, 2))},
				{Kind: survey.Thread, Reading: survey.Word("holds"), At: survey.Known(day(2026, 11, 2))},
			},
			DepthToRefusalM: survey.Known(geo.Length(1.4)),
		},
		BuriedUtilities: survey.BuriedUtilities{State: survey.BuriedClear, Ticket: "26-118-4471", Until: survey.Known(day(2026, 12, 3))},
		Overhead:        survey.Overhead{State: survey.OverheadNone},
		Anchors:         []survey.Anchor{{ID: "T1", Kind: survey.KindTree, BearingDeg: survey.Known(geo.Bearing(40)), DistanceM: survey.Known(geo.Length(6.5)), DiameterMM: survey.Known(460.0), Material: "oak"}},
		PullTests:       []survey.PullTest{{Rig: "1", ForceKN: 2.7, Outcome: survey.Held, MovementMM: survey.Known(6.0), BearingDeg: survey.Known(geo.Bearing(214)), At: survey.Known(day(2026, 11, 2)), Instrument: "dynamometer no. 3", Moisture: survey.Moist}},
	}
	return p
}

func groundA() ground.Result {
	return ground.Result{
		Class: survey.ClassA, Because: []string{"a pocket penetrometer reads 1.75 tsf, at least 1.5 tsf", "the thread holds: the soil is cohesive"}, Cohesive: survey.Yes,
		QuLowKPa: survey.Known(143.6), QuHighKPa: survey.Known(200.0), Factor: survey.FactorA, IfWet: survey.ClassB, IfSubmerged: survey.ClassC,
	}
}

// good is a point where two 3-2-1 rigs hold.
func good(label string, at orb.Point) preplan.PointInput {
	main := rig321(at, 214, 2)
	one := rig321(at, 214, 1)
	one.Verdict = answer.Short
	belay := tree(off(at, 214, -6, 2), 214)
	return preplan.PointInput{
		Point: point(label, at), UpdatedAt: day(2026, 11, 3), Near: around(at),
		Answer: answer.Answer{
			Point: label, AsOf: printed, Policy: "default-1", LoadCase: twoPerson(), RequiredRatio: 10, Ground: groundA(), Pull: pull(214), Verdict: answer.Holds,
			Sentence: "Two 3-2-1 rigs hold a two-person load at 13:1 in this ground; pull 214° true (219° compass).",
			Options: []answer.Option{
				{
					Rank: 1, Verdict: answer.Holds, Summary: "two 3-2-1 rigs", Why: "the only option that reaches 10:1", Main: main, Belay: &belay, GoverningRatio: survey.Known(13.33),
					Kit: answer.Need{Stakes: 12, Drivers: 2, WebbingPieces: 10, WebbingM: 52.8, RopeM: survey.Known(geo.Length(22.5))}, People: 4, Minutes: 43,
				},
				{
					Rank: 2, Verdict: answer.Short, Summary: "3-2-1 rig", Why: "6.6:1 is below the required 10:1", Main: one, Belay: &belay, GoverningRatio: survey.Known(6.66),
					Kit: answer.Need{Stakes: 6, Drivers: 2, WebbingPieces: 5, WebbingM: 26.4, RopeM: survey.Known(geo.Length(22.5))}, People: 4, Minutes: 24,
				},
			},
			Cautions: answer.Cautions,
		},
	}
}

// short is a point in softer ground, with less known.
func short(label string, at orb.Point) preplan.PointInput {
	p := good(label, at)
	p.Point.SurveyedAt = survey.Known(day(2024, 3, 12))
	p.Point.BuriedUtilities = survey.BuriedUtilities{State: survey.BuriedNotLocated}
	p.Point.Overhead = survey.Overhead{State: survey.OverheadPresent, KV: survey.Known(12.0), ClearanceM: survey.Known(geo.Length(9))}
	p.Point.Terrain.HeightM, p.Point.PullTests, p.Point.Anchors = survey.Opt[geo.Length]{}, nil, nil
	p.Answer.Ground = ground.Result{Class: survey.ClassB, Written: survey.ClassA, Provisional: true, Because: []string{"the ground was dug before"}, Doubts: []string{"the surveyor wrote class A"}}
	p.Answer.Pull = pull(208)
	p.Answer.Pull.Readings = p.Answer.Pull.Readings[:1]
	p.Answer.Verdict = answer.Short
	p.Answer.Sentence = "A 3-2-1 rig is short for a two-person load: 3.3:1 of the required 10:1."
	o := p.Answer.Options[1]
	n := 2000 * lbf
	o.Main = rig321(at, 208, 1)
	o.Main.Verdict, o.Main.Anchor.HoldingN, o.Main.Ratio = answer.Short, survey.Known(n), survey.Known(3.33)
	o.Main.Checks = []answer.Check{
		check("ground", true, true, true, "class B, provisional: it lacks a visual or a manual finding", ""),
		check("buried utilities", false, false, true, "not located yet; nearest line on file 8 in gas at 19.1 m (2025-06-01)", "have buried utilities located and marked, and record it"),
		check("overhead lines", true, true, true, "9.0 m to the line (12 kV); 3.0 m is needed", ""),
		check("age of the survey", true, false, false, "988 days old; due after 24 months", "walk the point again"),
	}
	o.Rank, o.Belay, o.GoverningRatio, o.Kit.RopeM = 1, nil, survey.Known(3.33), survey.Opt[geo.Length]{}
	p.Answer.Options = []answer.Option{o}
	p.Answer.Settles = []string{"have buried utilities located and marked, and record it", "pull-test here: a rig that holds 26.7 kN (6,000 lbf) settles it for that rig"}
	return p
}

// unknown is a point of which hardly anything was recorded.
func unknown(label string, at orb.Point) preplan.PointInput {
	return preplan.PointInput{
		Point: survey.Point{ID: label, Position: at, Site: "r7", Label: label},
		Answer: answer.Answer{
			AsOf: printed, Policy: "default-1", LoadCase: twoPerson(), RequiredRatio: 10, Verdict: answer.Unknown, Ground: ground.Result{Class: survey.ClassUnknown},
			Sentence: "Nothing can be said of an anchor here: the ground class and the pull bearing are unknown.",
			Settles:  []string{"take the pull bearing on the ground, or load a bank crest, toe or water layer", "test the soil and name its texture"},
		},
	}
}

func input(t testing.TB) preplan.Input {
	return preplan.Input{
		Site: survey.Site{
			ID: "r7", Name: "Hollow Bend", Code: "R-07", District: "Lower Sorrel", Kind: "riverbank",
			Geometry: orb.LineString{along(-90, 3), along(120, 3)},
			Access:   "From Mill Road turn in at the green gate (chain, key 4), 200 yd of gravel, firm in the dry, soft after rain. Turn round at the pump house.",
			Staging:  "Engine and rescue at the pump house, nose out. Keep the lane free for the ambulance. Command at the gate.",
			Contacts: []survey.Contact{{Who: "Sorrel Drainage Board", Phone: "555-0142", For: "gate key, gauge"}, {Who: "Valley Gas", Phone: "555-0177", For: "8 in main"}},
			Hazards:  []string{"Undercut bank for 20 m downstream of P2.", "Old fence wire in the grass."},
			Water:    survey.Water{Gauge: "LSR-2", WarnStageM: survey.Known(geo.Length(2.4))},
			Notes:    "Cattle in the field from April to October.",
			Review:   survey.Review{State: survey.Signed, By: "Capt. R. Oduya", At: survey.Known(day(2026, 11, 5)), Due: survey.Known(day(2027, 11, 5))},
		},
		SiteRevision: 14, AtlasRevision: 812, Policy: policy(t), PrintedAt: printed, Paper: preplan.A4, GridRef: usng, Layers: layers(),
		Points: []preplan.PointInput{good("P1", here), good("P2", along(60, 0.5))},
	}
}

func sharing() []drawing.Series {
	s := []drawing.Series{{Name: "front lashing"}, {Name: "rear lashing"}}
	for x := 0.0; x <= 4000; x += 250 {
		s[0].Points = append(s[0].Points, drawing.Share{Pull: survey.Force(x * lbf), Force: survey.Force(max(0, x-300) * 0.45 * lbf)})
		s[1].Points = append(s[1].Points, drawing.Share{Pull: survey.Force(x * lbf), Force: survey.Force(max(0, x-1200) * 0.2 * lbf)})
	}
	return s
}
