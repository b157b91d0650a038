package raster_test

import (
	"bytes"
	"encoding/binary"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// bigTIFF writes a BigTIFF of side × side float32 tiles of 256 cells, whose
// tiles lie in the file one after another, and fills some of them with the
// number of the tile. The rest of the file is a hole: it takes no disk.
func bigTIFF(t *testing.T, side int, filled ...int) string {
	t.Helper()
	const tile = 256 * 256 * 4
	tiles := side * side
	path := filepath.Join(t.TempDir(), "big.tif")
	f, err := os.Create(path)
	require.NoError(t, err)
	defer f.Close()

	order := binary.LittleEndian
	entries := []struct {
		tag, kind uint16
		count     int
		value     uint64
	}{
		{256, 4, 1, uint64(256 * side)},
		{257, 4, 1, uint64(256 * side)},
		{258, 3, 1, 32},
		{259, 3, 1, 1},
		{262, 3, 1, 1},
		{277, 3, 1, 1},
		{322, 3, 1, 256},
		{323, 3, 1, 256},
		{324, 16, tiles, 0},
		{325, 4, tiles, 0},
		{339, 3, 1, 3},
		{33550, 12, 3, 0},
		{33922, 12, 6, 0},
	}
	head := 16 + 8 + 20*len(entries) + 8
	at := head
	place := func(n int) uint64 { at += n; return uint64(at - n) }
	entries[8].value, entries[9].value = place(8*tiles), place(4*tiles)
	entries[11].value, entries[12].value = place(24), place(48)

	b := []byte("II\x2b\x00\x08\x00\x00\x00\x10\x00\x00\x00\x00\x00\x00\x00")
	b = order.AppendUint64(b, uint64(len(entries)))
	for _, e := range entries {
		b = order.AppendUint16(b, e.tag)
		b = order.AppendUint16(b, e.kind)
		b = order.AppendUint64(b, uint64(e.count))
		b = order.AppendUint64(b, e.value)
	}
	b = order.AppendUint64(b, 0)
	data := int64(at)
	for i := range tiles {
		b = order.AppendUint64(b, uint64(data)+uint64(i)*tile)
	}
	for range tiles {
		b = order.AppendUint32(b, tile)
	}
	for _, v := range []float64{1, 1, 0, 0, 0, 0, 300000, 5000000, 0} {
		b = order.AppendUint64(b, math.Float64bits(v))
	}
	_, err = f.Write(b)
	require.NoError(t, err)
	for _, i := range filled {
		cell := order.AppendUint32(nil, math.Float32bits(float32(i)))
		_, err = f.WriteAt(bytes.Repeat(cell, tile/4), data+int64(i)*tile)
		require.NoError(t, err)
	}
	require.NoError(t, f.Truncate(data+int64(tiles)*tile))
	return path
}

// heap watches the largest heap since it was made.
type heap struct{ before, most uint64 }

func (h *heap) look() {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	h.most = max(h.most, m.HeapAlloc)
}

func watch() *heap {
	runtime.GC()
	h := &heap{}
	h.look()
	h.before = h.most
	return h
}

func (h *heap) megabytes() float64 { return float64(h.most-h.before) / (1 << 20) }

// TestLargeFile reads windows all over a file of 10 GB and rows of its whole
// width, in little memory. Source of the cells: what was written above.
func TestLargeFile(t *testing.T) {
	const side, seed = 196, 3
	t.Logf("seed %d", seed)
	filled := []int{0, 195, 196 * 100, 196*100 + 55, 196*196 - 1}
	path := bigTIFF(t, side, filled...)
	info, err := os.Stat(path)
	require.NoError(t, err)
	require.Greater(t, info.Size(), int64(10e9))

	h := watch()
	grid := open(t, path)
	h.look()
	assert.Less(t, h.megabytes(), 1.0, "opening reads no tables")
	for _, i := range filled {
		v, ok, err := grid.Cell(i%side*256+17, i/side*256+200)
		require.NoError(t, err)
		assert.True(t, ok)
		assert.Equal(t, float64(i), v)
	}
	r := rand.New(rand.NewPCG(seed, 0))
	window := make([]float64, 300*300)
	for range 300 {
		require.NoError(t, grid.Window(r.IntN(side*256-300), r.IntN(side*256-300), 300, 300, window))
		h.look()
	}
	cols, _ := grid.Size()
	assert.GreaterOrEqual(t, grid.Band(), 256*80)
	row := make([]float64, cols)
	for y := 100*256 - 20; y < 100*256+20; y++ { // across the edge of a row of tiles
		require.NoError(t, grid.Window(0, y, cols, 1, row))
		h.look()
	}
	assert.Equal(t, float64(196*100+55), row[55*256])
	t.Logf("%.1f GB file, at most %.0f MB of heap", float64(info.Size())/1e9, h.megabytes())
	assert.Less(t, h.megabytes(), 150.0)
}

// TestSparseFile reads a GDAL file of 40 GB whose tiles are all left out.
func TestSparseFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "sparse.tif")
	run(t, "gdal_create", "-q", "-outsize", "100000", "100000", "-ot", "Float32", "-a_srs", "EPSG:32617", "-a_ullr", "300000", "5000000", "400000", "4900000",
		"-co", "TILED=YES", "-co", "SPARSE_OK=TRUE", "-co", "BIGTIFF=YES", path)
	h := watch()
	grid := open(t, path)
	cells := make([]float64, 100000)
	for y := 0; y < 100000; y += 1000 {
		require.NoError(t, grid.Window(0, y, 100000, 1, cells))
		h.look()
	}
	assert.Less(t, h.megabytes(), 20.0)
	for _, v := range cells {
		require.True(t, math.IsNaN(v), "a block left out is unknown, not zero")
	}
}

// TestHostileMemory: files that state large sizes but hold next to nothing
// cost next to nothing.
func TestHostileMemory(t *testing.T) {
	wide := []float64{1 << 30}
	for name, file := range map[string][]byte{
		"a milliard rows":         tiff(binary.LittleEndian, nil, placed(tag{257, 4, wide}, tag{278, 4, wide})...),
		"a milliard columns":      tiff(binary.LittleEndian, nil, placed(tag{256, 4, wide})...),
		"a tag of a milliard":     append(tiff(binary.LittleEndian, nil, placed()...), 0)[:20],
		"a directory in a circle": tiff(binary.LittleEndian, fourFloats(), placed()...),
		"text of many cells":      []byte("ncols 1000000\nnrows 1\nxllcorner 0\nyllcorner 0\ncellsize 1\n0\n"),
	} {
		t.Run(name, func(t *testing.T) {
			if name == "a directory in a circle" {
				next := 8 + 2 + 12*len(placed())
				binary.LittleEndian.PutUint32(file[next:], 8)
			}
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			grid, err := openBytes(file)
			if err == nil {
				_, _, _ = grid.Cell(0, 0)
			}
			runtime.ReadMemStats(&after)
			assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(40<<20))
		})
	}
}
