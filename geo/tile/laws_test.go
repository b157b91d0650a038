package tile_test

import (
	"bytes"
	"math"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/mvt"
	"github.com/paulmach/orb/maptile"
	"github.com/paulmach/orb/planar"
	"github.com/peterstace/simplefeatures/geom"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo/tile"
)

// place is a tile whose grid the tests speak of.
var place = maptile.New(4_553, 6_177, 14)

// degrees returns the position at x units right and y units down from the
// upper left corner of the tile.
func degrees(x, y float64) orb.Point {
	n := float64(uint32(1)<<place.Z) * tile.Extent
	u, v := (float64(place.X)*tile.Extent+x)/n, (float64(place.Y)*tile.Extent+y)/n
	return orb.Point{u*360 - 180, math.Atan(math.Sinh(math.Pi*(1-2*v))) * 180 / math.Pi}
}

func ringInDegrees(r []orb.Point) orb.Ring {
	out := make(orb.Ring, len(r))
	for i, p := range r {
		out[i] = degrees(p[0], p[1])
	}
	return out
}

// shown encodes one geometry and returns what a reader finds.
func shown(t require.TestingT, g orb.Geometry) []orb.Geometry {
	before := orb.Clone(g)
	b, err := tile.Encode(place, tile.Layer{Name: "l", Features: []tile.Feature{{Geometry: g}}})
	require.NoError(t, err)
	assert.True(t, orb.Equal(before, g), "the caller's geometry is left alone")
	again, err := tile.Encode(place, tile.Layer{Name: "l", Features: []tile.Feature{{Geometry: g}}})
	require.NoError(t, err)
	require.True(t, bytes.Equal(b, again), "the same input gives the same bytes")
	layers, err := mvt.Unmarshal(b)
	require.NoError(t, err)
	var out []orb.Geometry
	for _, l := range layers {
		for _, f := range l.Features {
			out = append(out, f.Geometry)
		}
	}
	return out
}

func polygons(gs []orb.Geometry) orb.MultiPolygon {
	var out orb.MultiPolygon
	for _, g := range gs {
		switch g := g.(type) {
		case orb.Polygon:
			out = append(out, g)
		case orb.MultiPolygon:
			out = append(out, g...)
		}
	}
	return out
}

// toGeom converts a polygon for the checks and for cutting.
func toGeom(p orb.Polygon) geom.Geometry {
	var rings []geom.LineString
	for _, r := range p {
		var flat []float64
		for _, v := range r {
			flat = append(flat, v[0], v[1])
		}
		rings = append(rings, geom.NewLineString(geom.NewSequence(flat, geom.DimXY)))
	}
	return geom.NewPolygon(rings).AsGeometry()
}

// checkPolygon holds a polygon to MVT 2.1 §4.3.4.4; that rings are simple and
// holes lie within, simplefeatures judges.
func checkPolygon(t require.TestingT, p orb.Polygon, about string) {
	require.NoError(t, toGeom(p).Validate(), about)
	for i, r := range p {
		require.GreaterOrEqual(t, len(r), 4, about)
		area := planar.Area(r) // positive when clockwise as displayed, since y points down
		require.Equal(t, i == 0, area > 0, "%s: winding of ring %d", about, i)
		for _, v := range r {
			require.True(t, v[0] >= -tile.Margin && v[0] <= tile.Extent+tile.Margin && v[1] >= -tile.Margin && v[1] <= tile.Extent+tile.Margin, about)
		}
	}
}

// star draws a ring round a centre, in units; coarse ones lie on multiples of
// 64, where they run through corners and along the sides of the window.
func star(t *rapid.T, name string) orb.Ring {
	n := rapid.IntRange(3, 24).Draw(t, name+" corners")
	coarse := rapid.Bool().Draw(t, name+" coarse")
	size := rapid.SampledFrom([]float64{3, 40, 700, 9000}).Draw(t, name+" size")
	cx, cy := rapid.Float64Range(-600, 4700).Draw(t, name+" x"), rapid.Float64Range(-600, 4700).Draw(t, name+" y")
	var r orb.Ring
	for i := range n {
		a := 2 * math.Pi * float64(i) / float64(n)
		d := size * rapid.Float64Range(0.2, 1).Draw(t, name+" radius")
		p := orb.Point{cx + d*math.Cos(a), cy + d*math.Sin(a)}
		if coarse {
			p = orb.Point{64 * math.Round(p[0]/64), 64 * math.Round(p[1]/64)}
		}
		r = append(r, p)
	}
	return append(r, r[0])
}

