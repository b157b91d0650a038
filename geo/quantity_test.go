package geo_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"holdfast/geo"
)

func TestNewBearing(t *testing.T) {
	// source: the definition of a bearing, 0 ≤ b < 360 clockwise from north.
	for _, c := range []struct {
		name    string
		in, out float64
	}{
		{"north", 0, 0},
		{"full circle is north", 360, 0},
		{"west given as -90", -90, 270},
		{"two turns and a half", 900, 180},
		{"a hair west of north does not become 360", -1e-15, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			assert.Equal(t, c.out, geo.NewBearing(c.in).Degrees())
		})
	}
	assert.True(t, math.IsNaN(geo.NewBearing(math.NaN()).Degrees()))
}

func TestBearingLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := geo.NewBearing(rapid.Float64Range(-1e4, 1e4).Draw(t, "b"))
		a := geo.Degrees(rapid.Float64Range(-179, 180).Draw(t, "a"))
		assert.InDelta(t, 0, b.Off(b.Back().Back()).Degrees(), 1e-9, "turning round twice is no turn")
		assert.InDelta(t, a.Degrees(), b.Off(b.Turn(a)).Degrees(), 1e-9, "turning by a is off by a")
		assert.GreaterOrEqual(t, b.Degrees(), 0.0)
		assert.Less(t, b.Degrees(), 360.0)
	})
}
