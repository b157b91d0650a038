package tangent_test

import (
	"math"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/tangent"
)

// The geodesics that the plane is held against are themselves checked against
// GeodSolve and published test sets by their own package.

func anywhere(t *rapid.T) orb.Point {
	return orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-90, 90).Draw(t, "lat")}
}

func TestPositionAgreesWithTheGeodesic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := anywhere(t)
		b := geo.NewBearing(rapid.Float64Range(0, 360).Draw(t, "bearing"))
		d := geo.Length(rapid.Float64Range(0.001, 30).Draw(t, "distance"))
		p := tangent.At(o)
		got := p.Position(tangent.Along(b, d))
		want, _ := geodesic.Direct(o, b, d)
		assert.InDelta(t, 0, float64(geodesic.Distance(want, got)), 1e-6, "one micrometre at 30 m")
		assert.LessOrEqual(t, math.Abs(got.Lon()), 180.0)
	})
}

func TestProjectAgreesWithTheGeodesic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := anywhere(t)
		b := geo.NewBearing(rapid.Float64Range(0, 360).Draw(t, "bearing"))
		d := geo.Length(rapid.Float64Range(0.001, 30).Draw(t, "distance"))
		p := tangent.At(o)
		at, _ := geodesic.Direct(o, b, d)
		got, ok := p.Project(at)
		require.True(t, ok)
		assert.InDelta(t, 0, float64(got.To(tangent.Along(b, d))), 1e-6)
	})
}

// Lines of 20 km that pass within 30 m of the origin stay straight: the plane's
// distance to them is the geodesic one.
func TestLongLinesStayStraight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		o := orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-84, 84).Draw(t, "lat")}
		aside := geo.NewBearing(rapid.Float64Range(0, 360).Draw(t, "aside"))
		off := geo.Length(rapid.Float64Range(0.1, 30).Draw(t, "off"))
		foot, _ := geodesic.Direct(o, aside, off)
		a, _ := geodesic.Direct(foot, aside.Turn(90*geo.Degree), 12000)
		b, _ := geodesic.Direct(foot, aside.Turn(-90*geo.Degree), 8000)
		p := tangent.At(o)
		pa, okA := p.Project(a)
		pb, okB := p.Project(b)
		require.True(t, okA && okB)
		cross := math.Abs(pa.X*pb.Y-pa.Y*pb.X) / float64(pa.To(pb))
		want, ok := geodesic.ToLine(o, orb.LineString{a, b})
		require.True(t, ok)
		assert.InDelta(t, float64(want.Distance), cross, 1e-4)
	})
}

func TestProjectRefusesTheFarSide(t *testing.T) {
	p := tangent.At(orb.Point{10, 50})
	_, ok := p.Project(orb.Point{-170, -50})
	assert.False(t, ok)
}

func TestDegenerate(t *testing.T) {
	o := orb.Point{180, 0}
	p := tangent.At(o)
	assert.Equal(t, o, p.Origin())
	assert.Equal(t, o, p.Position(tangent.XY{}))
	assert.Less(t, p.Position(tangent.XY{X: 1}).Lon(), -179.0, "east of the date line is west")
	_, ok := tangent.XY{X: 1}.Bearing(tangent.XY{X: 1})
	assert.False(t, ok, "coincident places have no bearing")
	b, ok := tangent.XY{}.Bearing(tangent.XY{X: -1})
	assert.True(t, ok)
	assert.Equal(t, geo.Bearing(270), b)
	assert.Equal(t, tangent.XY{X: 3, Y: 1}, tangent.XY{X: 1, Y: 2}.Plus(tangent.XY{X: 2, Y: -1}))
}

func BenchmarkPosition(b *testing.B) {
	p := tangent.At(orb.Point{-91.2, 44.65})
	b.ReportAllocs()
	for b.Loop() {
		p.Position(tangent.XY{X: 1.2, Y: -3.4})
	}
}
