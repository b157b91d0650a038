package raster

import (
	"encoding/binary"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
)

// Tags of TIFF 6.0, GeoTIFF (OGC 19-008r4) and, from 42112 on, of GDAL.
const (
	tagSubfile         = 254
	tagWidth           = 256
	tagHeight          = 257
	tagBitsPerSample   = 258
	tagCompression     = 259
	tagPhotometric     = 262
	tagFillOrder       = 266
	tagStripOffsets    = 273
	tagSamplesPerPixel = 277
	tagRowsPerStrip    = 278
	tagStripByteCounts = 279
	tagPlanarConfig    = 284
	tagPredictor       = 317
	tagTileWidth       = 322
	tagTileLength      = 323
	tagTileOffsets     = 324
	tagTileByteCounts  = 325
	tagExtraSamples    = 338
	tagSampleFormat    = 339
	tagPixelScale      = 33550
	tagTiepoint        = 33922
	tagTransformation  = 34264
	tagGeoKeys         = 34735
	tagGeoDoubles      = 34736
	tagGeoASCII        = 34737
	tagMetadata        = 42112
	tagNoData          = 42113
)

const (
	maxEntries = 4096    // of one directory
	maxValues  = 1 << 18 // of one tag that is read whole
	maxSamples = 64      // per pixel
)

// field is the place of a tag's values in the file.
type field struct {
	kind  uint16
	count uint64
	at    int64
}

// valueSizes are the bytes of a value by TIFF type.
var valueSizes = map[uint16]int64{1: 1, 2: 1, 3: 2, 4: 4, 6: 1, 7: 1, 8: 2, 9: 4, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}

// directory reads one image file directory; values stay in the file until
// they are asked for, so that the block tables of a huge raster cost nothing.
type directory struct {
	r      io.ReaderAt
	size   int64
	order  binary.ByteOrder
	big    bool
	fields map[int]field
}

func (d *directory) bytes(at int64, n int) ([]byte, error) {
	if at < 0 || at > d.size-int64(n) {
		return nil, errCutOff
	}
	b := make([]byte, n)
	_, err := d.r.ReadAt(b, at)
	if err == io.EOF {
		err = nil // the end of the file was read
	}
	return b, err
}

// header finds the byte order, the flavour and the first directory.
func (d *directory) header() (first int64, err error) {
	b, err := d.bytes(0, 8)
	if err != nil {
		return 0, err
	}
	d.order = binary.ByteOrder(binary.LittleEndian)
	if b[0] == 'M' {
		d.order = binary.BigEndian
	}
	switch version := d.order.Uint16(b[2:]); version {
	case 42:
		return int64(d.order.Uint32(b[4:])), nil
	case 43:
		if b, err = d.bytes(4, 12); err != nil {
			return 0, err
		}
		if d.order.Uint16(b) != 8 {
			return 0, fmt.Errorf("BigTIFF offsets have %d bytes, not 8", d.order.Uint16(b))
		}
		d.big = true
		return int64(d.order.Uint64(b[4:])), nil
	default:
		return 0, fmt.Errorf("not a TIFF file: version %d", version)
	}
}

// read reads the directory at an offset and returns that of the next, 0 after
// the last.
func (d *directory) read(at int64) (next int64, err error) {
	countSize, entrySize, inline := 2, 12, int64(4)
	if d.big {
		countSize, entrySize, inline = 8, 20, 8
	}
	word := func(b []byte) uint64 {
		if d.big {
			return d.order.Uint64(b)
		}
		return uint64(d.order.Uint32(b))
	}
	b, err := d.bytes(at, countSize)
	if err != nil {
		return 0, err
	}
	n := uint64(d.order.Uint16(b))
	if d.big {
		n = d.order.Uint64(b)
	}
	if n > maxEntries {
		return 0, fmt.Errorf("a directory of %d entries", n)
	}
	at += int64(countSize)
	if b, err = d.bytes(at, int(n)*entrySize+int(inline)); err != nil {
		return 0, err
	}
	d.fields = make(map[int]field, n)
	for i := range int(n) {
		e := b[i*entrySize:][:entrySize]
		f := field{kind: d.order.Uint16(e[2:]), count: word(e[4:]), at: at + int64((i+1)*entrySize) - inline}
		if size := valueSizes[f.kind]; size != 0 && f.count > uint64(inline/size) {
			if offset := word(e[4+inline:]); offset <= math.MaxInt64 {
				f.at = int64(offset)
			} else {
				f.at = math.MaxInt64
			}
		}
		d.fields[int(d.order.Uint16(e))] = f
	}
	next = int64(word(b[int(n)*entrySize:]))
	return next, nil
}

func (d *directory) has(tag int) bool { _, ok := d.fields[tag]; return ok }

// at reads the i-th value of an integer tag.
func (d *directory) at(tag int, i uint64) (uint64, error) {
	f := d.fields[tag]
	if i >= f.count {
		return 0, fmt.Errorf("TIFF tag %d has %d values, not %d", tag, f.count, i+1)
	}
	size := valueSizes[f.kind]
	if size == 0 || f.at > d.size || i > uint64(d.size)/uint64(size) {
		return 0, errCutOff
	}
	b, err := d.bytes(f.at+int64(i)*size, int(size))
	if err != nil {
		return 0, err
	}
	switch f.kind {
	case 1:
		return uint64(b[0]), nil
	case 3:
		return uint64(d.order.Uint16(b)), nil
	case 4, 13:
		return uint64(d.order.Uint32(b)), nil
	case 16, 18:
		return d.order.Uint64(b), nil
	}
	return 0, fmt.Errorf("TIFF tag %d is not a whole number", tag)
}