var window = orb.Bound{
	Min: orb.Point{-tile.Margin, -tile.Margin},
	Max: orb.Point{tile.Extent + tile.Margin, tile.Extent + tile.Margin},
}

// TestPolygonsAreCutRight compares the area shown with that of an exact
// intersection by simplefeatures. Rounding and simplifying move an outline by
// less than two units.
func TestPolygonsAreCutRight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := orb.Polygon{star(t, "outer")}
		if toGeom(p).Validate() != nil {
			t.Skip("not a valid polygon")
		}
		cut, err := geom.Intersection(toGeom(p), toGeom(window.ToPolygon()))
		require.NoError(t, err)
		got := polygons(shown(t, orb.Polygon{ringInDegrees(p[0])}))
		area := 0.0
		for _, g := range got {
			checkPolygon(t, g, "cut")
			area += planar.Area(g)
		}
		assert.InDelta(t, cut.Area(), area, 2*cut.Boundary().Length()+8)
	})
}

// TestAnyRingsGiveValidPolygons feeds rings that cross themselves and each
// other.
func TestAnyRingsGiveValidPolygons(t *testing.T) {
	small := rapid.Custom(func(t *rapid.T) orb.Point {
		return orb.Point{float64(rapid.IntRange(0, 12).Draw(t, "x")) / 2, float64(rapid.IntRange(0, 12).Draw(t, "y")) / 2}
	})
	wide := rapid.Custom(func(t *rapid.T) orb.Point {
		return orb.Point{rapid.Float64Range(-900, 5000).Draw(t, "x"), rapid.Float64Range(-900, 5000).Draw(t, "y")}
	})
	ring := rapid.OneOf(rapid.SliceOfN(small, 0, 14), rapid.SliceOfN(wide, 0, 30))
	rapid.Check(t, func(t *rapid.T) {
		var p orb.Polygon
		for range rapid.IntRange(1, 3).Draw(t, "rings") {
			p = append(p, ringInDegrees(ring.Draw(t, "ring")))
		}
		for _, g := range polygons(shown(t, p)) {
			checkPolygon(t, g, "any rings")
		}
	})
}

// TestThinBandVanishes has a hole almost as large as its polygon: what is left
// is thinner than a unit and must not turn into a filled area.
func TestThinBandVanishes(t *testing.T) {
	var outer, inner orb.Ring
	for i := range 200 {
		a := 2 * math.Pi * float64(i) / 200
		outer = append(outer, degrees(2000+1000*math.Cos(a), 2000+1000*math.Sin(a)))
		inner = append(inner, degrees(2000+999.9*math.Cos(a), 2000+999.9*math.Sin(a)))
	}
	outer, inner = append(outer, outer[0]), append(inner, inner[0])
	area := 0.0
	for _, p := range polygons(shown(t, orb.Polygon{outer, inner})) {
		checkPolygon(t, p, "band")
		area += planar.Area(p)
	}
	assert.Less(t, area, 2*math.Pi*1000.0, "at most a unit wide")
}

// TestLinesStayClose measures how far the line shown is from the line given.
func TestLinesStayClose(t *testing.T) {
	point := rapid.Custom(func(t *rapid.T) orb.Point {
		return orb.Point{rapid.Float64Range(0, 4096).Draw(t, "x"), rapid.Float64Range(0, 4096).Draw(t, "y")}
	})
	rapid.Check(t, func(t *rapid.T) {
		in := orb.LineString(rapid.SliceOfN(point, 2, 30).Draw(t, "line"))
		gs := shown(t, orb.LineString(ringInDegrees(in)))
		if len(gs) == 0 {
			assert.Less(t, planar.Length(in), 60.0, "only what the grid cannot show is left out")
			return
		}
		require.Len(t, gs, 1)
		out := gs[0].(orb.LineString)
		for _, p := range in {
			assert.Less(t, planar.DistanceFrom(out, p), 2.0)
		}
		for _, p := range out {
			assert.Less(t, planar.DistanceFrom(in, p), 0.8) // half a unit each way
		}
	})
}

// jagged is a ring of n corners round the middle of the tile, in units.
func jagged(n int) orb.Ring {
	var r orb.Ring
	for i := range n {
		a := 2 * math.Pi * float64(i) / float64(n)
		d := 1800 + 900*math.Sin(23*a) + float64(i*7919%200)
		r = append(r, orb.Point{2048 + d*math.Cos(a), 2048 + d*math.Sin(a)})
	}
	return append(r, r[0])
}
