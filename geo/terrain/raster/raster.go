// Package raster reads elevation grids, GeoTIFF and ESRI ASCII, as cells in
// the file's own plane and units. It reads windows of a file of any size
// through a small cache of decoded blocks and never loads the whole.
//
// A cell that the file marks as having no value, or leaves out, is unknown
// and read as NaN. It is never zero.
package raster

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
)

const (
	// maxSide bounds the columns and the rows of a raster.
	maxSide = 1 << 30
	// maxBlockBytes bounds one decoded block, so that a damaged or hostile
	// file cannot ask for more.
	maxBlockBytes = 32 << 20
	// cacheBytes is the memory of the decoded blocks of one open raster.
	cacheBytes = 48 << 20
)

// Raster is an open elevation grid. It is safe for concurrent use as long as
// its reader is.
type Raster struct {
	layout
	source   source
	cache    *cache
	affine   Affine
	crs      CRS
	nodata   float64 // NaN: none stated
	scale    float64
	offset   float64
	describe string
}

// layout is the shape of a raster and of the blocks it is stored in. The
// blocks of the last column and row may stand over the edge.
type layout struct {
	cols, rows           int
	blockCols, blockRows int
	kind                 kind
}

func (l layout) blockBytes() int { return l.blockCols * l.blockRows * l.kind.size() }

// source decodes the blocks of a file.
type source interface {
	// decode returns the little-endian samples of a block, row by row, or nil
	// for a block that the file leaves out.
	decode(bx, by int) ([]byte, error)
}

// Open reads the headers of a GeoTIFF or ESRI ASCII grid of size bytes and
// checks them. An ASCII grid is read through once to find its rows and to
// check its numbers. The reader must stay open as long as the Raster is used.
func Open(r io.ReaderAt, size int64) (*Raster, error) {
	magic := make([]byte, 4)
	if _, err := r.ReadAt(magic, 0); err != nil {
		return nil, fmt.Errorf("open raster: %w", short(err))
	}
	open := openASCII
	if bytes.HasPrefix(magic, []byte("II")) || bytes.HasPrefix(magic, []byte("MM")) {
		open = openTIFF
	}
	raster, err := open(r, size)
	if err != nil {
		return nil, fmt.Errorf("open raster: %w", short(err))
	}
	if !raster.affine.regular() {
		return nil, fmt.Errorf("open raster: its cells have no width or height")
	}
	raster.cache = newCache(cacheBytes)
	return raster, nil
}

var errCutOff = errors.New("the file is cut off")

// short names the end of the file as what it is to a person.
func short(err error) error {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return errCutOff
	}
	return err
}

// Size returns the number of columns and rows.
func (r *Raster) Size() (cols, rows int) { return r.cols, r.rows }

// Block returns the size in cells of the blocks the file is stored in:
// windows along them are read fastest.
func (r *Raster) Block() (cols, rows int) { return r.blockCols, r.blockRows }

// Band returns how many columns wide a stretch may be so that the two rows of
// blocks under a window across their border stay in memory; at least a block.
func (r *Raster) Band() int {
	return max(1, cacheBytes/r.blockBytes()/2) * r.blockCols
}

// Affine returns the position of the cells in the raster's plane.
func (r *Raster) Affine() Affine { return r.affine }

// CRS returns what the file says about its plane; an ASCII grid says nothing.
func (r *Raster) CRS() CRS { return r.crs }

// Describe names format, cell type and compression, such as
// "GeoTIFF, int16, deflate".
func (r *Raster) Describe() string { return r.describe }

// Cell returns the value of one cell in the file's unit; ok is false when it
// is unknown or outside the raster.
func (r *Raster) Cell(col, row int) (v float64, ok bool, err error) {
	if col < 0 || row < 0 || col >= r.cols || row >= r.rows {
		return 0, false, nil
	}
	block, err := r.block(col/r.blockCols, row/r.blockRows)
	if err != nil || block == nil {
		return 0, false, err
	}
	var one [1]float64
	at := ((row%r.blockRows)*r.blockCols + col%r.blockCols) * r.kind.size()
	r.values(one[:], block[at:])
	return one[0], !math.IsNaN(one[0]), nil
}

