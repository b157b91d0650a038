package answer_test

import (
	"encoding/json"
	"fmt"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/surround"
)

// maybe draws a value or leaves it unknown.
func maybe[T any](t *rapid.T, name string, draw func() T) survey.Opt[T] {
	if rapid.IntRange(0, 3).Draw(t, name+"?") == 0 {
		return survey.Opt[T]{}
	}
	return survey.Known(draw())
}

func word[T any](t *rapid.T, name string, from ...T) T { return rapid.SampledFrom(from).Draw(t, name) }

func number(t *rapid.T, name string, lo, hi float64) float64 {
	return rapid.Float64Range(lo, hi).Draw(t, name)
}

func length(t *rapid.T, name string, lo, hi float64) survey.Opt[geo.Length] {
	return maybe(t, name, func() geo.Length { return geo.Length(number(t, name, lo, hi)) })
}

func yesNo(t *rapid.T, name string) survey.Answer {
	return word(t, name, survey.No, survey.No, survey.No, survey.Yes, survey.AnswerUnknown, "")
}

var rigNames = []string{"1", "1-1", "1-1-1", "2-1", "3-2-1"}

// anyPull draws a pull on a rig, or on one of the anchors found.
func anyPull(t *rapid.T, found ...survey.Anchor) survey.PullTest {
	pulled := []string{"1", "1-1", "1-1-1", "3-2-1"}
	for _, a := range found {
		pulled = append(pulled, a.ID)
	}
	return survey.PullTest{
		Rig: word(t, "pulled", pulled...), ForceKN: number(t, "kN", 0, 60),
		Outcome:    word(t, "outcome", survey.Held, survey.Moved, survey.Failed),
		BearingDeg: maybe(t, "pull bearing", func() geo.Bearing { return geo.Bearing(number(t, "pull bearing", 0, 360)) }),
		Moisture:   word(t, "pulled in", append([]survey.Moisture{""}, survey.Moistures...)...),
		At:         survey.Known(asOf.AddDate(0, 0, -rapid.IntRange(-10, 2000).Draw(t, "pulled days ago"))),
	}
}

func anyGround(t *rapid.T) survey.Ground {
	g := survey.Ground{
		Class: word(t, "class", append([]survey.GroundClass{"", "", "", ""}, survey.GroundClasses...)...), ClassReason: word(t, "reason", "", "looked so"),
		Texture:   word(t, "texture", append([]survey.Texture{"", survey.ClayLoam, survey.ClayLoam, survey.SiltyClay, survey.SandyLoam}, survey.Textures...)...),
		Moisture:  word(t, "moisture", append([]survey.Moisture{"", survey.Moist, survey.Moist, survey.Moist}, survey.Moistures...)...),
		Disturbed: yesNo(t, "disturbed"), Fissured: yesNo(t, "fissured"), Seeping: yesNo(t, "seeping"), Vibration: yesNo(t, "vibration"), LayersDip: yesNo(t, "dip"),
		DepthToRefusalM: length(t, "refusal", 0, 3),
	}
	for range rapid.IntRange(0, 3).Draw(t, "tests") {
		g.Tests = append(g.Tests, word(t, "test",
			survey.GroundTest{Kind: survey.PocketPenetrometer, Reading: survey.Num(number(t, "tsf", 0, 4.5)), Unit: "tsf"},
			survey.GroundTest{Kind: survey.ShearVane, Reading: survey.Num(number(t, "kPa", 0, 280)), Unit: "kPa"},
			survey.GroundTest{Kind: survey.Thumb, Reading: survey.Word(word(t, "thumb", survey.ThumbWords...))},
			survey.GroundTest{Kind: survey.Thread, Reading: survey.Word(word(t, "thread", survey.ThreadWords...))},
			survey.GroundTest{Kind: survey.RebarProbe, Reading: survey.Word(word(t, "probe", survey.ProbeWords...))},
			survey.GroundTest{Kind: survey.Visual, Reading: survey.Word("seen")},
		))
	}
	return g
}

func anyAnchor(t *rapid.T, id string) survey.Anchor {
	a := survey.Anchor{
		ID: id, Kind: word(t, "kind", survey.SurveyedKinds...), Condition: word(t, "condition", "", "sound", "living, well rooted", "dead", "no cracks"),
		BearingDeg: maybe(t, "anchor bearing", func() geo.Bearing { return geo.Bearing(number(t, "anchor bearing", 0, 360)) }),
		DistanceM:  length(t, "anchor distance", 0, 40),
		DiameterMM: maybe(t, "diameter", func() float64 { return number(t, "diameter", 0, 1000) }),
	}
	if a.RatedKN = maybe(t, "rated", func() float64 { return number(t, "rated", 0, 100) }); a.RatedKN.Known() {
		a.Evidence = word(t, "evidence", survey.Evidences...)
	}
	if a.Kind == survey.KindDeadman {
		a.DepthM, a.LengthM = length(t, "depth", 0, 3), length(t, "long", 0, 4)
	}
	return a
}

