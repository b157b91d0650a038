package drawing_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/load"
	"holdfast/survey/rig"
	"holdfast/survey/surround"
)

var update = flag.Bool("update", false, "write the golden drawings anew")

// The places of these tests are invented.
var here = orb.Point{-84.41230, 38.20510}

func day(y int, m time.Month, d int) time.Time { return time.Date(y, m, d, 9, 30, 0, 0, time.UTC) }

func policy(t testing.TB) survey.Policy {
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	return p
}

// off returns the place some metres ahead along a bearing and to the right of it.
func off(from orb.Point, bearing geo.Bearing, ahead, right float64) orb.Point {
	p, _ := geodesic.Direct(from, bearing, geo.Length(ahead))
	p, _ = geodesic.Direct(p, bearing.Turn(90*geo.Degree), geo.Length(right))
	return p
}

// stakes lays out a pattern by hand, so that these tests do not lean on the
// engine: rows 1.2192 m apart, stakes of a row a bar's width apart.
func layout(front orb.Point, pull geo.Bearing, count int, pattern ...int) *rig.Layout {
	l := &rig.Layout{SectorDeg: [2]geo.Bearing{pull.Turn(-15 * geo.Degree), pull.Turn(15 * geo.Degree)}}
	l.Anchor = rig.Place(front)
	for n := range count {
		for row, k := range pattern {
			for i := range k {
				right := (float64(n)-float64(count-1)/2)*1.2192 + (float64(i)-float64(k-1)/2)*0.0254
				p := off(front, pull, -1.2192*float64(row), right)
				l.Stakes = append(l.Stakes, rig.Stake{Rig: n + 1, Row: row + 1, Place: i + 1, Lon: p.Lon(), Lat: p.Lat(), LeanDeg: 15, LeanTowardDeg: pull.Back()})
			}
		}
		l.Lashings = append(l.Lashings, rig.Lashing{Rig: n + 1, What: "foot tie through all rows", WebbingM: 6, Pieces: 1})
	}
	return l
}

func pull(deg float64) answer.Pull {
	b := geo.NewBearing(deg)
	return answer.Pull{
		TrueDeg: survey.Known(b), MagneticDeg: survey.Known(deg + 5.3), BackDeg: survey.Known(b.Back()), BackMagDeg: survey.Known(float64(b.Back()) + 5.3),
		DeclinationDeg: survey.Known(-5.3), ConvergenceDeg: survey.Known(-0.9),
	}
}

func feature(role survey.Role, name string, g orb.Geometry) survey.LayerFeature {
	return survey.LayerFeature{Layer: "county " + string(role), Role: role, Geometry: g, Properties: []byte(`{"name":"` + name + `"}`)}
}

func plan() drawing.Plan {
	return drawing.Plan{
		Units: survey.UnitsUS, Point: "P1", Position: here, Pull: pull(214), At: day(2026, 11, 2), Tolerance: 0.6096,
		Main:    answer.Placed{Anchor: rig.Anchor{Kind: survey.KindRig, Rig: "3-2-1", Count: 1}, Layout: layout(here, 214, 1, 3, 2, 1)},
		Setback: survey.Known(geo.Length(4.6)),
	}
}

