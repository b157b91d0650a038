package server_test

import (
	"math"
	"net/http"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/grid"
	"holdfast/survey"
)

// TestRingsTurnRight stores a polygon the way Shapefiles have it, outer ring
// clockwise, and requires RFC 7946's way (3.1.6) on the wire, with each
// position keeping its height.
func TestRingsTurnRight(t *testing.T) {
	s, store := fixture(t)
	outer := orb.Ring{{0, 0}, {0, 3}, {3, 3}, {3, 0}, {0, 0}}
	hole := orb.Ring{{1, 1}, {2, 1}, {2, 2}, {1, 2}, {1, 1}}
	heights := []float64{10, 13, 16, 13, 10, 12, 13, 14, 13, 12} // 10 + lon + lat at each position
	_, err := store.AddLayer(t.Context(), survey.Layer{ID: "cw", Title: "Clockwise", Role: survey.RoleOther}, func(yield func(survey.LayerFeature, error) bool) {
		yield(survey.LayerFeature{Geometry: orb.Polygon{outer, hole}, Heights: heights}, nil)
	}, author)
	require.NoError(t, err)
	page := parse[struct {
		Features []struct {
			Geometry struct{ Coordinates [][][]float64 }
		}
	}](t, call(t, s, http.MethodGet, "/api/collections/cw/items", ""))
	require.Len(t, page.Features, 1)
	rings := page.Features[0].Geometry.Coordinates
	require.Len(t, rings, 2)
	for i, want := range []orb.Orientation{orb.CCW, orb.CW} {
		var ring orb.Ring
		for _, c := range rings[i] {
			require.Len(t, c, 3)
			assert.Equal(t, 10+c[0]+c[1], c[2])
			ring = append(ring, orb.Point{c[0], c[1]})
		}
		assert.Equal(t, want, ring.Orientation())
	}
}

// TestGridLines requires every line of the drawn grid to lie where its label
// says, by the reference that geo/grid writes for its places: on the drawn
// line a step of a metre to either side changes the digits of the label.
func TestGridLines(t *testing.T) {
	s, _ := fixture(t)
	for name, c := range map[string]struct {
		bbox   string
		digits int
	}{
		"a bank":           {"-91.21,44.64,-91.20,44.65", 3},
		"a district":       {"-91.4,44.5,-91.3,44.6", 2},
		"two zones":        {"-90.05,44.60,-89.95,44.68", 2},
		"the equator":      {"-91.005,-0.005,-90.995,0.005", 3},
		"south of it":      {"20.10,-33.51,20.11,-33.50", 3},
		"the far meridian": {"179.99,10.00,180,10.01", 3},
	} {
		t.Run(name, func(t *testing.T) {
			got := parse[struct {
				Features []struct {
					Geometry   struct{ Coordinates []orb.Point }
					Properties struct{ Label string }
				}
			}](t, call(t, s, http.MethodGet, "/map/grid?bbox="+c.bbox, ""))
			require.Greater(t, len(got.Features), 4)
			for _, f := range got.Features {
				require.Len(t, f.Properties.Label, c.digits)
				line := f.Geometry.Coordinates
				at := line[len(line)/2]
				east, north := besides(t, at, c.digits)
				assert.True(t, straddles(east, f.Properties.Label) || straddles(north, f.Properties.Label),
					"line %s at %v lies between %v and %v", f.Properties.Label, at, east, north)
			}
		})
	}
	assert.Empty(t, parse[featurePage](t, call(t, s, http.MethodGet, "/map/grid?bbox=-100,40,-80,50", "")).Features, "a view too wide for a grid")
}

// besides are the leading digits of easting and northing a metre or so to the
// west and east, and to the south and north, of a place.
func besides(t *testing.T, at orb.Point, digits int) (east, north [2]string) {
	t.Helper()
	const metre = 1.5 / 111_000
	for i, side := range []float64{-metre, metre} {
		for j, p := range []orb.Point{{at.Lon() + side/math.Cos(at.Lat()*math.Pi/180), at.Lat()}, {at.Lon(), at.Lat() + side}} {
			if p.Lon() > 180 {
				p[0] -= 360
			}
			ref, err := grid.USNG(p, grid.Precision(digits))
			require.NoError(t, err)
			parts := strings.Fields(ref) // zone, square, easting, northing
			require.Len(t, parts, 4)
			if j == 0 {
				east[i] = parts[2]
			} else {
				north[i] = parts[3]
			}
		}
	}
	return east, north
}

// straddles tells whether a line's label is that of the square on its far
// side, and not of the one before.
func straddles(sides [2]string, label string) bool {
	return sides[1] == label && sides[0] != label
}