// anyPoint draws over everything a surveyor may enter; what it draws is valid.
func anyPoint(t *rapid.T) survey.Point {
	p := survey.Point{
		ID: "p", Site: "s", Label: "P", Position: orb.Point{number(t, "lon", -180, 180), number(t, "lat", -90, 90)},
		ElevationM: length(t, "elevation", -100, 4000), SurveyedAt: maybe(t, "surveyed", func() time.Time { return asOf.AddDate(0, 0, -rapid.IntRange(-10, 2000).Draw(t, "days ago")) }),
		Fix:    survey.Fix{Source: "gnss", AccuracyM: length(t, "accuracy", 0, 12)},
		Ground: anyGround(t),
		Terrain: survey.Terrain{
			SlopeDeg: maybe(t, "slope", func() float64 { return number(t, "slope", 0, 90) }), HeightM: length(t, "height", 0, 40), SetbackM: length(t, "setback", 0, 8),
			FallLineDeg: maybe(t, "fall", func() geo.Bearing { return geo.Bearing(number(t, "fall", 0, 360)) }), Source: word(t, "terrain source", "", survey.TerrainMeasured, survey.TerrainElevation),
		},
		BuriedUtilities: survey.BuriedUtilities{
			State: word(t, "buried", append([]survey.BuriedState{"", survey.BuriedClear, survey.BuriedClear, survey.BuriedClear}, survey.BuriedStates...)...),
			Until: maybe(t, "until", func() time.Time { return asOf.AddDate(0, 0, rapid.IntRange(-30, 60).Draw(t, "until")) }),
		},
		Overhead: survey.Overhead{
			State: word(t, "overhead", "", survey.OverheadNone, survey.OverheadNone, survey.OverheadPresent, survey.OverheadUnknown),
			KV:    maybe(t, "kV", func() float64 { return number(t, "kV", 0, 1200) }), ClearanceM: length(t, "clearance", 0, 30),
		},
	}
	if p.Pull.BearingDeg = maybe(t, "pull", func() float64 { return number(t, "pull", 0, 360) }); p.Pull.BearingDeg.Known() {
		p.Pull.North, p.Pull.Source = survey.TrueNorth, word(t, "pull source", "", survey.PullMeasured, survey.PullFallLine, survey.PullLayer)
		if p.SurveyedAt.Known() {
			p.Pull.North = word(t, "north", survey.TrueNorth, survey.MagneticNorth)
		}
	}
	for i := range rapid.IntRange(0, 3).Draw(t, "anchors") {
		p.Anchors = append(p.Anchors, anyAnchor(t, fmt.Sprintf("A%d", i)))
	}
	for range rapid.IntRange(0, 2).Draw(t, "pulls") {
		p.PullTests = append(p.PullTests, anyPull(t, p.Anchors...))
	}
	return p
}

// placed is a feature by how it lies about the point, so that it can be turned.
type placed struct {
	role   survey.Role
	props  map[string]any
	area   bool
	places [][2]float64 // bearing in degrees, distance in metres
	asOf   survey.Opt[time.Time]
}

func anyFeatures(t *rapid.T) (out []placed) {
	for i := range rapid.IntRange(0, 5).Draw(t, "features") {
		f := placed{role: word(t, "role", survey.Roles...), area: rapid.Bool().Draw(t, "area"), props: map[string]any{}}
		f.asOf = maybe(t, "as of", func() time.Time { return asOf.AddDate(0, -rapid.IntRange(0, 60).Draw(t, "months"), 0) })
		for k := range rapid.IntRange(3, 5).Draw(t, "vertices") {
			ownPlace := 0.1*float64(i) + 0.01*float64(k) // no two in one place, and none on a surveyed bearing
			f.places = append(f.places, [2]float64{number(t, "towards", 0, 360) + 3.7*ownPlace + 0.123, ownPlace + number(t, "away", 0.2, 60)})
		}
		if v, ok := maybe(t, "feature kV", func() float64 { return number(t, "feature kV", 0, 1200) }).Get(); ok {
			f.props["kv"] = v
		}
		if v, ok := maybe(t, "feature mm", func() float64 { return number(t, "feature mm", 0, 2000) }).Get(); ok {
			f.props["diameter_mm"] = v
		}
		out = append(out, f)
	}
	return out
}

