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

// source: NAVEDTRA 14251 chapter 6: stakes lean 15° away from the pull, rows
// in one line with it; one stake length apart (common practice, no source).
func TestStakesInLine(t *testing.T) {
	l := rig.Place(pattern(t, "1-1-1"), 1, front, 214, policy(t))
	require.Len(t, l.Stakes, 3)
	assert.Equal(t, front, orb.Point{l.Stakes[0].Lon, l.Stakes[0].Lat}, "the front stake stands at the point")
	assert.False(t, l.Stakes[0].MarkBearingDeg.Known(), "the mark has no bearing from itself")
	for i, s := range l.Stakes {
		assert.Equal(t, 15.0, s.LeanDeg)
		assert.InDelta(t, 34, s.LeanTowardDeg.Degrees(), 1e-9, "away from the pull")
		assert.InDelta(t, 1.2192*float64(i), s.MarkDistanceM.Metres(), 1e-6) // 48 in
		if i > 0 {
			az, _ := s.MarkBearingDeg.Get()
			assert.InDelta(t, 34, az.Degrees(), 1e-6, "along the back-bearing")
		}
	}
	assert.Equal(t, [2]geo.Bearing{199, 229}, l.SectorDeg)
}

// source: a 1-1-1 takes three 20 ft webbings (common practice, no source):
// two lashings and the foot tie.
func TestWebbingOfThreeInLine(t *testing.T) {
	l := rig.Place(pattern(t, "1-1-1"), 1, front, 214, policy(t))
	require.Len(t, l.Lashings, 3)
	pieces := 0
	for _, x := range l.Lashings {
		pieces += x.Pieces
		assert.LessOrEqual(t, x.WebbingM.Feet(), 20.0)
	}
	assert.Equal(t, 3, pieces)
}

// source: heel-to-toe is near 15° (common practice, no source): a 48 in stake
// over a 12 in boot.
func TestHeelToToe(t *testing.T) {
	assert.InDelta(t, 15, rig.HeelToToe(48*geo.Inch, 12*geo.Inch).Degrees(), 1)
}

func TestRowsOfSeveral(t *testing.T) {
	l := rig.Place(pattern(t, "3-2-1"), 2, front, 90, policy(t))
	require.Len(t, l.Stakes, 12)
	rows := map[[2]int]int{}
	for _, s := range l.Stakes {
		rows[[2]int{s.Rig, s.Row}]++
	}
	assert.Equal(t, map[[2]int]int{{1, 1}: 3, {1, 2}: 2, {1, 3}: 1, {2, 1}: 3, {2, 2}: 2, {2, 3}: 1}, rows)
	assert.Greater(t, l.Stakes[0].Lat, front.Lat(), "looking east along the pull, the left rig stands north")
}

func TestCollectorReach(t *testing.T) {
	p := policy(t)
	assert.Zero(t, rig.CollectorReach(1, p))
	// source: trigonometry: legs 2 ft apart meet at 15° after 1 ft / tan 7.5°.
	assert.InDelta(t, 0.3048/math.Tan(7.5*math.Pi/180), rig.CollectorReach(2, p).Metres(), 1e-9)
}

// Turning the pull turns the layout and changes nothing else.
func TestTurningTheSiteTurnsTheLayout(t *testing.T) {
	p := policy(t)
	rapid.Check(t, func(t *rapid.T) {
		pat := pattern(t, rapid.SampledFrom([]string{"1", "1-1", "1-1-1", "2-1", "3-2-1"}).Draw(t, "pattern"))
		n := rapid.IntRange(1, 3).Draw(t, "count")
		at := orb.Point{rapid.Float64Range(-179, 179).Draw(t, "lon"), rapid.Float64Range(-80, 80).Draw(t, "lat")}
		a := geo.NewBearing(rapid.Float64Range(0, 360).Draw(t, "pull"))
		by := geo.Degrees(rapid.Float64Range(-180, 180).Draw(t, "turn"))
		x, y := rig.Place(pat, n, at, a, p), rig.Place(pat, n, at, a.Turn(by), p)
		require.Len(t, y.Stakes, pat.Stakes()*n)
		for i := range x.Stakes {
			assert.InDelta(t, float64(x.Stakes[i].MarkDistanceM), float64(y.Stakes[i].MarkDistanceM), 1e-6)
			if bx, ok := x.Stakes[i].MarkBearingDeg.Get(); ok && x.Stakes[i].MarkDistanceM > 0.1 {
				by2, _ := y.Stakes[i].MarkBearingDeg.Get()
				assert.InDelta(t, 0, bx.Turn(by).Off(by2).Degrees(), 1e-4)
			}
			d, _, _, _ := geodesic.Inverse(at, orb.Point{y.Stakes[i].Lon, y.Stakes[i].Lat})
			assert.InDelta(t, float64(y.Stakes[i].MarkDistanceM), float64(d), 1e-3)
		}
		assert.Equal(t, x.Lashings, y.Lashings)
		ring := y.Footprint.Geometry.(orb.Polygon)[0]
		area, _ := geodesic.Area(ring)
		assert.Positive(t, area, "outer rings run anticlockwise (RFC 7946 §3.1.6)")
		assert.True(t, y.Sector.Geometry.(orb.Polygon)[0].Closed())
	})
}
