package surround_test

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/tangent"
	"holdfast/survey"
	"holdfast/survey/surround"
)

var at = orb.Point{-91.2, 44.65}

// off is the place so many metres east and north of a point.
func off(from orb.Point, east, north float64) orb.Point {
	p := tangent.At(from)
	return p.Position(tangent.XY{X: east, Y: north})
}

func line(from orb.Point, places ...[2]float64) orb.LineString {
	var out orb.LineString
	for _, p := range places {
		out = append(out, off(from, p[0], p[1]))
	}
	return out
}

func feature(role survey.Role, g orb.Geometry, props string) survey.LayerFeature {
	return survey.LayerFeature{Layer: string(role), Role: role, ID: "7", Geometry: g, Properties: json.RawMessage(props)}
}

// The distance from a place beside the point, taken on the plane, is the
// geodesic one, which its own package holds against GeodSolve; inside an area
// both are nothing.
func TestDistanceFromBesideThePoint(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-84, 84).Draw(t, "lat")}
		// A star about a middle: a ring that does not cross itself.
		middle := [2]float64{rapid.Float64Range(-60, 60).Draw(t, "mx"), rapid.Float64Range(-60, 60).Draw(t, "my")}
		n := rapid.IntRange(3, 8).Draw(t, "vertices")
		var places [][2]float64
		for i := range n {
			r, a := rapid.Float64Range(1, 80).Draw(t, "r"), 2*math.Pi*float64(i)/float64(n)
			places = append(places, [2]float64{middle[0] + r*math.Cos(a), middle[1] + r*math.Sin(a)})
		}
		ring := orb.Ring(line(from, append(places, places[0])...))
		var g orb.Geometry
		switch rapid.IntRange(0, 4).Draw(t, "kind") {
		case 0:
			g = orb.LineString(ring)
		case 1:
			g = orb.Polygon{ring}
		case 2:
			g = orb.MultiPolygon{{ring}}
		case 3:
			g = orb.MultiPoint(ring)
		case 4:
			g = orb.Collection{ring[0], orb.LineString(ring[:2]), orb.Polygon{ring}}
		}
		a := surround.Read(from, []survey.LayerFeature{feature(survey.RoleOther, g, "")}, nil)
		require.Len(t, a.Near, 1)
		plane := tangent.At(from)
		p := tangent.XY{X: rapid.Float64Range(-10, 10).Draw(t, "x"), Y: rapid.Float64Range(-10, 10).Draw(t, "y")}
		_, want, ok := surround.Nearest(plane.Position(p), g)
		require.True(t, ok)
		got := a.Near[0].From(p, &plane)
		if want > 60 {
			assert.Greater(t, float64(got), 59.0)
		} else {
			assert.InDelta(t, float64(want), float64(got), 1e-4)
		}
	})
}

// Made by hand, without having been read, a feature is measured by geodesics.
func TestDistanceOfAFeatureThatWasNotRead(t *testing.T) {
	n := surround.Near{Feature: feature(survey.RoleRoad, line(at, [2]float64{-50, 3}, [2]float64{50, 3}), "")}
	plane := tangent.At(at)
	assert.InDelta(t, 2, float64(n.From(tangent.XY{Y: 1}, &plane)), 1e-3)
	assert.True(t, math.IsInf(float64((&surround.Near{}).From(tangent.XY{}, &plane)), 1), "no geometry")
}

func TestAttributes(t *testing.T) {
	read := func(props string) surround.Near {
		a := surround.Read(at, []survey.LayerFeature{feature(survey.RoleOverhead, line(at, [2]float64{0, 1}, [2]float64{5, 1}), props)}, nil)
		require.Len(t, a.Near, 1)
		return a.Near[0]
	}
	kv := func(props string) any {
		if v, ok := read(props).KV.Get(); ok {
			return v
		}
		return "unknown"
	}
	assert.Equal(t, 12.5, kv(`{"kv":12.5}`))
	assert.Equal(t, 12.5, kv(`{"KV":"12.5"}`))
	assert.Equal(t, 110.0, kv(`{"voltage":110000}`), "volts, as open map data has it")
	assert.Equal(t, 110.0, kv(`{"voltage":"20000;110000"}`), "the greatest of a list")
	assert.Equal(t, 400.0, kv(`{"voltage":400}`), "too few volts to be sure: taken as kV, the greater clearance")
	assert.Equal(t, "unknown", kv(`{"voltage":"high"}`))
	assert.Equal(t, "unknown", kv(`{"kv":-5}`))
	assert.Equal(t, "unknown", kv(`[]`))
	for props, half := range map[string]geo.Length{
		`{"diameter_mm":300}`: 0.15, `{"diameter_in":12}`: 0.1524, `{"width_m":7}`: 3.5, `{"width_ft":10}`: 1.524, `{"dn":"200"}`: 0.1, `{"diameter":300}`: 0, `{"diameter_mm":-3}`: 0, `{}`: 0,
	} {
		assert.InDelta(t, float64(half), float64(read(props).HalfWidth), 1e-12, props)
	}
	tol, _ := read(`{"tolerance_m":1.5}`).Tolerance.Get()
	assert.Equal(t, geo.Length(1.5), tol)
	assert.Equal(t, "N. Orrel", read(`{"Owner":"N. Orrel","kv":1}`).Name)
	assert.Equal(t, "Ferry Lane", read(`{"owner":"N. Orrel","NAME":"Ferry Lane"}`).Name)
}

func bearing(t *testing.T, a surround.Around) geo.Bearing {
	t.Helper()
	require.NotEmpty(t, a.Bearings)
	return a.Bearings[0].Deg
}

