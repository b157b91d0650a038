package sqlite_test

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"testing/iotest"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// A grid's file comes back byte for byte wherever it is read.
func TestRasterFile(t *testing.T) {
	ctx := context.Background()
	s, err := sqlite.Open(ctx, filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true})
	require.NoError(t, err)
	defer s.Close()
	covers := orb.Polygon{{{-91.3, 44.6}, {-91.1, 44.6}, {-91.1, 44.7}, {-91.3, 44.7}, {-91.3, 44.6}}}
	who := sqlite.Author{Who: "gis"}
	layer := survey.Layer{ID: "dem", Title: "DEM", Role: survey.RoleElevation}
	random := rand.NewChaCha8([32]byte{1})
	picks := rand.New(rand.NewPCG(1, 2))
	for _, size := range []int{1, 1 << 18, 1<<18 + 1, 900_001} {
		want := make([]byte, size)
		_, _ = random.Read(want)
		_, _, err := s.ImportRaster(ctx, layer, covers, iotest.HalfReader(bytes.NewReader(want)), origin("ground.tif"), who)
		require.NoError(t, err)
		f, err := s.Raster(ctx, "dem")
		require.NoError(t, err)
		require.Equal(t, int64(size), f.Size())
		got, err := io.ReadAll(io.NewSectionReader(f, 0, f.Size()))
		require.NoError(t, err)
		require.Equal(t, want, got)
		for range 50 {
			from := picks.IntN(size)
			part := make([]byte, picks.IntN(size-from)+1)
			n, err := f.ReadAt(part, int64(from))
			require.NoError(t, err)
			require.Equal(t, want[from:from+n], part)
		}
		_, err = f.ReadAt(make([]byte, 2), int64(size)-1)
		require.ErrorIs(t, err, io.EOF, "a read past the end says so")
	}
	near, roles, err := s.LayersNear(ctx, orb.Point{-91.2, 44.65}, 50)
	require.NoError(t, err)
	assert.True(t, roles[survey.RoleElevation])
	assert.Len(t, near, 1, "the ground it covers is its one feature")

	_, _, err = s.ImportRaster(ctx, layer, covers, iotest.ErrReader(io.ErrClosedPipe), origin("ground.tif"), who)
	require.Error(t, err)
	f, err := s.Raster(ctx, "dem")
	require.NoError(t, err)
	assert.Equal(t, int64(900_001), f.Size(), "a broken import leaves the layer as it was")

	layer.Role = survey.RoleWater
	_, _, err = s.ImportRaster(ctx, layer, covers, bytes.NewReader([]byte{1}), origin("ground.tif"), who)
	assert.ErrorIs(t, err, survey.ErrInvalid)
	require.NoError(t, s.RemoveLayer(ctx, "dem", who))
	_, err = s.Raster(ctx, "dem")
	assert.ErrorIs(t, err, survey.ErrNotFound)
}
