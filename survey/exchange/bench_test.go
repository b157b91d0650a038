package exchange_test

import (
	"bytes"
	"fmt"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/exchange"
)

func BenchmarkReadPoints(b *testing.B) {
	points := make([]survey.Point, 10_000)
	for i := range points {
		points[i] = survey.Point{
			Position: orb.Point{-91.2, 44.65}, Site: "KB", Label: fmt.Sprint(i),
			Ground:  survey.Ground{Class: survey.ClassB, Disturbed: survey.No},
			Terrain: survey.Terrain{SlopeDeg: survey.Known(31.0)},
		}
	}
	for _, f := range formats {
		b.Run(string(f), func(b *testing.B) {
			var file bytes.Buffer
			require.NoError(b, writePoints(&file, f, sequence(points)))
			b.SetBytes(int64(file.Len()))
			for b.Loop() {
				_, report, err := exchange.ReadPoints(bytes.NewReader(file.Bytes()), exchange.Options{})
				require.NoError(b, err)
				require.Equal(b, len(points), report.Accepted)
			}
		})
	}
}

func BenchmarkReadLayer(b *testing.B) {
	line := make(orb.LineString, 200)
	for i := range line {
		line[i] = orb.Point{-91 + float64(i)*1e-4, 44.123456789}
	}
	lines := make([]survey.LayerFeature, 1000)
	for i := range lines {
		lines[i] = survey.LayerFeature{Geometry: line, Properties: []byte(`{"name":"Kiln Creek"}`)}
	}
	var file bytes.Buffer
	require.NoError(b, writeLayer(&file, exchange.GeoJSON, sequence(lines)))
	b.SetBytes(int64(file.Len()))
	for b.Loop() {
		_, _, err := exchange.ReadLayer(bytes.NewReader(file.Bytes()), survey.RoleWater, exchange.Options{})
		require.NoError(b, err)
	}
}
