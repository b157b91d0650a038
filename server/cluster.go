package server

import (
	"cmp"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo/tile"
	"holdfast/survey/answer"
)

const (
	drawnAlone = 250 // points in a view up to which each is drawn for itself
	cellWide   = 112 // pixels, of the rectangle within which points are drawn as one
	cellHigh   = 64
	cellInner  = 0.24 // share of it, about its middle, in which their mark stands, so that marks keep apart
	tilePixels = 256  // side of the whole world at zoom 0
	zoomMost   = 24
	cellsMost  = 1500 // clusters in one answer; more are gathered more coarsely
)

// cluster is several points drawn as one. It shows the worst verdict among
// them: the last in the order in which options are ranked - holds, short,
// unknown, no - so that a point that does not serve, or of which nothing is
// known, is never hidden behind one that holds.
type cluster struct {
	at    orb.Point // about the middle of its points
	bound orb.Bound
	count int
	tally map[answer.Verdict]int
	worst answer.Verdict
	only  mark // of a cluster of one
}

// gather puts the marks of a bound together for a zoom: those that would lie
// over each other become one. A view of few points shows each. It says how
// many points there are and of how many in the atlas the verdict is not known
// yet.
func (m *marks) gather(b *orb.Bound, zoom float64) (out []cluster, total, left int) {
	left = m.within(b, func(*mark) { total++ })
	if total <= drawnAlone {
		m.within(b, func(one *mark) { out = append(out, clusterOf(one)) })
		return out, total, left
	}
	for ; ; zoom-- {
		if out = m.cells(b, zoom); len(out) <= cellsMost {
			break
		}
	}
	slices.SortFunc(out, func(a, b cluster) int {
		return cmp.Or(cmp.Compare(a.at[1], b.at[1]), cmp.Compare(a.at[0], b.at[0]))
	})
	return out, total, left
}

func (m *marks) cells(b *orb.Bound, zoom float64) []cluster {
	world := tilePixels * math.Exp2(zoom)
	wide, high := cellWide/world, cellHigh/world
	cells := map[[2]int]*cluster{}
	m.within(b, func(one *mark) {
		at := tile.Square(one.at)
		k := [2]int{int(math.Floor(at[0] / wide)), int(math.Floor(at[1] / high))}
		if c, ok := cells[k]; ok {
			c.add(one)
			return
		}
		c := clusterOf(one)
		cells[k] = &c
	})
	out := make([]cluster, 0, len(cells))
	for k, c := range cells {
		if c.count > 1 {
			at := tile.Square(c.at)
			c.at = tile.FromSquare(orb.Point{inner(at[0]/wide, k[0]) * wide, inner(at[1]/high, k[1]) * high})
		}
		out = append(out, *c)
	}
	return out
}

// inner brings a place in a cell near its middle, both counted in cells.
func inner(at float64, cell int) float64 {
	middle := float64(cell) + 0.5
	return min(max(at, middle-cellInner/2), middle+cellInner/2)
}

func clusterOf(m *mark) cluster {
	return cluster{at: m.at, bound: m.at.Bound(), count: 1, tally: map[answer.Verdict]int{m.verdict: 1}, worst: m.verdict, only: *m}
}

func (c *cluster) add(m *mark) {
	n := float64(c.count)
	c.at = orb.Point{(c.at[0]*n + m.at[0]) / (n + 1), (c.at[1]*n + m.at[1]) / (n + 1)}
	c.bound = c.bound.Extend(m.at)
	c.count++
	c.tally[m.verdict]++
	if m.verdict.Rank() > c.worst.Rank() {
		c.worst = m.verdict
	}
}
