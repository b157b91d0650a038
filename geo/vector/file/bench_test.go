package file_test

import (
	"bytes"
	"io"
	"math/rand/v2"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/file"
)

// surveyPoints are n points with 8 properties each.
func surveyPoints(n int) []vector.Record {
	rng := rand.New(rand.NewPCG(seed, 900))
	grounds := []string{"rock", "A", "B", "C", "unknown"}
	out := make([]vector.Record, n)
	for i := range out {
		out[i] = vector.Record{
			Number:   i + 1,
			Geometry: geojson.Geometry{Geometry: orb.Point{-124 + 57*rng.Float64(), 25 + 24*rng.Float64()}},
			Properties: vector.Properties{
				{Name: "name", Value: "P" + string(rune('A'+i%26))},
				{Name: "ground", Value: grounds[rng.IntN(5)]},
				{Name: "slope_deg", Value: 60 * rng.Float64()},
				{Name: "height_m", Value: 40 * rng.Float64()},
				{Name: "seeping", Value: rng.IntN(5) == 0},
				{Name: "surveyed", Value: "2026-05-01"},
				{Name: "count", Value: rng.Int64N(10)},
				{Name: "note", Value: "near the old culvert"},
			},
		}
	}
	return out
}

// One operation is 20,000 points with 8 properties.
func BenchmarkFormats(b *testing.B) {
	records := surveyPoints(20_000)
	layer := describe("points", records)
	for _, format := range []vector.Format{vector.GeoJSON, vector.GeoPackage, vector.Shapefile, vector.KML, vector.GPX, vector.CSV} {
		var file bytes.Buffer
		b.Run("write "+string(format), func(b *testing.B) {
			for b.Loop() {
				file.Reset()
				benchWrite(b, &file, format, layer, records)
			}
			b.ReportMetric(float64(len(records)*b.N)/b.Elapsed().Seconds(), "records/s")
		})
		b.Run("read "+string(format), func(b *testing.B) {
			for b.Loop() {
				benchRead(b, file.Bytes(), len(records))
			}
			b.ReportMetric(float64(len(records)*b.N)/b.Elapsed().Seconds(), "records/s")
		})
	}
}

func benchWrite(b *testing.B, to io.Writer, format vector.Format, layer vector.Layer, records []vector.Record) {
	w, err := file.NewWriter(to, format)
	require.NoError(b, err)
	require.NoError(b, w.Begin(layer))
	for _, r := range records {
		if err := w.Write(r); err != nil {
			b.Fatal(err)
		}
	}
	require.NoError(b, w.Close())
}

func benchRead(b *testing.B, text []byte, want int) {
	s, err := file.OpenReader(bytes.NewReader(text), int64(len(text)), "a", vector.Options{})
	require.NoError(b, err)
	n := 0
	for r := range s.Read(0) {
		if r.Err != nil {
			b.Fatal(r.Err)
		}
		n++
	}
	require.Equal(b, want, n)
	require.NoError(b, s.Close())
}
