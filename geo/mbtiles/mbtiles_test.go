package mbtiles_test

import (
	"bytes"
	"context"
	"database/sql"
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"testing"

	_ "github.com/mattn/go-sqlite3" // writes the files the tests read
	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/mbtiles"
)

type made struct {
	metadata map[string]string
	tiles    map[[3]int][]byte // zoom, column, row from the south
}

func write(t *testing.T, m made) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "base.mbtiles")
	db, err := sql.Open("sqlite3", path)
	require.NoError(t, err)
	run := func(q string, args ...any) {
		t.Helper()
		_, err := db.ExecContext(t.Context(), q, args...)
		require.NoError(t, err)
	}
	run(`CREATE TABLE metadata (name text, value text)`)
	run(`CREATE TABLE tiles (zoom_level integer, tile_column integer, tile_row integer, tile_data blob)`)
	for k, v := range m.metadata {
		run(`INSERT INTO metadata VALUES (?, ?)`, k, v)
	}
	for at, b := range m.tiles {
		run(`INSERT INTO tiles VALUES (?, ?, ?, ?)`, at[0], at[1], at[2], b)
	}
	require.NoError(t, db.Close())
	return path
}

func picture(t *testing.T, c color.Color) []byte {
	t.Helper()
	i := image.NewRGBA(image.Rect(0, 0, 4, 4))
	i.Set(0, 0, c)
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, i))
	return b.Bytes()
}

// TestRowsAreCountedFromTheSouth takes the tiles of zoom 1: the format counts
// rows from the south (MBTiles 1.3, "tiles", after the Tile Map Service
// specification), web maps from the north.
func TestRowsAreCountedFromTheSouth(t *testing.T) {
	north, south := picture(t, color.White), picture(t, color.Black)
	path := write(t, made{
		map[string]string{"name": "County  base", "format": "png", "attribution": `<a href="https://example.org">&copy; Survey &amp; Sons</a>`, "bounds": "-92,44,-91,45", "minzoom": "1", "maxzoom": "14"},
		map[[3]int][]byte{{1, 0, 1}: north, {1, 0, 0}: south},
	})
	m, err := mbtiles.Open(t.Context(), path)
	require.NoError(t, err)
	defer m.Close()
	assert.Equal(t, "County base", m.Name)
	assert.Equal(t, "© Survey & Sons", m.Attribution)
	assert.Equal(t, "image/png", m.MediaType)
	assert.Equal(t, orb.Bound{Min: orb.Point{-92, 44}, Max: orb.Point{-91, 45}}, m.Bound)
	assert.Equal(t, [2]int{1, 14}, [2]int{m.MinZoom, m.MaxZoom})

	got, ok, err := m.Tile(t.Context(), 1, 0, 0)
	require.NoError(t, err)
	require.True(t, ok)
	assert.Equal(t, north, got)
	got, _, err = m.Tile(t.Context(), 1, 0, 1)
	require.NoError(t, err)
	assert.Equal(t, south, got)
	for _, at := range [][3]int{{1, 1, 0}, {1, 2, 0}, {1, 0, 2}, {-1, 0, 0}, {1, -1, 0}, {60, 0, 0}} {
		_, ok, err := m.Tile(t.Context(), at[0], at[1], at[2])
		assert.NoError(t, err)
		assert.False(t, ok, "%v", at)
	}
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	tile := map[[3]int][]byte{{3, 2, 5}: picture(t, color.White)}
	text := filepath.Join(t.TempDir(), "notes.mbtiles")
	require.NoError(t, os.WriteFile(text, []byte("not a database, only some words about one"), 0o600))
	for _, c := range []struct{ name, path, want string }{
		{"no file", filepath.Join(t.TempDir(), "none.mbtiles"), "there is no such file"},
		{"no database", text, "read what it says of itself"},
		{"vector tiles", write(t, made{map[string]string{"format": "pbf"}, tile}), "vector tiles"},
		{"no format", write(t, made{map[string]string{}, tile}), "png, jpg and webp"},
		{"no tile", write(t, made{map[string]string{"format": "png"}, nil}), "holds no tile"},
		{"zooms", write(t, made{map[string]string{"format": "png", "minzoom": "3", "maxzoom": "99"}, tile}), "0 to 24"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := mbtiles.Open(t.Context(), c.path)
			assert.ErrorContains(t, err, c.want)
		})
	}
	m, err := mbtiles.Open(t.Context(), write(t, made{map[string]string{"format": "jpg", "bounds": "5,x,7,8"}, tile}))
	require.NoError(t, err, "what is missing is found out")
	defer m.Close()
	assert.Equal(t, [2]int{3, 3}, [2]int{m.MinZoom, m.MaxZoom})
	assert.InDelta(t, 180, m.Bound.Right(), 0)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, _, err = m.Tile(ctx, 3, 2, 2)
	assert.Error(t, err)
}
