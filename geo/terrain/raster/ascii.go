package raster

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// defaultNoData is what stands for "unknown" where an ASCII grid does not say
// (ESRI's description of the format).
const defaultNoData = -9999

// maxToken bounds a word of an ASCII grid.
const maxToken = 64

// words reads the words of a text one after another and knows where it is.
type words struct {
	r    io.ReaderAt
	at   int64 // of the next byte of buf in the file
	end  int64
	buf  []byte
	next int // in buf
	line int
	word [maxToken]byte
}

func newWords(r io.ReaderAt, at, end int64) *words {
	return &words{r: r, at: at, end: end, buf: make([]byte, 0, 64<<10), line: 1}
}

// position is the offset in the file of the next byte to be read.
func (w *words) position() int64 { return w.at - int64(len(w.buf)-w.next) }

func (w *words) peek() (byte, error) {
	if w.next == len(w.buf) {
		n := min(int64(cap(w.buf)), w.end-w.at)
		if n <= 0 {
			return 0, io.EOF
		}
		got, err := w.r.ReadAt(w.buf[:n], w.at)
		if got == 0 {
			if err == nil {
				err = io.ErrNoProgress
			}
			return 0, err
		}
		w.buf, w.next, w.at = w.buf[:got], 0, w.at+int64(got)
	}
	return w.buf[w.next], nil
}

// space skips white space and, where it begins a line, comments.
func (w *words) space() error {
	for {
		c, err := w.peek()
		if err != nil {
			return err
		}
		switch c {
		case '\n':
			w.line++
		case ' ', '\t', '\r', 0x1a: // 0x1a: the end mark of old systems
		case '#':
			for c != '\n' {
				w.next++
				if c, err = w.peek(); err != nil {
					return err
				}
			}
			continue
		default:
			return nil
		}
		w.next++
	}
}

// read returns the next word, io.EOF at the end. The word is overwritten by
// the next read.
func (w *words) read() ([]byte, error) {
	if err := w.space(); err != nil {
		return nil, err
	}
	n := 0
	for {
		c, err := w.peek()
		if err == io.EOF || err == nil && (c <= ' ' || c == 0x1a) {
			return w.word[:n], nil
		}
		if err != nil {
			return nil, err
		}
		if n == maxToken {
			return nil, fmt.Errorf("line %d: %.20q… is too long for a number", w.line, w.word[:n])
		}
		w.word[n] = c
		n++
		w.next++
	}
}

// number reads a cell. NaN is a word for "unknown".
func (w *words) number() (float64, error) {
	word, err := w.read()
	if err != nil {
		return 0, err
	}
	v, err := strconv.ParseFloat(string(word), 64)
	if err != nil {
		return 0, fmt.Errorf("line %d: %q is not a number", w.line, word)
	}
	return v, nil
}

// asciiGrid decodes the rows of an ASCII grid.
type asciiGrid struct {
	layout
	r     io.ReaderAt
	size  int64
	start []int64 // offset of each block
}

func openASCII(r io.ReaderAt, size int64) (*Raster, error) {
	w := newWords(r, 0, size)
	raster, err := readHeader(w)
	if err != nil {
		return nil, err
	}
	t := &asciiGrid{layout: raster.layout, r: r, size: size}
	raster.source = t
	for row := range t.rows {
		if row%t.blockRows == 0 {
			t.start = append(t.start, w.position())
		}
		for col := range t.cols {
			if _, err := w.number(); err == io.EOF {
				return nil, fmt.Errorf("the grid ends at row %d, column %d of %d × %d", row+1, col+1, t.rows, t.cols)
			} else if err != nil {
				return nil, err
			}
		}
	}
	if extra, err := w.read(); err == nil {
		return nil, fmt.Errorf("line %d: %q follows the last of %d × %d values; are ncols and nrows right?", w.line, extra, t.rows, t.cols)
	} else if err != io.EOF {
		return nil, err
	}
	return raster, nil
}

