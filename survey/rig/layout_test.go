package rig_test

import (
	"math"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/tangent"
	"holdfast/survey"
	"holdfast/survey/rig"
)

func policy(t require.TestingT) survey.Policy {
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	return p
}

func pattern(t require.TestingT, s string) survey.Pattern {
	p, err := survey.ParsePattern(s)
	require.NoError(t, err)
	return p
}

var front = orb.Point{-91.2, 44.65}

// place sets count rigs at a point, right metres to the right of it.
func place(t require.TestingT, rigName string, count int, at orb.Point, pull geo.Bearing, right geo.Length, p survey.Policy) rig.Layout {
	f := rig.NewForm(pattern(t, rigName), count, p)
	plane := tangent.At(at)
	var room rig.Room
	return room.Place(&f, &plane, rig.StandAt(pull, rig.Beside(pull, right, 0)), &p)
}

// source: NAVEDTRA 14251 chapter 6: stakes lean 15° away from the pull, rows
// in one line with it; one stake length apart (common practice, no source).
func TestStakesInLine(t *testing.T) {
	l := place(t, "1-1-1", 1, front, 214, 0, policy(t))
	require.Len(t, l.Stakes, 3)
	assert.Equal(t, front, orb.Point{l.Stakes[0].Lon, l.Stakes[0].Lat}, "the front stake stands at the point")
	assert.Equal(t, front, l.Front())
	assert.False(t, l.Stakes[0].MarkBearingDeg.Known(), "the mark has no bearing from itself")
	for i, s := range l.Stakes {
		assert.Equal(t, 15.0, s.LeanDeg, "commonPractice: 15° away from the pull")
		assert.InDelta(t, 34, s.LeanTowardDeg.Degrees(), 1e-9, "away from the pull")
		assert.InDelta(t, 1.2192*float64(i), s.MarkDistanceM.Metres(), 1e-6) // 48 in
		if i > 0 {
			az, _ := s.MarkBearingDeg.Get()
			assert.InDelta(t, 34, az.Degrees(), 1e-6, "along the back-bearing")
		}
	}
	assert.Equal(t, [2]geo.Bearing{199, 229}, l.SectorDeg)
}

// Common practice, no source: a 1-1-1 takes three 20 ft webbings: two lashings
// and the foot tie.
func TestCommonPracticeThreeWebbingsForThreeInLine(t *testing.T) {
	l := place(t, "1-1-1", 1, front, 214, 0, policy(t))
	require.Len(t, l.Lashings, 3)
	pieces := 0
	for _, x := range l.Lashings {
		pieces += x.Pieces
		assert.LessOrEqual(t, x.WebbingM.Feet(), 20.0)
	}
	assert.Equal(t, 3, pieces)
	assert.Equal(t, "head of row 1 to foot of row 2", l.Lashings[0].What)
	assert.Equal(t, "foot tie through all rows", l.Lashings[2].What)
}

// Common practice, no source: heel-to-toe is near 15°, a 48 in stake over a
// 12 in boot.
func TestCommonPracticeHeelToToe(t *testing.T) {
	assert.InDelta(t, 15, rig.HeelToToe(48*geo.Inch, 12*geo.Inch).Degrees(), 1)
	assert.InDelta(t, 15, place(t, "1", 1, front, 0, 0, policy(t)).LeanCheck, 1)
	assert.InDelta(t, 90, rig.HeelToToe(0.2, 0.3).Degrees(), 1e-9, "a boot longer than the stake")
}

func TestRowsOfSeveral(t *testing.T) {
	l := place(t, "3-2-1", 2, front, 90, 0, policy(t))
	require.Len(t, l.Stakes, 12)
	rows := map[[2]int]int{}
	for _, s := range l.Stakes {
		rows[[2]int{s.Rig, s.Row}]++
	}
	assert.Equal(t, map[[2]int]int{{1, 1}: 3, {1, 2}: 2, {1, 3}: 1, {2, 1}: 3, {2, 2}: 2, {2, 3}: 1}, rows)
	assert.Greater(t, l.Stakes[0].Lat, front.Lat(), "looking east along the pull, the left rig stands north")
	assert.Positive(t, float64(l.CollectorM))
}