// number reads a tag of one value, or gives its default when it is missing.
func (d *directory) number(tag int, missing uint64) (uint64, error) {
	if !d.has(tag) {
		return missing, nil
	}
	return d.at(tag, 0)
}

// whole checks that a tag may be read whole and returns its bytes.
func (d *directory) whole(tag int) ([]byte, field, error) {
	f, ok := d.fields[tag]
	if !ok {
		return nil, f, nil
	}
	size := valueSizes[f.kind]
	if size == 0 || f.count > maxValues {
		return nil, f, fmt.Errorf("TIFF tag %d has %d values of type %d", tag, f.count, f.kind)
	}
	b, err := d.bytes(f.at, int(f.count)*int(size))
	return b, f, err
}

func (d *directory) doubles(tag int) ([]float64, error) {
	b, f, err := d.whole(tag)
	if err != nil || b == nil {
		return nil, err
	}
	if f.kind != 12 {
		return nil, fmt.Errorf("TIFF tag %d does not hold doubles", tag)
	}
	v := make([]float64, f.count)
	for i := range v {
		v[i] = math.Float64frombits(d.order.Uint64(b[8*i:]))
	}
	return v, nil
}

func (d *directory) shorts(tag int) ([]uint64, error) {
	b, f, err := d.whole(tag)
	if err != nil || b == nil {
		return nil, err
	}
	if f.kind != 3 {
		return nil, fmt.Errorf("TIFF tag %d does not hold shorts", tag)
	}
	v := make([]uint64, f.count)
	for i := range v {
		v[i] = uint64(d.order.Uint16(b[2*i:]))
	}
	return v, nil
}

func (d *directory) text(tag int) (string, error) {
	b, _, err := d.whole(tag)
	return strings.TrimRight(string(b), "\x00"), err
}

// georeference reads where the cells lie and in which plane.
func (d *directory) georeference() (a Affine, c CRS, err error) {
	keys, err := d.shorts(tagGeoKeys)
	if err != nil {
		return a, c, err
	}
	values, err := d.doubles(tagGeoDoubles)
	if err != nil {
		return a, c, err
	}
	text, err := d.text(tagGeoASCII)
	if err != nil {
		return a, c, err
	}
	if c, err = readKeys(keys, values, text); err != nil {
		return a, c, err
	}
	scale, err := d.doubles(tagPixelScale)
	if err != nil {
		return a, c, err
	}
	tie, err := d.doubles(tagTiepoint)
	if err != nil {
		return a, c, err
	}
	matrix, err := d.doubles(tagTransformation)
	if err != nil {
		return a, c, err
	}
	switch {
	case len(scale) >= 2 && len(tie) == 6:
		a = Affine{XCol: scale[0], YRow: -scale[1]}
		a.X0, a.Y0 = tie[3]-tie[0]*scale[0], tie[4]+tie[1]*scale[1]
	case len(matrix) == 16:
		a = Affine{X0: matrix[3], XCol: matrix[0], XRow: matrix[1], Y0: matrix[7], YCol: matrix[4], YRow: matrix[5]}
	case len(tie) > 6:
		return a, c, fmt.Errorf("the GeoTIFF is placed by control points; warp it to a grid first")
	default:
		return a, c, fmt.Errorf("the TIFF file says nothing about where it lies")
	}
	if c.key(keyRasterType) == rasterIsPoint { // the position given is a cell's centre
		a = a.shift(-0.5, -0.5)
	}
	return a, c, nil
}

// noData returns the value that stands for "unknown", NaN when there is none.
func (d *directory) noData(k kind) (float64, error) {
	text, err := d.text(tagNoData)
	text = strings.TrimSpace(text)
	if err != nil || text == "" {
		return math.NaN(), err
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, fmt.Errorf("the no-data value %.40q is not a number", text)
	}
	if k == float32Kind {
		v = float64(float32(v))
	}
	return v, nil
}

// scaling reads the scale and offset that GDAL keeps as XML.
func (d *directory) scaling() (scale, offset float64, err error) {
	scale, offset = 1, 0
	text, err := d.text(tagMetadata)
	if err != nil || text == "" {
		return scale, offset, err
	}
	var metadata struct {
		Items []struct {
			Role   string `xml:"role,attr"`
			Sample int    `xml:"sample,attr"`
			Value  string `xml:",chardata"`
		} `xml:"Item"`
	}
	if err := xml.Unmarshal([]byte(text), &metadata); err != nil {
		return scale, offset, fmt.Errorf("the metadata tag is not XML: %w", err)
	}
	for _, item := range metadata.Items {
		into := &scale
		switch {
		case item.Sample != 0 || item.Role != "scale" && item.Role != "offset":
			continue
		case item.Role == "offset":
			into = &offset
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(item.Value), 64)
		if err != nil || v-v != 0 {
			return scale, offset, fmt.Errorf("the %s %.40q of the cells is not a number", item.Role, item.Value)
		}
		*into = v
	}
	if scale == 0 {
		return scale, offset, fmt.Errorf("the scale of the cells is zero")
	}
	return scale, offset, nil
}
