package raster_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/terrain/raster"
)

func openBytes(b []byte) (*raster.Raster, error) {
	return raster.Open(bytes.NewReader(b), int64(len(b)))
}

// tag is an entry of a TIFF directory with its values as 16, 32 or 64 bit
// words (type 3, 4, 16) or doubles (12).
type tag struct {
	id, kind uint16
	values   []float64
}

// tiff lays out a classic TIFF file: header, directory, values, and the data
// at the offset that the returned tags were told by the caller's fill.
func tiff(order binary.AppendByteOrder, data []byte, tags ...tag) []byte {
	const head = 8
	directory := 2 + 12*len(tags) + 4
	mark := "II*\x00"
	if order.String() == "BigEndian" {
		mark = "MM\x00*"
	}
	b := order.AppendUint32([]byte(mark), head)
	b = order.AppendUint16(b, uint16(len(tags)))
	var extra []byte
	for _, t := range tags {
		var v []byte
		for _, x := range t.values {
			switch t.kind {
			case 3:
				v = order.AppendUint16(v, uint16(x))
			case 4:
				v = order.AppendUint32(v, uint32(x))
			case 12:
				v = order.AppendUint64(v, math.Float64bits(x))
			}
		}
		b = order.AppendUint16(b, t.id)
		b = order.AppendUint16(b, t.kind)
		b = order.AppendUint32(b, uint32(len(t.values)))
		if len(v) > 4 {
			b = order.AppendUint32(b, uint32(head+directory+len(data)+len(extra)))
			extra = append(extra, v...)
			continue
		}
		b = append(b, append(v, 0, 0, 0, 0)[:4]...)
	}
	b = order.AppendUint32(b, 0)
	return append(append(b, data...), extra...)
}

// placed are the tags of a small grid; further ones and ones that replace
// them follow. The data begins behind the directory.
func placed(replace ...tag) []tag {
	tags := []tag{
		{256, 3, []float64{4}},
		{257, 3, []float64{1}},
		{258, 3, []float64{32}},
		{259, 3, []float64{1}},
		{262, 3, []float64{1}},
		{273, 4, []float64{0}},
		{277, 3, []float64{1}},
		{278, 3, []float64{1}},
		{279, 4, []float64{16}},
		{317, 3, []float64{1}},
		{339, 3, []float64{3}},
		{33550, 12, []float64{1, 1, 0}},
		{33922, 12, []float64{0, 0, 0, 10, 50, 0}},
	}
next:
	for _, r := range replace {
		for i := range tags {
			if tags[i].id == r.id {
				tags[i] = r
				continue next
			}
		}
		tags = append(tags, r)
	}
	for i := range tags {
		if tags[i].id == 273 && tags[i].values[0] == 0 {
			tags[i].values = []float64{float64(8 + 2 + 12*len(tags) + 4)}
		}
	}
	return tags
}

// TestFloatPredictorBigEndian decodes 1, 2, 3, 4 laid out by hand from TIFF
// Technical Note 3: most significant bytes first in a file of either order.
func TestFloatPredictorBigEndian(t *testing.T) {
	planes := []byte{0x3f, 0x40, 0x40, 0x40, 0x80, 0x00, 0x40, 0x80, 0, 0, 0, 0, 0, 0, 0, 0}
	differences := make([]byte, len(planes))
	last := byte(0)
	for i, v := range planes {
		differences[i], last = v-last, v
	}
	var data bytes.Buffer
	w := zlib.NewWriter(&data)
	_, err := w.Write(differences)
	require.NoError(t, err)
	require.NoError(t, w.Close())
	for _, order := range []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian} {
		grid, err := openBytes(tiff(order, data.Bytes(), placed(tag{259, 3, []float64{8}}, tag{317, 3, []float64{3}},
			tag{279, 4, []float64{float64(data.Len())}})...))
		require.NoError(t, err)
		assert.Equal(t, []float64{1, 2, 3, 4}, all(t, grid), order)
	}
}

func fourFloats() []byte {
	var b []byte
	for _, v := range []float32{1, 2, 3, 4} {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
	}
	return b
}

