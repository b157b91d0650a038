package coverage_test

import (
	"fmt"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/coverage"
)

var origin = orb.Point{-91.2, 44.65}

func at(bearing geo.Bearing, d geo.Length) orb.Point {
	p, _ := geodesic.Direct(origin, bearing, d)
	return p
}

// crest runs east to west 3 m south of the point, 200 m each way.
func crest() coverage.Crest {
	mid, _ := geodesic.Direct(origin, 180, 3)
	west, _ := geodesic.Direct(mid, 270, 200)
	east, _ := geodesic.Direct(mid, 90, 200)
	return coverage.Crest{Name: "bank", Line: orb.LineString{west, mid, east}}
}

func anchor(p orb.Point, v answer.Verdict) coverage.Anchor {
	pt := survey.Point{Position: p}
	pt.Terrain = survey.Terrain{SlopeDeg: survey.Known(45.0), HeightM: survey.Known(geo.Length(7)), SetbackM: survey.Known(geo.Length(3))}
	return coverage.Anchor{Point: pt, Site: "S", Pull: survey.Known(geo.Bearing(180)), Verdict: v}
}

// source: plane geometry. The foot of the bank is 3 + 7 m ahead of the point;
// 45° either way meets it 10 m to each side, so 20 m of crest are covered, to
// the length of one sample at each end.
func TestOnePointOnAStraightBank(t *testing.T) {
	r := coverage.Measure([]coverage.Crest{crest()}, []coverage.Anchor{anchor(origin, answer.Holds)}, 15*geo.Degree, 60)
	assert.InDelta(t, 20, r.All.HoldsM.Metres(), 2*coverage.Step.Metres())
	assert.InDelta(t, 400, (r.All.HoldsM + r.All.ShortM + r.All.UncoveredM).Metres(), 1e-3, "every metre is counted once")
	assert.InDelta(t, r.All.HoldsM.Metres(), r.Sites["S"].HoldsM.Metres(), 1e-9)
	require.Len(t, r.Reaches, 3)
	assert.Equal(t, coverage.Uncovered, r.Reaches[0].State)
	assert.GreaterOrEqual(t, r.Reaches[0].LengthM, r.Reaches[1].LengthM, "longest first")
}

func TestVerdictsAndRope(t *testing.T) {
	c := []coverage.Crest{crest()}
	measure := func(rope geo.Length, as ...coverage.Anchor) coverage.Lengths {
		return coverage.Measure(c, as, 15*geo.Degree, rope).All
	}
	assert.Zero(t, measure(60, anchor(origin, answer.No)).HoldsM)
	assert.Zero(t, measure(60, anchor(origin, answer.Unknown)).HoldsM, "what cannot be judged covers nothing")
	assert.Positive(t, measure(60, anchor(origin, answer.Short)).ShortM)
	behind := anchor(origin, answer.Holds)
	behind.Back = 50
	assert.Zero(t, measure(60, behind).HoldsM, "an anchor 50 m behind the point takes 66 m down the bank")
	assert.Positive(t, measure(70, behind).HoldsM)
	// source: the rope straight down is 3 + 7/sin 45° + 3 m to tie in = 15.9 m.
	assert.Zero(t, measure(15, anchor(origin, answer.Holds)).HoldsM)
	assert.Positive(t, measure(17, anchor(origin, answer.Holds)).HoldsM)
	both := measure(60, anchor(origin, answer.Short), anchor(at(90, 0.5), answer.Holds))
	assert.Less(t, both.ShortM, both.HoldsM, "the better verdict counts")
	unaimed := anchor(origin, answer.Holds)
	unaimed.Pull = survey.Opt[geo.Bearing]{}
	assert.Zero(t, measure(60, unaimed).HoldsM)
}

func BenchmarkTenThousandKilometres(b *testing.B) {
	var crests []coverage.Crest
	for i := range 100 { // 100 lines of 100 km
		start := orb.Point{-100 + float64(i)*0.1, 40}
		line := orb.LineString{start}
		for k := 1; k <= 1000; k++ {
			p, _ := geodesic.Direct(start, 0, geo.Length(k)*100)
			line = append(line, p)
		}
		crests = append(crests, coverage.Crest{Name: fmt.Sprint(i), Line: line})
	}
	var anchors []coverage.Anchor
	for i := range 10000 {
		p, _ := geodesic.Direct(crests[i%100].Line[(i*7)%1000], 90, 5)
		anchors = append(anchors, anchor(p, answer.Holds))
	}
	b.ReportAllocs()
	for b.Loop() {
		coverage.Measure(crests, anchors, 15*geo.Degree, 60)
	}
}