// Rigs set beside the point are still set out from the point.
func TestBesideIsMeasuredFromThePoint(t *testing.T) {
	l := place(t, "1", 1, front, 0, 3, policy(t)) // pulled north, 3 m to the right
	az, _ := l.Stakes[0].MarkBearingDeg.Get()
	assert.InDelta(t, 90, az.Degrees(), 1e-9, "east of the point")
	assert.InDelta(t, 3, float64(l.Stakes[0].MarkDistanceM), 1e-9)
}

func TestCollectorReach(t *testing.T) {
	p := policy(t)
	assert.Zero(t, rig.CollectorReach(1, &p))
	// source: trigonometry: legs 2 ft apart meet at 15° after 1 ft / tan 7.5°.
	assert.InDelta(t, 0.3048/math.Tan(7.5*math.Pi/180), rig.CollectorReach(2, &p).Metres(), 1e-9)
}

// Stakes stand where the geodesic from the point puts them, which its own
// package holds against GeodSolve; turning the pull turns the layout and
// changes nothing else.
func TestTurningTheSiteTurnsTheLayout(t *testing.T) {
	p := policy(t)
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom([]string{"1", "1-1", "1-1-1", "2-1", "3-2-1"}).Draw(t, "pattern")
		n := rapid.IntRange(1, 3).Draw(t, "count")
		at := orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-90, 90).Draw(t, "lat")}
		a := geo.NewBearing(rapid.Float64Range(0, 360).Draw(t, "pull"))
		by := geo.Degrees(rapid.Float64Range(-180, 180).Draw(t, "turn"))
		right := geo.Length(rapid.Float64Range(-5, 5).Draw(t, "right"))
		x, y := place(t, name, n, at, a, right, p), place(t, name, n, at, a.Turn(by), right, p)
		require.Len(t, y.Stakes, pattern(t, name).Stakes()*n)
		for i := range x.Stakes {
			assert.InDelta(t, float64(x.Stakes[i].MarkDistanceM), float64(y.Stakes[i].MarkDistanceM), 1e-9)
			if bx, ok := x.Stakes[i].MarkBearingDeg.Get(); ok && x.Stakes[i].MarkDistanceM > 0.1 {
				by2, _ := y.Stakes[i].MarkBearingDeg.Get()
				assert.InDelta(t, 0, bx.Turn(by).Off(by2).Degrees(), 1e-6)
				want, _ := geodesic.Direct(at, bx, x.Stakes[i].MarkDistanceM)
				assert.InDelta(t, 0, float64(geodesic.Distance(want, orb.Point{x.Stakes[i].Lon, x.Stakes[i].Lat})), 1e-6, "a micrometre")
			}
		}
		assert.Equal(t, x.Lashings, y.Lashings)
		assert.Equal(t, x.CollectorM, y.CollectorM)
		for _, area := range []rig.Area{y.Footprint, y.Sector} {
			ring := orb.Ring(area)
			area, _ := geodesic.Area(ring)
			assert.Positive(t, area, "outer rings run anticlockwise (RFC 7946 §3.1.6)")
			assert.True(t, ring.Closed())
		}
	})
}

func TestFoundAnchorHasItsOwnSector(t *testing.T) {
	p := policy(t)
	plane := tangent.At(front)
	var room rig.Room
	l := room.Found(tangent.Along(30, 6), 214, &plane, &p)
	want, _ := geodesic.Direct(front, 30, 6)
	assert.InDelta(t, 0, float64(geodesic.Distance(want, l.Front())), 1e-6)
	assert.Empty(t, l.Stakes)
	assert.Equal(t, [2]geo.Bearing{199, 229}, l.SectorDeg)
}
