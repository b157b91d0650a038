package vector_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/peterstace/simplefeatures/geom"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

func TestDescribe(t *testing.T) {
	props := func(kv ...any) (p vector.Properties) {
		for i := 0; i < len(kv); i += 2 {
			p.Set(kv[i].(string), kv[i+1])
		}
		return p
	}
	l := vector.Describe(slices.Values([]vector.Record{
		{Number: 1, Geometry: geojson.Geometry{Geometry: orb.Point{1, 2}}, Properties: props("a", "Größe", "n", int64(5), "x", nil, "m", int64(1), "d", vector.Date{Year: 2026, Month: 5, Day: 1})},
		{Number: 2, Geometry: geojson.Geometry{Geometry: orb.Point{-3, 8}, Z: []float64{4}}, Properties: props("n", 2.5, "m", "text", "late", true, "d", time.Date(2026, 5, 1, 10, 0, 0, 0, time.UTC))},
		{Number: 3, Properties: props("m", int64(7))},
		{Number: 4, Err: errors.New("refused"), Properties: props("never", 1.5)},
		{Number: 0, Notes: []string{"on the layer"}},
	}))
	assert.Equal(t, vector.Layer{
		Geometry: "Point", Z: true, Count: 3, Extent: &orb.Bound{Min: orb.Point{-3, 2}, Max: orb.Point{1, 8}},
		Fields: []vector.Field{
			{Name: "a", Type: vector.Text, Width: 7},
			{Name: "n", Type: vector.Real, Width: 3},
			{Name: "x", Type: vector.Text},
			{Name: "m", Type: vector.Text, Width: 4},
			{Name: "d", Type: vector.DateTime, Width: 20},
			{Name: "late", Type: vector.Boolean, Width: 4},
		},
	}, l)
	l = vector.Describe(slices.Values([]vector.Record{
		{Number: 1, Geometry: geojson.Geometry{Geometry: orb.Point{1, 2}}}, {Number: 2, Geometry: geojson.Geometry{Geometry: orb.LineString{{1, 2}, {3, 4}}}},
	}))
	assert.Equal(t, vector.AnyGeometry, l.Geometry)
	l = vector.Describe(slices.Values([]vector.Record{{Number: 1}}))
	assert.Equal(t, vector.NoGeometry, l.Geometry)
}

// simplefeatures is the outside judge of which way a ring runs.
func TestWind(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Float64Range(-1000, 1000)
		ring := func(label string, x float64) orb.Ring {
			w, h := rapid.Float64Range(0.1, 5).Draw(t, label+"w"), rapid.Float64Range(0.1, 5).Draw(t, label+"h")
			y := at.Draw(t, label+"y")
			r := orb.Ring{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}, {x, y}}
			if rapid.Bool().Draw(t, label+"turned") {
				slices.Reverse(r)
			}
			return r
		}
		g := geojson.Geometry{Geometry: orb.Collection{orb.Point{0, 0}, orb.MultiPolygon{{ring("a", 0), ring("b", 10)}, {ring("c", 20)}}}}
		height := map[orb.Point]float64{}
		n := 0.0
		vector.EachPath(g.Geometry, func(ps []orb.Point) {
			for _, p := range ps {
				if _, has := height[p]; !has {
					height[p] = n
				}
				g.Z = append(g.Z, height[p])
				n++
			}
		})
		before := string(geojson.AppendGeometry(nil, g))
		ccw := rapid.Bool().Draw(t, "ccw")
		out := vector.Wind(g, ccw)
		require.Equal(t, before, string(geojson.AppendGeometry(nil, g)), "the original is not changed")
		for _, p := range out.Geometry.(orb.Collection)[1].(orb.MultiPolygon) {
			for i, r := range p {
				var flat []float64
				for _, v := range r {
					flat = append(flat, v[0], v[1])
				}
				poly := geom.NewPolygon([]geom.LineString{geom.NewLineString(geom.NewSequence(flat, geom.DimXY))})
				require.Equal(t, ccw == (i == 0), poly.IsCCW())
			}
		}
		i := 0
		vector.EachPath(out.Geometry, func(ps []orb.Point) { // each position keeps its height
			for _, p := range ps {
				require.Equal(t, height[p], out.Z[i])
				i++
			}
		})
	})
}

func TestPositions(t *testing.T) {
	var p vector.Positions
	require.NoError(t, p.Add(1, 2, nan()))
	assert.Nil(t, p.Heights(), "no height is none, not 0")
	require.NoError(t, p.Add(3, 4, 0))
	g := p.Geometry(orb.LineString(p.Since(0)))
	assert.Len(t, g.Z, 2)
	assert.NotEqual(t, g.Z[0], g.Z[0], "NaN")
	assert.Equal(t, 0.0, g.Z[1])
	assert.Error(t, p.Add(nan(), 1, 1))
	assert.Error(t, p.Add(1, inf(), 1))
	require.NoError(t, p.Add(1, 1, inf()))
	assert.NotEqual(t, p.Heights()[2], p.Heights()[2], "a height that is not finite is none")
	assert.Len(t, p.Points, 3)
}

func TestToWGS84(t *testing.T) {
	_, err := vector.ParseCRS("  ")
	assert.ErrorIs(t, err, vector.ErrNoCRS)
	for _, name := range []string{"OGC:CRS84", "EPSG:4326", "urn:ogc:def:crs:OGC:1.3:CRS84", "urn:ogc:def:crs:EPSG::4979", "http://www.opengis.net/def/crs/OGC/0/CRS84h"} {
		assert.True(t, vector.IsWGS84(name), name)
	}
	for _, name := range []string{"EPSG:4269", "EPSG:3857", "rubbish", ""} {
		assert.False(t, vector.IsWGS84(name), name)
	}
	c, err := vector.ParseCRS("EPSG:2272")
	require.NoError(t, err)
	in := []vector.Record{
		{Number: 1, Geometry: geojson.Geometry{Geometry: orb.Point{1343437.334258, 411311.879016}, Z: []float64{700}}},
		{Number: 2, Geometry: geojson.Geometry{Geometry: orb.Point{-79.9959, 40.4406}}}, // degrees by mistake
		{Number: 3},
		{Number: 4, Err: errors.New("refused before")},
	}
	var out []vector.Record
	for r := range vector.ToWGS84(slices.Values(in), c) {
		out = append(out, r)
	}
	require.Len(t, out, 5)
	p := out[0].Geometry.Geometry.(orb.Point)
	// source: cs2cs of PROJ 9.1.1, EPSG:2272 to EPSG:4269, gives 40d26'26.16"N 79d59'45.24"W
	assert.InDelta(t, -79.9959, p[0], 1e-8)
	assert.InDelta(t, 40.4406, p[1], 1e-8)
	assert.Equal(t, []float64{700}, out[0].Geometry.Z)
	assert.Equal(t, orb.Point{1343437.334258, 411311.879016}, in[0].Geometry.Geometry, "the original is not changed")
	assert.ErrorContains(t, out[1].Err, "outside the area of use")
	assert.NoError(t, out[2].Err)
	assert.ErrorContains(t, out[3].Err, "refused before")
	assert.Contains(t, out[4].Notes[0], "make sure that heights are in metres")

	back := slices.Collect(vector.FromWGS84(slices.Values(out[:1]), c))
	q := back[0].Geometry.Geometry.(orb.Point)
	assert.InDelta(t, 1343437.334258, q[0], 1e-3)
	assert.InDelta(t, 411311.879016, q[1], 1e-3)
}