// TestRefusedTIFF: every damaged or hostile file is refused in words, before
// it is given memory. Sources: TIFF 6.0 for what is wrong with each.
func TestRefusedTIFF(t *testing.T) {
	good := tiff(binary.LittleEndian, fourFloats(), placed()...)
	grid, err := openBytes(good)
	require.NoError(t, err)
	assert.Equal(t, []float64{1, 2, 3, 4}, all(t, grid))

	one := func(id, kind uint16, v ...float64) []byte {
		return tiff(binary.LittleEndian, fourFloats(), placed(tag{id, kind, v})...)
	}
	for _, c := range []struct {
		name string
		file []byte
		says string
	}{
		{"cut off in the directory", good[:40], "cut off"},
		{"cut off in the header", good[:6], "cut off"},
		{"directory outside", append([]byte("II*\x00\xff\xff\xff\xff"), make([]byte, 100)...), "cut off"},
		{"no width", one(256, 3, 0), "width"},
		{"a width of four milliards", one(256, 4, 4e9), "width"},
		{"one bit", one(258, 3, 1), "1 bits"},
		{"half floats", one(258, 3, 16), "16 bits in sample format 3"},
		{"JPEG", one(259, 3, 7), "JPEG"},
		{"ZSTD", one(259, 3, 50000), "ZSTD"},
		{"a colour picture", one(262, 3, 2), "picture"},
		{"tiles of 2^30 cells", tiff(binary.LittleEndian, nil, placed(tag{322, 4, []float64{1 << 30}}, tag{323, 4, []float64{1 << 30}},
			tag{324, 4, []float64{8}}, tag{325, 4, []float64{8}})...), "tiles"},
		{"a huge compressed strip", tiff(binary.LittleEndian, nil, placed(tag{259, 3, []float64{8}}, tag{256, 4, []float64{1e5}},
			tag{257, 4, []float64{1e5}}, tag{278, 4, []float64{1e5}})...), "blocks"},
		{"a short block table", one(257, 3, 9), "table of 1 blocks"},
		{"a float predictor of integers", tiff(binary.LittleEndian, nil, placed(tag{259, 3, []float64{8}}, tag{317, 3, []float64{3}},
			tag{339, 3, []float64{2}})...), "predictor 3"},
		{"no place", one(33922, 12, 0, 0), "where it lies"},
		{"cells without width", one(33550, 12, 0, 1, 0), "no width"},
		{"cells of NaN", one(33550, 12, math.NaN(), 1, 0), "no width"},
		{"control points", tiff(binary.LittleEndian, nil, placed(tag{33922, 12, make([]float64, 12)})...), "control points"},
		{"keys cut off", one(34735, 3, 1, 1, 0, 9), "key directory"},
		{"key outside", one(34735, 3, 1, 1, 0, 1, 1026, 34737, 10, 0), "outside its text"},
		{"fathoms", one(34735, 3, 1, 1, 0, 1, 4099, 0, 1, 9014), "9014"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := openBytes(c.file)
			require.Error(t, err)
			assert.Contains(t, err.Error(), c.says)
		})
	}
}

// TestDamagedBlocks: faults that only show when cells are read.
func TestDamagedBlocks(t *testing.T) {
	for name, file := range map[string][]byte{
		"strip outside the file":   tiff(binary.LittleEndian, nil, placed(tag{273, 4, []float64{1e9}})...),
		"strip shorter than cells": tiff(binary.LittleEndian, fourFloats(), placed(tag{279, 4, []float64{12}})...),
		"not deflate":              tiff(binary.LittleEndian, fourFloats(), placed(tag{259, 3, []float64{8}})...),
		"not LZW":                  tiff(binary.LittleEndian, fourFloats(), placed(tag{259, 3, []float64{5}})...),
		"PackBits cut off":         tiff(binary.LittleEndian, []byte{5, 1, 2}, placed(tag{259, 3, []float64{32773}}, tag{279, 4, []float64{3}})...),
	} {
		t.Run(name, func(t *testing.T) {
			grid, err := openBytes(file)
			require.NoError(t, err)
			_, ok, err := grid.Cell(0, 0)
			assert.Error(t, err)
			assert.False(t, ok)
		})
	}
}