// A crest traced in a zigzag still runs the way it runs.
func TestSquareToAZigzagCrest(t *testing.T) {
	var crest [][2]float64
	for i := -20; i <= 20; i++ {
		crest = append(crest, [2]float64{float64(i), -4 + 0.3*float64(i%2)}) // east-west, steps of 1 m
	}
	a := surround.Read(at, []survey.LayerFeature{
		feature(survey.RoleCrest, line(at, crest...), ""), feature(survey.RoleWater, line(at, [2]float64{-30, -15}, [2]float64{40, -15}), ""),
	}, nil)
	assert.InDelta(t, 180, bearing(t, a).Degrees(), 4)
	d, ok := a.Setback.Get()
	assert.True(t, ok)
	assert.InDelta(t, 3.7, d.Metres(), 0.3)
	assert.Len(t, a.Bearings, 2, "square to the crest, then towards the water")
}

func TestBearingsThatCannotBeTold(t *testing.T) {
	crest := feature(survey.RoleCrest, line(at, [2]float64{-30, -4}, [2]float64{30, -4}), "")
	assert.Empty(t, surround.Read(at, []survey.LayerFeature{crest}, nil).Bearings, "a crest alone does not say which side is down")
	along := feature(survey.RoleToe, orb.Point(off(at, 40, -1)), "")
	a := surround.Read(at, []survey.LayerFeature{crest, along}, nil)
	require.Len(t, a.Bearings, 1, "a toe that lies along the crest tells no side; the way to it is still a reading")
	here := feature(survey.RoleWater, orb.Polygon{orb.Ring(line(at, [2]float64{-5, -5}, [2]float64{5, -5}, [2]float64{5, 5}, [2]float64{-5, 5}, [2]float64{-5, -5}))}, "")
	assert.Empty(t, surround.Read(at, []survey.LayerFeature{here}, nil).Bearings, "a point in the water has no way to it")
}

// A point on the slope has its crest behind it; one on top of a levee has a
// crest between it and either foot.
func TestPastTheCrest(t *testing.T) {
	run := func(role survey.Role, north float64) survey.LayerFeature {
		return feature(role, line(at, [2]float64{-40, north}, [2]float64{40, north}), "")
	}
	slope := surround.Read(at, []survey.LayerFeature{run(survey.RoleCrest, 6), run(survey.RoleToe, -10)}, nil)
	assert.True(t, slope.PastCrest)
	d, _ := slope.Setback.Get()
	assert.Zero(t, d)
	top := surround.Read(at, []survey.LayerFeature{run(survey.RoleCrest, 3), run(survey.RoleToe, 12), run(survey.RoleCrest, -4), run(survey.RoleToe, -11)}, nil)
	assert.False(t, top.PastCrest)
	d, _ = top.Setback.Get()
	assert.InDelta(t, 3, d.Metres(), 1e-3)
	behind := surround.Read(at, []survey.LayerFeature{run(survey.RoleCrest, -3), run(survey.RoleToe, -12)}, nil)
	assert.False(t, behind.PastCrest)
}

func TestReachAndOrder(t *testing.T) {
	var fs []survey.LayerFeature
	for _, d := range []float64{120, 10, 151, 40} {
		f := feature(survey.RoleRoad, orb.Point(off(at, d, 0)), "")
		f.ID, f.AsOf = fmt.Sprint(d), survey.Known(time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC))
		fs = append(fs, f)
	}
	a := surround.Read(at, fs, nil)
	require.Len(t, a.Near, 3, "151 m is beyond the reach of 150 m")
	assert.Equal(t, []string{"10", "40", "120"}, []string{a.Near[0].ID, a.Near[1].ID, a.Near[2].ID})
	assert.Len(t, a.Of(survey.RoleRoad), 3)
	assert.Empty(t, a.Of(survey.RoleWater))
	assert.Contains(t, a.Near[0].Dated(), "2026-01-02")
	assert.Contains(t, (&surround.Near{Layer: "x"}).Dated(), "unstated")
	az, _ := a.Near[0].Bearing.Get()
	_, want, _, _ := geodesic.Inverse(at, off(at, 10, 0))
	assert.InDelta(t, want.Degrees(), az.Degrees(), 1e-9)
}

// Whatever a layer holds, reading it neither fails nor gives a distance that is
// none.
func TestAnyGeometryIsRead(t *testing.T) {
	odd := []orb.Geometry{
		nil,
		orb.LineString{},
		orb.LineString{at},
		orb.LineString{at, at},
		orb.Polygon{},
		orb.Polygon{{}},
		orb.MultiLineString{{}, {at}},
		orb.MultiPolygon{},
		orb.Collection{},
		orb.Collection{orb.Collection{orb.Polygon{{at}}}},
		orb.Ring{at, off(at, 1, 0), off(at, 0, 1)},
		orb.Bound{Min: at, Max: off(at, 1, 1)},
		orb.LineString{{math.NaN(), 0}, at},
		orb.Polygon{{{200, 95}, at, off(at, 3, 3), {200, 95}}},
		orb.LineString{at, {-at[0], -at[1]}},
	}
	plane := tangent.At(at)
	for i, g := range odd {
		a := surround.Read(at, []survey.LayerFeature{feature(survey.RoleCrest, g, "null"), feature(survey.RoleToe, orb.Point(off(at, 0, -9)), "")}, nil)
		for k := range a.Near {
			d := a.Near[k].From(tangent.XY{X: 1}, &plane)
			assert.False(t, math.IsNaN(float64(d)) || d < 0, "%d: %T", i, g)
		}
	}
}
