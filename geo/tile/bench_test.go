package tile_test

import (
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"

	"holdfast/geo/tile"
)

// BenchmarkPoints is a tile with 1,200 survey points, to be ready in 16 ms:
// what PostGIS 3.3.2 needs for 1,219 on two cores, database included.
func BenchmarkPoints(b *testing.B) {
	var features []tile.Feature
	for _, f := range invented(4, place, 2400) {
		if _, ok := f.Geometry.(orb.Point); ok {
			features = append(features, f)
		}
	}
	require.Len(b, features, 1200)
	benchmark(b, features)
}

// BenchmarkMixed is a tile with 28 features of all kinds, to be ready in 1 ms.
func BenchmarkMixed(b *testing.B) { benchmark(b, invented(4, place, 28)) }

// BenchmarkCutArea is one area of 5,000 corners that reaches beyond the tile on
// all sides.
func BenchmarkCutArea(b *testing.B) {
	benchmark(b, []tile.Feature{{Geometry: orb.Polygon{ringInDegrees(jagged(5000))}}})
}

func benchmark(b *testing.B, features []tile.Feature) {
	b.ReportAllocs()
	for b.Loop() {
		_, err := tile.Encode(place, tile.Layer{Name: "survey", Features: features})
		require.NoError(b, err)
	}
}