// cases are the drawings kept as golden files.
func cases(t testing.TB) map[string]drawing.Drawing {
	p := policy(t)
	paper := drawing.Size{W: 92, H: 112}
	wide := drawing.Size{W: 92, H: 74}

	sharing := plan()
	sharing.Main = answer.Placed{Anchor: rig.Anchor{Kind: survey.KindRig, Rig: "1-1-1", Count: 3}, Layout: layout(here, 214, 3, 1, 1, 1)}
	main := off(here, 214, -1, 6)
	line := orb.LineString{off(here, 214, 1.5, -8), off(here, 214, -5, 7)}
	sharing.Near = []surround.Near{
		{Role: survey.RoleBuried, Name: "gas", Feature: feature(survey.RoleBuried, "gas", line)},
		{Role: survey.RoleOverhead, Name: "12 kV", Feature: feature(survey.RoleOverhead, "12 kV", orb.LineString{off(main, 214, 0, -20), off(main, 214, 0, 20)})},
		{Role: survey.RoleCrest, Feature: feature(survey.RoleCrest, "", orb.LineString{off(here, 214, 4, -15), off(here, 214, 5, 0), off(here, 214, 4.2, 12)})},
	}

	tree := plan()
	tree.Main = answer.Placed{Anchor: rig.Anchor{Kind: survey.KindTree, ID: "T1"}, Layout: layout(off(here, 214, -6, 2), 214, 0)}
	tree.Belay = &answer.Placed{Anchor: rig.Anchor{Kind: survey.KindRig, Rig: "1-1-1", Count: 1}, Layout: layout(off(here, 214, -1, -2), 214, 1, 1, 1, 1)}

	si := plan()
	si.Units = survey.UnitsSI
	si.Setback = survey.Opt[geo.Length]{}
	si.Main = answer.Placed{Anchor: rig.Anchor{Kind: survey.KindRig, Rig: "1-1", Count: 1}, Layout: layout(here, 14, 1, 1, 1)}
	si.Pull = pull(14)
	si.Pull.MagneticDeg, si.Pull.DeclinationDeg = survey.Opt[float64]{}, survey.Opt[float64]{}

	unknown := plan()
	unknown.Pull = answer.Pull{}

	elevation := drawing.Elevation{Units: survey.UnitsUS, Pattern: survey.Pattern{3, 2, 1}, Stake: p.Stake}
	single := drawing.Elevation{Units: survey.UnitsSI, Pattern: survey.Pattern{1}, Stake: p.Stake, RopeAngleDeg: 10}

	section := drawing.Section{
		Units: survey.UnitsUS, Anchor: "3-2-1 rig", Rows: 3, Setback: survey.Known(geo.Length(4.6)), Slope: survey.Known(geo.Degrees(38)),
		Height: survey.Known(geo.Length(11)), Rope: survey.Known(geo.Length(22.5)), Source: survey.TerrainMeasured,
	}
	cliff := section
	cliff.Slope, cliff.Source = survey.Known(geo.Degrees(90)), survey.TerrainElevation
	partial := drawing.Section{Units: survey.UnitsSI, Anchor: "tree T1", Slope: survey.Known(geo.Degrees(25))}
	profile := section
	for i := -4.0; i < 30; i++ {
		h := 0.0
		if i > 4 {
			h = -min(11, (i-4)*0.7+0.3*float64(int(i)%3))
		}
		profile.Profile = append(profile.Profile, drawing.Station{Along: geo.Length(i), Height: geo.Length(h)})
	}

	forces := drawing.Forces{Units: survey.UnitsUS, Load: load.Result{
		Title: "two-person load, raised with a 3:1", ForceOnAnchorN: 3558.6,
		Steps: []load.Step{
			{What: "the load", How: "600 lbf", ForceN: 2668.9, Source: "trade convention"},
			{What: "raised up the slope", How: "600 lbf × (sin 38° + 0.60 × cos 38°)", ForceN: 2905},
			{What: "haul system 3:1 with pulleys at 80 %", How: "2,905 N ÷ (1 + 0.8 + 0.64)", ForceN: 1190.6},
			{What: "redirect at 120° between the legs", How: "2 × 1,190.6 N × cos 60°", ForceN: 1190.6},
		},
	}}
	curve := drawing.Sharing{Units: survey.UnitsUS, Rig: "1-1-1", Demand: survey.Known(600 * survey.PoundForce)}
	for i, name := range []string{"front lashing", "rear lashing"} {
		s := drawing.Series{Name: name}
		for x := 0.0; x <= 1800; x += 100 {
			y := max(0, x-200-500*float64(i)) * (0.45 - 0.25*float64(i))
			s.Points = append(s.Points, drawing.Share{Pull: survey.Force(x) * survey.PoundForce, Force: survey.Force(y) * survey.PoundForce})
		}
		curve.Series = append(curve.Series, s)
	}

	moved := func(mm, kN float64) drawing.Moved {
		return drawing.Moved{By: geo.Length(mm) * geo.Millimetre, Pull: survey.Force(kN) * survey.Kilonewton}
	}
	pulled := drawing.Pulls{
		Units: survey.UnitsUS, Rig: "1-1-1", Value: survey.Known(5 * survey.Kilonewton),
		Curve: []drawing.Moved{{}, moved(2, 2), moved(6, 4), moved(15, 6.5), moved(40, 8), moved(150, 8.5)},
		Tests: []drawing.Pulled{
			{Moved: moved(11, 6.5), Name: "1", Outcome: survey.Held},
			{Moved: moved(25, 7), Name: "2", Outcome: survey.Moved},
			{Moved: moved(60, 6.2), Name: "3", Outcome: survey.Failed},
		},
	}
	return map[string]drawing.Drawing{
		"plan-rig": plan().Draw(paper), "plan-sharing-utilities": sharing.Draw(paper), "plan-tree-belay": tree.Draw(paper),
		"plan-si-no-setback": si.Draw(paper), "plan-unknown": unknown.Draw(paper),
		"elevation": elevation.Draw(wide), "elevation-single": single.Draw(wide),
		"section": section.Draw(wide), "section-cliff": cliff.Draw(wide), "section-partial": partial.Draw(wide), "section-profile": profile.Draw(wide),
		"section-unknown": drawing.Section{}.Draw(wide),
		"forces":          forces.Draw(drawing.Size{W: 120}), "sharing": curve.Draw(drawing.Size{W: 90, H: 60}),
		"pulls": pulled.Draw(drawing.Size{W: 120, H: 70}), "pulls-none": drawing.Pulls{Rig: "1"}.Draw(drawing.Size{W: 90, H: 60}),
		"map": siteMap().Draw(drawing.Size{W: 120, H: 100}), "map-empty": drawing.SiteMap{}.Draw(drawing.Size{W: 120, H: 60}),
	}
}

