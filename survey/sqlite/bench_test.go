package sqlite_test

import (
	"fmt"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func manyPoints(n int) []survey.Point {
	out := make([]survey.Point, n)
	for i := range out {
		p := stand("KB", fmt.Sprintf("P%d", i))
		p.Position = orb.Point{-91.5 + float64(i%1000)/1000, 44 + float64(i/1000)/1000}
		out[i] = p
	}
	return out
}

func BenchmarkImportAll100k(b *testing.B) {
	points := manyPoints(100_000)
	for b.Loop() {
		s, err := sqlite.Open(b.Context(), filepath.Join(b.TempDir(), "a.db"), sqlite.Options{Create: true})
		require.NoError(b, err)
		require.NoError(b, s.ImportAll(b.Context(), []survey.Site{knoll()}, points, officer))
		require.NoError(b, s.Close())
	}
}

func BenchmarkPutPoint(b *testing.B) {
	s := newAtlas(b)
	putSite(b, s, knoll())
	for b.Loop() {
		putPoint(b, s, stand("KB", "P1"))
	}
}

// Acknowledged writes a second on an atlas of 100,000 points: by one writer and
// by eight at once. The aim is 200.
func BenchmarkWrite100k(b *testing.B) {
	s := newAtlas(b)
	require.NoError(b, s.ImportAll(b.Context(), []survey.Site{knoll()}, manyPoints(100_000), officer))
	rows, err := s.Points(b.Context(), sqlite.Filter{})
	require.NoError(b, err)
	var next atomic.Int64
	write := func() error {
		p := rows[int(next.Add(7919))%len(rows)].Item
		p.SurveyedBy = fmt.Sprint("crew ", next.Load())
		_, err := s.PutPoint(b.Context(), p, officer, anyRev)
		return err
	}
	b.Run("one", func(b *testing.B) {
		for b.Loop() {
			require.NoError(b, write())
		}
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "writes/s")
	})
	b.Run("eight", func(b *testing.B) {
		var wg sync.WaitGroup
		left := atomic.Int64{}
		left.Store(int64(b.N))
		for range 8 {
			wg.Go(func() {
				for left.Add(-1) >= 0 {
					if err := write(); err != nil {
						b.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
		b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "writes/s")
	})
}

func BenchmarkRead(b *testing.B) {
	s := newAtlas(b)
	require.NoError(b, s.ImportAll(b.Context(), []survey.Site{knoll()}, manyPoints(100_000), officer))
	_, err := s.AddLayer(b.Context(), gas(), func(yield func(survey.LayerFeature, error) bool) {
		for _, p := range manyPoints(100_000) {
			at := p.Position
			if !yield(survey.LayerFeature{Geometry: orb.LineString{at, {at[0] + 0.001, at[1] + 0.001}}}, nil) {
				return
			}
		}
	}, officer)
	require.NoError(b, err)
	all, err := s.Points(b.Context(), sqlite.Filter{})
	require.NoError(b, err)
	last := all[len(all)-101].Item.ID
	for name, do := range map[string]func() (int, error){
		"first page": func() (int, error) {
			rows, err := s.Points(b.Context(), sqlite.Filter{Limit: 100})
			return len(rows), err
		},
		"last page": func() (int, error) {
			rows, err := s.Points(b.Context(), sqlite.Filter{Limit: 100, After: last})
			return len(rows), err
		},
		"page of a box": func() (int, error) {
			rows, err := s.Points(b.Context(), sqlite.Filter{Limit: 100, Bound: &orb.Bound{Min: orb.Point{-91.2, 44.02}, Max: orb.Point{-91.1, 44.04}}})
			return len(rows), err
		},
		"page of the world": func() (int, error) {
			rows, err := s.Points(b.Context(), sqlite.Filter{Limit: 100, Bound: &orb.Bound{Min: orb.Point{-180, -90}, Max: orb.Point{180, 90}}})
			return len(rows), err
		},
		"points within 100 m": func() (int, error) {
			rows, err := s.PointsWithin(b.Context(), orb.Point{-91.2, 44.05}, 100)
			return len(rows), err
		},
		"layers near 100 m": func() (int, error) {
			fs, _, err := s.LayersNear(b.Context(), orb.Point{-91.2, 44.05}, 100)
			return len(fs), err
		},
		"layer page of a box": func() (int, error) {
			fs, err := s.Features(b.Context(), "gas", sqlite.Filter{Bound: &orb.Bound{Min: orb.Point{-91.2, 44.02}, Max: orb.Point{-91.1, 44.04}}, Limit: 100})
			return len(fs), err
		},
		"layer last page": func() (int, error) {
			fs, err := s.Features(b.Context(), "gas", sqlite.Filter{After: "99900", Limit: 100})
			return len(fs), err
		},
		"count by text": func() (int, error) {
			return s.CountPoints(b.Context(), sqlite.Filter{Text: "p99"})
		},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				n, err := do()
				if err != nil || n == 0 {
					b.Fatal(n, err)
				}
			}
		})
	}
}