// read lays features about a point, turned by so many degrees.
func read(t require.TestingT, at orb.Point, features []placed, turn float64, roles map[survey.Role]bool) surround.Around {
	var near []survey.LayerFeature
	for i, f := range features {
		props, err := json.Marshal(f.props)
		require.NoError(t, err)
		var ring []orb.Point
		for _, p := range f.places {
			q, _ := geodesic.Direct(at, geo.NewBearing(p[0]+turn), geo.Length(p[1]))
			ring = append(ring, q)
		}
		lf := survey.LayerFeature{Layer: fmt.Sprintf("layer %d", i), LayerID: "l", Role: f.role, ID: fmt.Sprint(i), AsOf: f.asOf, Properties: props, Geometry: orb.LineString(ring)}
		if f.area {
			lf.Geometry = orb.Polygon{append(orb.Ring(ring), ring[0])}
		}
		near = append(near, lf)
	}
	return surround.Read(at, near, roles)
}

func anyRoles(t *rapid.T) map[survey.Role]bool {
	roles := map[survey.Role]bool{}
	for _, r := range survey.Roles {
		if rapid.Bool().Draw(t, "layer of "+string(r)) {
			roles[r] = true
		}
	}
	return roles
}

// anyInput draws a whole question under the default policy, sometimes varied.
func anyInput(t *rapid.T) answer.Input {
	p := anyPoint(t)
	if err := p.Validate(); err != nil {
		t.Fatalf("drew an invalid point: %v", err)
	}
	in := answer.Input{
		Point: p, Policy: anyPolicy(t), AsOf: asOf, LoadID: word(t, "load", "", "one-person", "280 kg", "12 kN"),
		Required: maybe(t, "required", func() float64 { return number(t, "required", 1, 20) }),
		Tonight:  word(t, "tonight", append([]survey.Moisture{"", "", ""}, survey.Moistures...)...),
		Site:     survey.Site{ID: "s", Code: "S", Review: survey.Review{State: word(t, "review", "", survey.Draft, survey.Reviewed, survey.Signed)}},
	}
	in.Site.Water = survey.Water{Gauge: word(t, "gauge", "", "G"), DatumM: length(t, "datum", 0, 300), WarnStageM: length(t, "stage", 0, 5)}
	in.Around = read(t, p.Position, anyFeatures(t), 0, anyRoles(t))
	if rapid.IntRange(0, 4).Draw(t, "toward?") == 0 {
		in.Toward = survey.Known(geo.Bearing(number(t, "toward", 0, 360)))
	}
	for range rapid.IntRange(0, 5).Draw(t, "department's tests") {
		in.Tests = append(in.Tests, answer.DepartmentTest{
			PullTest: anyPull(t), Point: word(t, "tested at", "p", "q"), Class: word(t, "tested class", survey.GroundClasses...),
			Cohesive: word(t, "tested cohesive", survey.Yes, survey.No, survey.AnswerUnknown), Ground: word(t, "tested ground", survey.Moist, survey.Wet),
		})
	}
	return in
}

func anyPolicy(t *rapid.T) survey.Policy {
	p := policy(t)
	if rapid.Bool().Draw(t, "the default policy") {
		return p
	}
	p.Units = word(t, "units", survey.UnitsUS, survey.UnitsSI)
	p.RequiredRatio.Value = number(t, "policy ratio", 2, 15)
	p.SectorDeg.Value = number(t, "sector", 0, 45)
	p.SharingRigs.Value = float64(rapid.IntRange(1, 4).Draw(t, "sharing"))
	p.SetbackM.Value = geo.Length(number(t, "policy setback", 0, 6))
	p.Stake.EmbedmentM.Value = geo.Length(number(t, "embedment", 0.5, 1.1))
	p.Stake.LashHeightM.Value = p.Stake.LengthM.Value - p.Stake.EmbedmentM.Value
	p.Stake.RopeHeightM.Value = min(p.Stake.RopeHeightM.Value, p.Stake.LashHeightM.Value)
	c := p.LoadCases[0]
	c.Friction, c.RopeAngleDeg, c.Basis = number(t, "friction", 0, 1.5), number(t, "rope angle", 0, 80), word(t, "basis", survey.BasisGreater, survey.BasisHanging, survey.BasisRaising)
	c.Haul = word(t, "haul", "", "3:1", "5:1 cd", "9:1")
	p.LoadCases = []survey.LoadCase{c, p.LoadCases[1]}
	require.NoError(t, p.Validate())
	return p
}
