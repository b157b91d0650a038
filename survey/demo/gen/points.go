package main

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/survey"
)

// spot is where a point stands and which way its bank falls.
type spot struct {
	at   xy
	down geo.Bearing
}

// onBank is a point behind the crest of the river, left (+1) or right (−1).
func onBank(t float64, left float64, setback float64) spot {
	p := side(river, t, left*(42+setback))
	n := normal(river, t).scale(-left)
	return spot{p, n.bearing()}
}

// onSlope is a point on an embankment's shoulder, behind a crest that lies
// half a formation width from its middle.
func onSlope(curve func(float64) xy, t, left, half, setback float64) spot {
	return spot{side(curve, t, left*(half-setback)), normal(curve, t).scale(left).bearing()}
}

func atQuarry(deg, setback float64) spot {
	r := 150 + 22*math.Sin(deg*math.Pi/60) + setback
	return spot{quarry.add(unit(deg).scale(r)), geo.NewBearing(deg + 180)}
}

type fill func(*survey.Point)

func point(siteCode, label string, s spot, ago int, fills ...fill) survey.Point {
	p := survey.Point{
		ID: siteCode + "-" + label, Position: place(s.at), ElevationM: survey.Known(geo.Length(math.Round(2320+s.at.y/60) / 10)),
		Site: siteCode, Label: label, SurveyedAt: daysAgo(ago), SurveyedBy: []string{"Lt. M. Esker", "D. Lorne", "Capt. H. Brindle"}[ago%3],
		Fix: survey.Fix{Source: "gnss", AccuracyM: survey.Known(geo.Length(1.5 + float64(ago%5)))},
	}
	p.Ground.DepthToRefusalM = survey.Known(geo.Length(1.5))
	p.BuriedUtilities = survey.BuriedUtilities{State: survey.BuriedClear, Ticket: fmt.Sprintf("OV-%04d", 2000+ago*7), Until: daysAgo(-60)}
	p.Overhead.State = survey.OverheadNone
	p.Pull = survey.Pull{BearingDeg: survey.Known(math.Round(s.down.Degrees())), North: survey.TrueNorth, Source: survey.PullMeasured}
	for _, f := range fills {
		f(&p)
	}
	return p
}

func bank(slope, height, setback float64) fill {
	return func(p *survey.Point) {
		p.Terrain = survey.Terrain{
			SlopeDeg: survey.Known(slope), HeightM: survey.Known(geo.Length(height)), SetbackM: survey.Known(geo.Length(setback)), Source: survey.TerrainMeasured,
		}
	}
}

// soil is settled undisturbed ground.
func soil(t survey.Texture, m survey.Moisture, tests ...survey.GroundTest) fill {
	return func(p *survey.Point) {
		refusal := p.Ground.DepthToRefusalM
		p.Ground = survey.Ground{
			Texture: t, Moisture: m, Tests: tests, DepthToRefusalM: refusal,
			Disturbed: survey.No, Fissured: survey.No, Seeping: survey.No, Vibration: survey.No, LayersDip: survey.No,
		}
	}
}

func penetrometer(tsf float64) survey.GroundTest {
	return survey.GroundTest{Kind: survey.PocketPenetrometer, Reading: survey.Num(tsf), Unit: "tsf"}
}

func vane(kPa float64) survey.GroundTest {
	return survey.GroundTest{Kind: survey.ShearVane, Reading: survey.Num(kPa), Unit: "kPa"}
}

func word(k survey.TestKind, w string) survey.GroundTest {
	return survey.GroundTest{Kind: k, Reading: survey.Word(w)}
}

func seen(w string) survey.GroundTest { return word(survey.Visual, w) }

func tree(id string, bearing, distance, mm float64, rated float64, note string) fill {
	return func(p *survey.Point) {
		a := survey.Anchor{
			ID: id, Kind: survey.KindTree, BearingDeg: survey.Known(geo.Bearing(bearing)), DistanceM: survey.Known(geo.Length(distance)),
			DiameterMM: survey.Known(mm), Condition: "living, well rooted", Note: note,
		}
		if rated > 0 {
			a.RatedKN, a.Evidence = survey.Known(rated), survey.TestedHere
		}
		p.Anchors = append(p.Anchors, a)
	}
}

func thing(a survey.Anchor) fill {
	return func(p *survey.Point) { p.Anchors = append(p.Anchors, a) }
}