func siteMap() drawing.SiteMap {
	sector := func(b geo.Bearing) survey.Opt[[2]geo.Bearing] {
		return survey.Known([2]geo.Bearing{b.Turn(-15 * geo.Degree), b.Turn(15 * geo.Degree)})
	}
	bank := geo.Bearing(124) // along the bank, the river to the right of it
	at := func(along, right float64) orb.Point { return off(here, bank, along, right) }
	line := func(right ...float64) (l orb.LineString) {
		for i, r := range right {
			l = append(l, at(float64(i)*60-180, r))
		}
		return l
	}
	river := append(line(30, 33, 28, 30, 36, 33, 30), at(180, 75), at(0, 80), at(-180, 75))
	return drawing.SiteMap{
		Units: survey.UnitsUS,
		Site:  orb.LineString{at(-90, 6), at(120, 6)},
		North: drawing.North{DeclinationDeg: survey.Known(-5.3), ConvergenceDeg: survey.Known(-0.9), At: day(2026, 11, 2)},
		Spots: []drawing.Spot{
			{Label: "P1", Position: here, Class: survey.ClassB, Verdict: answer.Holds, Pull: survey.Known(geo.Bearing(214)), Sector: sector(214), Best: true},
			{Label: "P2", Position: at(60, 1), Class: survey.ClassC, Verdict: answer.Short, Pull: survey.Known(geo.Bearing(208)), Sector: sector(208)},
			{Label: "P3", Position: at(-70, -2), Class: survey.ClassRock, Verdict: answer.No, Pull: survey.Known(geo.Bearing(220)), Sector: sector(220)},
			{Label: "P4", Position: at(100, 3), Verdict: answer.Unknown},
		},
		Layers: []survey.LayerFeature{
			feature(survey.RoleCrest, "", line(8, 9, 7, 6, 8, 9, 8)),
			feature(survey.RoleToe, "", line(26, 28, 25, 26, 30, 28, 26)),
			feature(survey.RoleWater, "Little Sorrel River", orb.Polygon{append(orb.Ring(river), river[0])}),
			feature(survey.RoleRoad, "Mill Road", line(-30, -32, -30, -26, -28, -30, -34)),
			feature(survey.RoleBuried, "8 in gas", line(-18, -18, -18, -18, -18, -18, -18)),
			feature(survey.RoleOverhead, "12 kV", line(-40, -40, -40, -40, -40, -40, -40)),
			feature(survey.RoleBuilding, "pump house", orb.Polygon{{at(20, -60), at(34, -60), at(34, -50), at(20, -50), at(20, -60)}}),
			feature(survey.RoleAccess, "", orb.LineString{at(-20, -31), at(-12, -10)}),
		},
	}
}

func TestGolden(t *testing.T) {
	for name, d := range cases(t) {
		t.Run(name, func(t *testing.T) {
			assert.Empty(t, d.Left, "every label finds room")
			var b bytes.Buffer
			require.NoError(t, d.SVG(&b, name))
			file := filepath.Join("testdata", name, "drawing.svg")
			if *update {
				require.NoError(t, os.MkdirAll(filepath.Dir(file), 0o755))
				require.NoError(t, os.WriteFile(file, b.Bytes(), 0o644))
			}
			want, err := os.ReadFile(file)
			require.NoError(t, err)
			assert.Equal(t, string(want), b.String(), "look at the drawing, then go test -update")
		})
	}
}