// readHeader reads the "name value" pairs up to the first number.
func readHeader(w *words) (*Raster, error) {
	header := map[string]float64{}
	for {
		if err := w.space(); err != nil {
			return nil, fmt.Errorf("not a GeoTIFF and not an ESRI ASCII grid: %w", short(err))
		}
		if c, _ := w.peek(); c < 'A' {
			break // digits, signs and the point come before the letters
		}
		start, line := w.position(), w.line
		word, err := w.read()
		if err != nil {
			return nil, fmt.Errorf("not a GeoTIFF and not an ESRI ASCII grid: %w", err)
		}
		key := strings.ToLower(string(word))
		if key == "nan" { // the first cell is unknown
			*w = *newWords(w.r, start, w.end)
			w.line = line
			break
		}
		switch key {
		case "ncols", "nrows", "xllcorner", "xllcenter", "yllcorner", "yllcenter", "cellsize", "dx", "dy", "nodata_value", "nodata":
		default:
			return nil, fmt.Errorf("line %d: not a GeoTIFF and not an ESRI ASCII grid: %q", w.line, key)
		}
		if _, ok := header[key]; ok {
			return nil, fmt.Errorf("line %d: %s is given twice", w.line, key)
		}
		v, err := w.number()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", key, short(err))
		}
		header[key] = v
	}
	return gridFrom(header)
}

func gridFrom(header map[string]float64) (*Raster, error) {
	raster := &Raster{scale: 1, nodata: defaultNoData, describe: "ESRI ASCII grid"}
	raster.kind = float64Kind
	for key, into := range map[string]*int{"ncols": &raster.cols, "nrows": &raster.rows} {
		v, ok := header[key]
		if !ok || v != math.Trunc(v) || !(v >= 1 && v <= maxSide) {
			return nil, fmt.Errorf("%s is missing or not a whole number from 1 on", key)
		}
		*into = int(v)
	}
	for _, key := range []string{"nodata_value", "nodata"} {
		if v, ok := header[key]; ok {
			raster.nodata = v
		}
	}
	dx, okX := header["dx"]
	dy, okY := header["dy"]
	if size, ok := header["cellsize"]; ok {
		dx, dy, okX, okY = size, size, true, true
	}
	if !okX || !okY || !(dx > 0) || !(dy > 0) {
		return nil, fmt.Errorf("cellsize is missing or not above zero")
	}
	x, shiftX, err := corner(header, "xll", dx)
	if err != nil {
		return nil, err
	}
	y, shiftY, err := corner(header, "yll", dy)
	if err != nil {
		return nil, err
	}
	raster.affine = Affine{X0: x - shiftX, XCol: dx, Y0: y - shiftY + dy*float64(raster.rows), YRow: -dy}
	raster.blockCols, raster.blockRows = raster.cols, max(1, min(raster.rows, 1<<15/raster.cols))
	if raster.blockBytes() > maxBlockBytes {
		return nil, fmt.Errorf("rows of %d cells are too long; convert the grid to a tiled GeoTIFF", raster.cols)
	}
	return raster, nil
}

// corner reads the lower left corner in one direction; shift is half a cell
// where the file gives the centre of the first cell.
func corner(header map[string]float64, key string, size float64) (v, shift float64, err error) {
	if v, ok := header[key+"corner"]; ok {
		return v, 0, nil
	}
	if v, ok := header[key+"center"]; ok {
		return v, size / 2, nil
	}
	return 0, 0, fmt.Errorf("%scorner or %scenter is missing", key, key)
}

// decode implements source.
func (t *asciiGrid) decode(_, by int) ([]byte, error) {
	buf := make([]byte, t.blockBytes())
	w := newWords(t.r, t.start[by], t.size)
	n := min(t.blockRows, t.rows-by*t.blockRows) * t.cols
	for i := range n {
		v, err := w.number()
		if err != nil {
			return nil, err
		}
		binary.LittleEndian.PutUint64(buf[8*i:], math.Float64bits(v))
	}
	return buf, nil
}
