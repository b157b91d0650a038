package sqlite_test

import (
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// unpack puts a kept file of that format into a folder of its own.
func unpack(t testing.TB, format int) string {
	t.Helper()
	packed, err := os.Open(fmt.Sprintf("testdata/format/format-%d.db.gz", format))
	require.NoError(t, err, "each format has a file kept from its time: see DEVELOPERS.md")
	defer packed.Close()
	from, err := gzip.NewReader(packed)
	require.NoError(t, err)
	path := filepath.Join(t.TempDir(), "old.db")
	to, err := os.Create(path)
	require.NoError(t, err)
	_, err = io.Copy(to, from)
	require.NoError(t, err)
	require.NoError(t, to.Close())
	return path
}

// Every earlier format is opened, brought up to date and read whole. What the
// files hold is what was written into them in May 2026 by the clock they were
// given; see their README.
func TestFilesKeptFromThen(t *testing.T) {
	steps, err := os.ReadDir("migration")
	require.NoError(t, err)
	for format := 1; format < len(steps); format++ {
		t.Run(fmt.Sprintf("format %d", format), func(t *testing.T) {
			path := unpack(t, format)
			for range 2 { // the second time it is of today's format
				s := open(t, path, sqlite.Options{})
				holdsWhatItHeld(t, s, format)
			}
			s := open(t, path, sqlite.Options{})
			row, err := s.Point(t.Context(), "KB/P1")
			require.NoError(t, err)
			row.Item.Label = "P9"
			_, err = s.PutPoint(t.Context(), row.Item, officer, survey.Known(row.Revision))
			assert.NoError(t, err, "and goes on being written")
		})
	}
}

func holdsWhatItHeld(t *testing.T, s *sqlite.Store, format int) {
	t.Helper()
	ctx := t.Context()
	site, err := s.Site(ctx, "KB")
	require.NoError(t, err)
	assert.Equal(t, "Kiln Bend", site.Item.Name)
	assert.Equal(t, []float64{231.5, 232, 0, 230, 231.5}, site.Item.Heights)
	points, err := s.Points(ctx, sqlite.Filter{})
	require.NoError(t, err)
	require.Len(t, points, 2, "a deleted point stays deleted")
	slope, known := points[0].Item.Terrain.SlopeDeg.Get()
	assert.True(t, known)
	assert.Equal(t, 35.0, slope, "P1 as it was changed")
	tested, err := s.PointsWithTests(ctx)
	require.NoError(t, err)
	require.Len(t, tested, 1)
	assert.Equal(t, "P2", tested[0].Item.Label)
	assert.Equal(t, []survey.PullTest{{Rig: "1-1-1", ForceKN: 9.5, Outcome: survey.Held, At: tested[0].Item.PullTests[0].At}}, tested[0].Item.PullTests)

	past, err := s.History(ctx, sqlite.Points, "kb-P3")
	require.NoError(t, err)
	require.Len(t, past, 3)
	assert.Equal(t, []sqlite.Verb{sqlite.Delete, sqlite.Replace, sqlite.Create}, []sqlite.Verb{past[0].Verb, past[1].Verb, past[2].Verb})
	assert.Equal(t, "B. Other", past[1].Who)
	assert.Equal(t, "tablet 3", past[2].Device)
	policies, err := s.Policies(ctx)
	require.NoError(t, err)
	require.Len(t, policies, 2)
	assert.Equal(t, 12.0, policies[0].Item.RequiredRatio.Value)

	if format >= 2 {
		features, err := s.Features(ctx, "gas", sqlite.Filter{})
		require.NoError(t, err)
		require.Len(t, features, 2)
		assert.JSONEq(t, `{"material": "steel", "pressure_kpa": 400, "source_id": "g-7"}`, string(features[0].Properties))
		_, properties, ok, err := s.LayerContents(ctx, "gas")
		require.NoError(t, err)
		assert.True(t, ok)
		assert.Len(t, properties, 3)
	}
	if format >= 4 {
		grid, err := s.Raster(ctx, "ground")
		require.NoError(t, err)
		text := make([]byte, grid.Size())
		_, err = grid.ReadAt(text, 0)
		require.NoError(t, err)
		assert.Contains(t, string(text), "231 232\n229 230\n")
	}
}
