package exchange_test

import (
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey/exchange"
)

// What is found row by row is what comparing each place with each finds.
func TestDuplicatesAreAllFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		within := geo.Length(rapid.SampledFrom([]float64{0, 0.5, 3, 40}).Draw(t, "within"))
		lat := rapid.SampledFrom([]float64{0, 44.65, -67, 89.9}).Draw(t, "lat")
		step := rapid.SampledFrom([]float64{1e-7, 5e-6, 1e-4}).Draw(t, "step")
		places := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) orb.Point {
			return orb.Point{-91 + step*float64(rapid.IntRange(-9, 9).Draw(t, "x")), lat + step*float64(rapid.IntRange(-9, 9).Draw(t, "y"))}
		}), 0, 25).Draw(t, "places")
		want := [][2]int{}
		for i := range places {
			for j := range i {
				if geodesic.Distance(places[i], places[j]) <= max(within, geo.Metre/10) {
					want = append(want, [2]int{i + 1, j + 1})
				}
			}
		}
		assert.Equal(t, want, exchange.Alike(places, within))
	})
}