func pulled(rig string, kn float64, o survey.TestOutcome, ago int, mm float64) fill {
	return func(p *survey.Point) {
		p.PullTests = append(p.PullTests, survey.PullTest{
			Rig: rig, ForceKN: kn, Outcome: o, MovementMM: survey.Known(mm), At: daysAgo(ago), Moisture: survey.Moist, Instrument: "50 kN dynamometer, hand winch",
		})
	}
}

func locate(state survey.BuriedState) fill {
	return func(p *survey.Point) { p.BuriedUtilities = survey.BuriedUtilities{State: state} }
}

func change(f fill) fill { return f }

func points() []survey.Point {
	firmLoam := soil(survey.ClayLoam, survey.Moist, penetrometer(1.75), seen("fine-grained, stands in clumps, no cracks"), word(survey.Thread, "holds"))
	loam := soil(survey.ClayLoam, survey.Moist, penetrometer(1.1), seen("clumps, a few roots, no cracks"))
	siltyClay := soil(survey.SiltyClay, survey.Moist, vane(40), seen("smooth, grey, no cracks"), word(survey.Thread, "holds"))
	soft := soil(survey.Clay, survey.Wet, penetrometer(0.4), seen("soft, shiny, water in the hole"))
	sandy := soil(survey.Sand, survey.Moist, word(survey.RebarProbe, "medium"), seen("single grains, nothing sticks"))
	sandyLoam := soil(survey.SandyLoam, survey.Moist, word(survey.DryStrength, "crumbles"), seen("grains show, weak clumps"))
	fillEarth := change(func(p *survey.Point) {
		p.Ground.Disturbed = survey.Yes
	})
	shaken := change(func(p *survey.Point) { p.Ground.Vibration = survey.Yes })
	post := func(id, what string, bearing, distance, rated float64) fill {
		a := survey.Anchor{ID: id, Kind: survey.KindStructure, Material: what, BearingDeg: survey.Known(geo.Bearing(bearing)), DistanceM: survey.Known(geo.Length(distance)), Condition: "sound"}
		if rated > 0 {
			a.RatedKN, a.Evidence, a.Note = survey.Known(rated), survey.Handbook, "rated by the county's engineer for a side pull at the base"
		}
		return thing(a)
	}
	truck := thing(survey.Anchor{ID: "V1", Kind: survey.KindVehicle, Material: "engine on the road, frame loops", Condition: "parked in line, chocked", BearingDeg: survey.Known(geo.Bearing(10)), DistanceM: survey.Known(geo.Length(9))})

	return []survey.Point{
		point("QR-01", "P1", onBank(-1480, 1, 3), 40, firmLoam, bank(38, 7, 3), tree("T1", 20, 9, 520, 0, "")),
		point("QR-01", "P2", onBank(-1420, 1, 3.5), 40, firmLoam, bank(42, 7.5, 3.5), pulled("1-1", 6.5, survey.Held, 38, 11), pulled("1", 3.2, survey.Held, 38, 5)),
		point("QR-01", "P3", onBank(-1360, 1, 1.2), 40, loam, bank(55, 7.5, 1.2)),
		point("QR-01", "P4", onBank(-1310, 1, 4), 41, loam, bank(40, 7, 4), tree("T1", 15, 7, 610, 45, "pulled with the winch, no movement"), tree("T2", 60, 11, 480, 42, "pulled with the winch")),
		point("QR-01", "P5", onBank(-1265, 1, 3), 41, sandyLoam, bank(35, 6.5, 3), locate(survey.BuriedNotLocated)),

		point("QR-02", "P1", onBank(-930, -1, 3), 25, siltyClay, bank(46, 8, 3)),
		point("QR-02", "P2", onBank(-870, -1, 3), 25, siltyClay, bank(48, 8.5, 3), change(func(p *survey.Point) { p.BuriedUtilities.State = survey.BuriedPresent })),
		point("QR-02", "P3", onBank(-810, -1, 4.5), 25, firmLoam, bank(44, 8, 4.5), pulled("1", 3.4, survey.Held, 24, 6), pulled("3-2-1", 18, survey.Held, 24, 14)),
		point("QR-02", "P4", onBank(-750, -1, 3.2), 26, firmLoam, bank(44, 8, 3.2), pulled("1-1-1", 6.2, survey.Failed, 24, 140)),
		point("QR-02", "P5", onBank(-690, -1, 3), 26, soft, bank(40, 7, 3), post("S1", "turbine house ring bolt", 200, 22, 60)),

		point("QR-03", "P1", onBank(-215, 1, 3), 300, sandy, bank(28, 4, 3), truck),
		point("QR-03", "P2", onBank(-150, 1, 3), 300, sandy, bank(30, 4.5, 3), change(func(p *survey.Point) { p.Ground.Moisture = survey.Wet })),
		point("QR-03", "P3", onBank(-90, 1, 5), 301, sandyLoam, bank(26, 4, 5), tree("T1", 340, 12, 380, 0, "")),
		point("QR-03", "P4", onBank(-20, 1, 3), 301, soil(survey.Gravel, survey.Moist, word(survey.RebarProbe, "dense"), seen("rounded gravel in sand")), bank(25, 3.5, 3)),

		point("QR-04", "P1", onBank(1070, -1, 4), 90, firmLoam, bank(36, 6, 4), pulled("1-1-1", 26.9, survey.Held, 80, 22), pulled("1", 3.6, survey.Held, 80, 9)),
		point("QR-04", "P2", onBank(1130, -1, 4), 90, firmLoam, bank(36, 6, 4)),
		point("QR-04", "P3", onBank(1200, -1, 3), 91, loam, bank(38, 6, 3)),
		point("QR-04", "P4", onBank(1260, -1, 3), 91, loam, bank(38, 6, 3), change(func(p *survey.Point) {
			p.Pull.BearingDeg = survey.Known(math.Mod(mustBearing(p)+46, 360))
		})),
		point("QR-04", "P5", onBank(1330, -1, 3), 92, soil(survey.Clay, survey.Dry, penetrometer(2.5), seen("hard crust with open cracks")), bank(38, 6, 3), change(func(p *survey.Point) { p.Ground.Fissured = survey.Yes })),

		point("BC-01", "P1", spot{creek(-120).add(xy{9, 0}), 270}, 120, sandyLoam, fillEarth, bank(45, 3, 2.5), post("S1", "culvert headwall", 180, 4, 0)),
		point("BC-01", "P2", spot{creek(-120).add(xy{-10, 2}), 90}, 120, change(func(p *survey.Point) {
			p.Ground.Texture, p.Ground.Moisture = survey.Clay, survey.Moist
			p.Ground.Disturbed, p.Ground.Fissured = survey.AnswerUnknown, survey.No
		}), bank(45, 3, 2.5), locate(survey.BuriedUnknown)),
		point("BC-01", "P3", spot{creek(-60).add(xy{12, 0}), 270}, 121, siltyClay, bank(30, 2.5, 4)),

		point("RE-01", "P1", onSlope(roadNine, 520, -1, 6, 3), 15, siltyClay, fillEarth, shaken, bank(34, 9, 3), post("S1", "bridge parapet base", 250, 8, 75)),
		point("RE-01", "P2", onSlope(roadNine, 600, -1, 6, 3.5), 15, firmLoam, fillEarth, shaken, bank(34, 9.5, 3.5), truck),
		point("RE-01", "P3", onSlope(roadNine, 680, -1, 6, 2.5), 16, loam, fillEarth, bank(36, 10, 2.5), change(func(p *survey.Point) {
			p.Overhead = survey.Overhead{State: survey.OverheadPresent, KV: survey.Known(12.5), ClearanceM: survey.Known(geo.Length(2.4))}
		})),
		point("RE-01", "P4", onSlope(roadNine, 760, -1, 6, 3), 16, firmLoam, bank(36, 10, 3), change(func(p *survey.Point) {
			p.Overhead = survey.Overhead{State: survey.OverheadPresent, KV: survey.Known(12.5), ClearanceM: survey.Known(geo.Length(9))}
		})),
		point("RE-01", "P5", onSlope(roadNine, 860, -1, 6, 4), 16, loam, bank(33, 9, 4)),

		point("RE-02", "P1", onSlope(spur, 620, -1, 5, 2.6), 200, soil(survey.AngularGravel, survey.Dry, seen("ballast over ash"), word(survey.RebarProbe, "loose")), fillEarth, shaken, bank(37, 6, 2.6)),
		point("RE-02", "P2", onSlope(spur, 700, -1, 5, 3), 200, soil(survey.Silt, survey.Moist, word(survey.Thread, "tears"), seen("ash and silt")), fillEarth, shaken, bank(37, 6, 3)),
		point("RE-02", "P3", onSlope(spur, 780, -1, 5, 3), 201, loam, shaken, bank(35, 6, 3), tree("T1", 15, 14, 450, 38, "pulled")),
		point("RE-02", "P4", onSlope(spur, 880, -1, 5, 3), 202, change(func(p *survey.Point) {
			p.Ground.Class = survey.ClassUnknown
			p.BuriedUtilities = survey.BuriedUtilities{}
			p.Overhead = survey.Overhead{}
		}), bank(37, 6, 3)),

		point("QE-01", "P1", atQuarry(60, 6), 800, soil(survey.StableRock, survey.Dry, seen("sound bedded limestone")), bank(80, 22, 6),
			thing(survey.Anchor{ID: "R1", Kind: survey.KindRock, BearingDeg: survey.Known(geo.Bearing(70)), DistanceM: survey.Known(geo.Length(5)), Material: "two drilled bolts, M20", Condition: "sound", RatedKN: survey.Known(40.0), Evidence: survey.TestedHere, Note: "bolts pulled one by one"}),
			thing(survey.Anchor{ID: "R2", Kind: survey.KindRock, BearingDeg: survey.Known(geo.Bearing(40)), DistanceM: survey.Known(geo.Length(7)), Material: "two drilled bolts, M20", Condition: "sound", RatedKN: survey.Known(38.0), Evidence: survey.TestedHere, Note: "bolts pulled one by one"})),
		point("QE-01", "P2", atQuarry(95, 5), 800, soil(survey.StableRock, survey.Dry, seen("blocky, open joints")), bank(78, 24, 5),
			thing(survey.Anchor{ID: "R1", Kind: survey.KindRock, BearingDeg: survey.Known(geo.Bearing(100)), DistanceM: survey.Known(geo.Length(4)), DiameterMM: survey.Known(1500.0), Material: "boulder", Condition: "embedded"})),
		point("QE-01", "P3", atQuarry(120, 8), 801, soil(survey.Hardpan, survey.Dry, seen("cemented, rings under the bar"), word(survey.DryStrength, "does not break")), bank(70, 20, 8), change(func(p *survey.Point) {
			p.Ground.DepthToRefusalM = survey.Known(geo.Length(0.35))
		})),
		point("QE-01", "P4", atQuarry(150, 7), 801, soil(survey.Cobbles, survey.Dry, seen("cobbles in sand")), bank(65, 18, 7), truck),

		point("BR-01", "P1", onBank(400, 1, 4), 30, firmLoam, bank(40, 8, 4), post("S1", "abutment wing wall, two eye bolts", 300, 9, 90), post("S2", "gantry column base", 340, 13, 80)),
		point("BR-01", "P2", onBank(440, 1, 4), 30, soil(survey.ClayLoam, survey.Moist, penetrometer(1.3), penetrometer(2.4), seen("mixed, some rubble")), fillEarth, bank(40, 8, 4)),
		point("BR-01", "P3", onBank(480, 1, 3), 31, firmLoam, bank(42, 8, 3), change(func(p *survey.Point) {
			p.Pull.North = survey.MagneticNorth
			p.Pull.BearingDeg = survey.Known(math.Mod(mustBearing(p)+2, 360))
			p.Ground.Class, p.Ground.ClassReason = survey.ClassB, "rubble seen in the next pit"
		})),

		point("LV-01", "P1", onSlope(levee, -320, -1, 4, 2.5), 400, loam, fillEarth, bank(22, 4, 2.5)),
		point("LV-01", "P2", onSlope(levee, -220, -1, 4, 2.5), 400, siltyClay, fillEarth, bank(22, 4, 2.5)),
		point("LV-01", "P3", onSlope(levee, -120, -1, 4, 2.5), 401, soft, fillEarth, bank(22, 4, 2.5), change(func(p *survey.Point) { p.Ground.Seeping = survey.Yes })),
		point("LV-01", "P4", onSlope(levee, -20, -1, 4, 2.5), 401, soil(survey.Organic, survey.Moist, seen("dark, fibrous, old river bed")), bank(20, 3.5, 2.5)),
		point("LV-01", "P5", onSlope(levee, 90, -1, 4, 2.5), 402, loam, fillEarth, bank(22, 4, 2.5),
			thing(survey.Anchor{ID: "D1", Kind: survey.KindDeadman, BearingDeg: survey.Known(geo.Bearing(0)), DistanceM: survey.Known(geo.Length(6)), Material: "planned log, 300 mm", Condition: "not dug"})),
	}
}

func mustBearing(p *survey.Point) float64 {
	v, _ := p.Pull.BearingDeg.Get()
	return v
}