func TestWindowOutside(t *testing.T) {
	grid, err := openBytes(tiff(binary.LittleEndian, fourFloats(), placed()...))
	require.NoError(t, err)
	cells := make([]float64, 4)
	assert.Error(t, grid.Window(1, 0, 4, 1, cells))
	assert.Error(t, grid.Window(-1, 0, 1, 1, cells))
	assert.Error(t, grid.Window(0, 0, 4, 1, cells[:3]), "too small a slice")
	assert.NoError(t, grid.Window(4, 1, 0, 0, nil), "nothing")
	require.NoError(t, grid.Window(1, 0, 2, 1, cells))
	assert.Equal(t, []float64{2, 3}, cells[:2])
}

// TestOlinda compares the two files of testdata, the same grid as float32
// GeoTIFF and as text that GDAL wrote from it.
func TestOlinda(t *testing.T) {
	binaryGrid, textGrid := open(t, "testdata/olinda_dem_utm25s.tif"), open(t, "testdata/olinda_dem_utm25s.asc")
	cols, rows := binaryGrid.Size()
	assert.Equal(t, []int{111, 111}, []int{cols, rows}, "ncols, nrows in the text")
	assert.Zero(t, different(all(t, binaryGrid), all(t, textGrid)))
	for row := range rows {
		for col := range cols {
			x, y := binaryGrid.Affine().Plane(float64(col)+0.5, float64(row)+0.5)
			c, r := textGrid.Affine().Cell(x, y)
			require.InDelta(t, float64(col)+0.5, c, 1e-6)
			require.InDelta(t, float64(row)+0.5, r, 1e-6)
		}
	}
}

// TestSmallFiles reads the encodings of testdata; SOURCE.md tells how GDAL
// made them from the Olinda grid.
func TestSmallFiles(t *testing.T) {
	olinda := open(t, "testdata/olinda_dem_utm25s.tif")
	want := make([]float64, 40*24)
	require.NoError(t, olinda.Window(20, 30, 40, 24, want))
	for name, describe := range map[string]string{
		"deflate": "int16, deflate", "lzw": "float32, LZW", "packbits": "uint8, PackBits",
		"bigtiff": "float64, deflate", "tiles": "int32, LZW",
	} {
		grid := open(t, "testdata/"+name+".tif")
		assert.Equal(t, "GeoTIFF, "+describe, grid.Describe())
		cells := all(t, grid)
		require.Len(t, cells, len(want))
		for i, v := range cells {
			if name == "deflate" && want[i] == 4 {
				assert.True(t, math.IsNaN(v), "4 is the no-data value of this file")
				continue
			}
			assert.Equal(t, want[i], v, name)
		}
		x, y := olinda.Affine().Plane(20, 30)
		assert.InDelta(t, x, grid.Affine().X0, 1e-6)
		assert.InDelta(t, y, grid.Affine().Y0, 1e-6)
	}
}

const ascii = "ncols 3\nnrows 2\nxllcorner 10\nyllcorner 50\ncellsize 2\nnodata_value -1\n1 2 3\n4 -1 6\n"

