package drawing_test

import (
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"holdfast/survey/drawing"
)

// Whatever is shown stands inside the drawing, north above south and east to
// the right of west.
func TestOverviewLaw(t *testing.T) {
	place := rapid.Custom(func(t *rapid.T) orb.Point {
		return orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-90, 90).Draw(t, "lat")}
	})
	rapid.Check(t, func(t *rapid.T) {
		known := rapid.SliceOfN(place, 1, 6).Draw(t, "known")
		size := drawing.Size{W: 120, H: 80}
		d := drawing.Overview{Known: known}.Draw(size)
		var at []drawing.Pt
		for _, m := range d.Marks {
			if c, ok := m.(drawing.Circle); ok {
				at = append(at, c.At)
			}
		}
		assert.Len(t, at, len(known))
		for i, p := range at {
			assert.True(t, p.X >= 0 && p.X <= size.W && p.Y >= 0 && p.Y <= size.H, "%v at %v", known[i], p)
			for j, q := range at {
				assert.False(t, known[i][0] < known[j][0] && p.X > q.X+1e-9, "east is right")
				assert.False(t, known[i][1] < known[j][1] && p.Y < q.Y-1e-9, "north is up")
			}
		}
	})
}

func TestOverviewOfNothing(t *testing.T) {
	assert.Contains(t, drawing.Overview{}.Draw(drawing.Size{W: 120, H: 80}).Desc+drawing.Overview{}.Draw(drawing.Size{W: 120, H: 80}).Title, "No map")
}