// Window reads a rectangle of cells, row by row, into dst, NaN where a cell
// is unknown. The rectangle must lie inside the raster and dst hold it.
func (r *Raster) Window(col, row, cols, rows int, dst []float64) error {
	if col < 0 || row < 0 || cols < 0 || rows < 0 || cols > r.cols-col || rows > r.rows-row {
		return fmt.Errorf("read raster: window of %d × %d cells at column %d, row %d is outside %d × %d", cols, rows, col, row, r.cols, r.rows)
	}
	if cols != 0 && len(dst)/cols < rows {
		return fmt.Errorf("read raster: %d cells do not fit %d", cols*rows, len(dst))
	}
	if cols == 0 || rows == 0 {
		return nil
	}
	size := r.kind.size()
	for by := row / r.blockRows; by <= (row+rows-1)/r.blockRows; by++ {
		top, bottom := max(row, by*r.blockRows), min(row+rows, (by+1)*r.blockRows)
		for bx := col / r.blockCols; bx <= (col+cols-1)/r.blockCols; bx++ {
			block, err := r.block(bx, by)
			if err != nil {
				return err
			}
			left, right := max(col, bx*r.blockCols), min(col+cols, (bx+1)*r.blockCols)
			for y := top; y < bottom; y++ {
				out := dst[(y-row)*cols+left-col:][:right-left]
				if block == nil {
					unknown(out)
					continue
				}
				r.values(out, block[((y-by*r.blockRows)*r.blockCols+left-bx*r.blockCols)*size:])
			}
		}
	}
	return nil
}

func unknown(dst []float64) {
	for i := range dst {
		dst[i] = math.NaN()
	}
}

// block returns a decoded block, nil when the file leaves it out.
func (r *Raster) block(bx, by int) ([]byte, error) {
	return r.cache.get([2]int{bx, by}, func() ([]byte, error) {
		b, err := r.source.decode(bx, by)
		if err != nil {
			return nil, fmt.Errorf("read raster: block %d, %d: %w", bx, by, short(err))
		}
		return b, nil
	})
}

// values turns samples into heights in the file's unit.
func (r *Raster) values(dst []float64, src []byte) {
	r.kind.floats(dst, src)
	for i, v := range dst {
		if v == r.nodata || v-v != 0 { // no value, NaN or infinite
			dst[i] = math.NaN()
		}
	}
	if r.scale != 1 || r.offset != 0 {
		for i := range dst {
			dst[i] = dst[i]*r.scale + r.offset
		}
	}
}

// kind is the type of a sample.
type kind int

const (
	uint8Kind kind = iota
	int8Kind
	uint16Kind
	int16Kind
	uint32Kind
	int32Kind
	float32Kind
	float64Kind
)

func (k kind) String() string {
	return [...]string{"uint8", "int8", "uint16", "int16", "uint32", "int32", "float32", "float64"}[k]
}

// size is the number of bytes of a sample.
func (k kind) size() int { return [...]int{1, 1, 2, 2, 4, 4, 4, 8}[k] }

// floats converts len(dst) little-endian samples.
func (k kind) floats(dst []float64, src []byte) {
	src = src[:len(dst)*k.size()]
	switch k {
	case uint8Kind:
		for i := range dst {
			dst[i] = float64(src[i])
		}
	case int8Kind:
		for i := range dst {
			dst[i] = float64(int8(src[i]))
		}
	case uint16Kind:
		for i := range dst {
			dst[i] = float64(binary.LittleEndian.Uint16(src[2*i:]))
		}
	case int16Kind:
		for i := range dst {
			dst[i] = float64(int16(binary.LittleEndian.Uint16(src[2*i:])))
		}
	case uint32Kind:
		for i := range dst {
			dst[i] = float64(binary.LittleEndian.Uint32(src[4*i:]))
		}
	case int32Kind:
		for i := range dst {
			dst[i] = float64(int32(binary.LittleEndian.Uint32(src[4*i:])))
		}
	case float32Kind:
		for i := range dst {
			dst[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(src[4*i:])))
		}
	case float64Kind:
		for i := range dst {
			dst[i] = math.Float64frombits(binary.LittleEndian.Uint64(src[8*i:]))
		}
	}
}