func TestASCII(t *testing.T) {
	nan := math.NaN()
	corner := raster.Affine{X0: 10, XCol: 2, Y0: 54, YRow: -2}
	for _, c := range []struct {
		name   string
		file   string
		cells  []float64
		affine raster.Affine
	}{
		{"corner", ascii, []float64{1, 2, 3, 4, nan, 6}, corner},
		{
			"upper case, tabs, CRLF, no last line end", strings.TrimSpace(strings.ReplaceAll(strings.ReplaceAll(strings.ToUpper(ascii), " ", "\t"), "\n", "\r\n")),
			[]float64{1, 2, 3, 4, nan, 6},
			corner,
		},
		{
			"centre", strings.NewReplacer("xllcorner", "xllcenter", "yllcorner", "yllcenter").Replace(ascii),
			[]float64{1, 2, 3, 4, nan, 6},
			raster.Affine{X0: 9, XCol: 2, Y0: 53, YRow: -2},
		},
		{"comments", "# a bank\n" + strings.Replace(ascii, "1 2", "# heights\n1 2", 1), []float64{1, 2, 3, 4, nan, 6}, corner},
		{
			"cells not square", strings.Replace(ascii, "cellsize 2", "dx 2\ndy 3", 1),
			[]float64{1, 2, 3, 4, nan, 6},
			raster.Affine{X0: 10, XCol: 2, Y0: 56, YRow: -3},
		},
		{"rows broken over lines", strings.Replace(ascii, "1 2 3\n4", "1\n2 3 4", 1), []float64{1, 2, 3, 4, nan, 6}, corner},
		// ESRI: without NODATA_VALUE it is -9999
		{"no no-data value", strings.NewReplacer("nodata_value -1\n", "", "-1", "-9999").Replace(ascii), []float64{1, 2, 3, 4, nan, 6}, corner},
		{"a large no-data value", strings.NewReplacer("-1", "1.0e31").Replace(ascii), []float64{1, 2, 3, 4, nan, 6}, corner},
		{"nan for unknown, first", strings.Replace(ascii, "1 2 3", "nan 2.5e0 +3", 1), []float64{nan, 2.5, 3, 4, nan, 6}, corner},
	} {
		t.Run(c.name, func(t *testing.T) {
			grid, err := openBytes([]byte(c.file))
			require.NoError(t, err)
			assert.Equal(t, c.affine, grid.Affine())
			for i, want := range c.cells {
				v, ok, err := grid.Cell(i%3, i/3)
				require.NoError(t, err)
				assert.Equal(t, !math.IsNaN(want), ok)
				if ok {
					assert.Equal(t, want, v)
				}
			}
			assert.Equal(t, raster.CRS{}, grid.CRS())
		})
	}
}

func TestRefusedASCII(t *testing.T) {
	for _, c := range []struct{ name, file, says string }{
		{"empty", "", "cut off"},
		{"a letter", "Dear Sir, the bank", "not an ESRI ASCII grid"},
		{"no columns", strings.Replace(ascii, "ncols 3", "", 1), "ncols"},
		{"half a column", strings.Replace(ascii, "ncols 3", "ncols 2.5", 1), "ncols"},
		{"no corner", strings.Replace(ascii, "yllcorner 50", "", 1), "yllcorner"},
		{"no cell size", strings.Replace(ascii, "cellsize 2", "", 1), "cellsize"},
		{"negative cell size", strings.Replace(ascii, "cellsize 2", "cellsize -2", 1), "cellsize"},
		{"a key twice", strings.Replace(ascii, "nrows 2", "ncols 2", 1), "twice"},
		{"a decimal comma", strings.Replace(ascii, "1 2 3", "1,5 2 3", 1), "line 7"},
		{"a missing value", strings.Replace(ascii, "1 2 3", "1 2", 1), "row 2, column 3"},
		{"a value too many", ascii + "7\n", "line 9"},
		{"a million million cells without values", "ncols 1000000\nnrows 1000000\nxllcorner 0\nyllcorner 0\ncellsize 1\n1\n", "row 1, column 2"},
		{"a word without end", strings.Replace(ascii, "1 2 3", strings.Repeat("9", 1000), 1), "too long"},
		{"no data at all", ascii[:strings.Index(ascii, "1 2 3")], "cut off"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := openBytes([]byte(c.file))
			require.Error(t, err)
			assert.Contains(t, err.Error(), c.says)
		})
	}
}

// FuzzOpen: whatever is given, reading ends without a panic and with bounded
// memory.
func FuzzOpen(f *testing.F) {
	f.Add([]byte(ascii))
	f.Add(tiff(binary.LittleEndian, fourFloats(), placed()...))
	f.Add(tiff(binary.BigEndian, fourFloats(), placed(tag{34735, 3, []float64{1, 1, 0, 1, 1025, 0, 1, 2}})...))
	for _, name := range []string{"deflate", "lzw", "packbits", "bigtiff", "tiles"} {
		b, err := os.ReadFile("testdata/" + name + ".tif")
		require.NoError(f, err)
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		grid, err := openBytes(file)
		if err != nil {
			return
		}
		cols, rows := grid.Size()
		w, h := min(cols, 8), min(rows, 8)
		cells := make([]float64, w*h)
		_ = grid.Window(0, 0, w, h, cells)
		_ = grid.Window(cols-w, rows-h, w, h, cells)
		_, _, _ = grid.Cell(cols/2, rows/2)
	})
}
