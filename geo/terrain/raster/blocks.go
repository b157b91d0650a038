package raster

import (
	"bufio"
	"compress/zlib"
	"encoding/binary"
	"fmt"
	"io"
	"sync"

	"golang.org/x/image/tiff/lzw"
)

// compression is a TIFF compression scheme.
type compression uint64

const (
	uncompressed compression = 1
	lzwCoded     compression = 5
	deflated     compression = 8
	deflatedOld  compression = 32946
	packBits     compression = 32773
)

var compressionNames = map[compression]string{
	uncompressed: "uncompressed", lzwCoded: "LZW", deflated: "deflate", deflatedOld: "deflate", packBits: "PackBits",
	// known, but not read
	2: "CCITT", 3: "CCITT", 4: "CCITT", 6: "JPEG", 7: "JPEG", 34887: "LERC", 34925: "LZMA", 50000: "ZSTD", 50001: "WebP",
}

// blocks decodes the strips or tiles of a GeoTIFF.
type blocks struct {
	layout
	d           *directory
	offsets     int // tags of the block tables
	counts      int
	across      int // blocks in a row of them
	perStrip    int // blocks made of one uncompressed strip; 1 otherwise
	stripRows   int
	tiled       bool
	samples     int // interleaved in a block; the first is read
	compression compression
	predictor   uint64
	inflaters   sync.Pool
}

func openTIFF(r io.ReaderAt, size int64) (*Raster, error) {
	d := &directory{r: r, size: size}
	first, err := d.header()
	if err != nil {
		return nil, err
	}
	next, err := d.read(first)
	if err != nil {
		return nil, err
	}
	b, err := newBlocks(d)
	if err != nil {
		return nil, err
	}
	if err := noMask(d, next); err != nil {
		return nil, err
	}
	raster := &Raster{
		layout: b.layout, source: b,
		describe: fmt.Sprintf("GeoTIFF, %s, %s", b.kind, compressionNames[b.compression]),
	}
	if raster.affine, raster.crs, err = d.georeference(); err != nil {
		return nil, err
	}
	if raster.nodata, err = d.noData(b.kind); err != nil {
		return nil, err
	}
	if raster.scale, raster.offset, err = d.scaling(); err != nil {
		return nil, err
	}
	return raster, nil
}

// noMask looks through the directories that follow for a mask of valid cells,
// which is not read: without it unknown cells would pass for heights.
func noMask(d *directory, next int64) error {
	const most = 64 // reduced copies and masks of them; also ends a loop of directories
	other := &directory{r: d.r, size: d.size, order: d.order, big: d.big}
	for i := 0; next != 0 && i < most; i++ {
		at := next
		var err error
		if next, err = other.read(at); err != nil {
			return nil // the grid itself is whole
		}
		if subfile, _ := other.number(tagSubfile, 0); subfile&4 != 0 && subfile&1 == 0 {
			return fmt.Errorf("the GeoTIFF marks its valid cells by a mask, which is not read; rewrite it with a no-data value")
		}
	}
	return nil
}

func newBlocks(d *directory) (*blocks, error) {
	b := &blocks{d: d, perStrip: 1}
	for _, step := range []func() error{b.readSize, b.readKind, b.readCoding, b.readShape} {
		if err := step(); err != nil {
			return nil, err
		}
	}
	if line := b.lineBytes(); b.blockRows > maxBlockBytes/line {
		return nil, fmt.Errorf("the GeoTIFF is stored in blocks of %d × %d cells, more than %d MiB each; rewrite it in tiles", b.blockCols, b.blockRows, maxBlockBytes>>20)
	}
	return b, nil
}

// lineBytes is the size of a line of a block with all its samples.
func (b *blocks) lineBytes() int { return b.blockCols * b.samples * b.kind.size() }

// side reads a length in cells.
func (b *blocks) side(tag int, name string) (int, error) {
	v, err := b.d.number(tag, 0)
	if err != nil {
		return 0, err
	}
	if v == 0 || v > maxSide {
		return 0, fmt.Errorf("%s of %d cells is not 1 to %d", name, v, maxSide)
	}
	return int(v), nil
}

func (b *blocks) readSize() (err error) {
	if b.cols, err = b.side(tagWidth, "a width"); err != nil {
		return err
	}
	b.rows, err = b.side(tagHeight, "a height")
	return err
}

func (b *blocks) readKind() error {
	photometric, err := b.d.number(tagPhotometric, 1)
	if err != nil {
		return err
	}
	if photometric > 1 {
		return fmt.Errorf("the TIFF file is a picture (photometric interpretation %d), not an elevation grid", photometric)
	}
	samples, err := b.d.number(tagSamplesPerPixel, 1)
	if err != nil {
		return err
	}
	if samples < 1 || samples > maxSamples {
		return fmt.Errorf("%d values in a cell are not 1 to %d", samples, maxSamples)
	}
	b.samples = int(samples)
	for i := range b.d.fields[tagExtraSamples].count {
		if extra, err := b.d.at(tagExtraSamples, i); err != nil || extra != 0 || i >= maxSamples {
			return fmt.Errorf("the GeoTIFF marks its valid cells by an alpha band, which is not read; rewrite it with a no-data value")
		}
	}
	bits, err := b.d.number(tagBitsPerSample, 1)
	if err != nil {
		return err
	}
	format, err := b.d.number(tagSampleFormat, 1)
	if err != nil {
		return err
	}
	kinds := map[[2]uint64]kind{
		{1, 8}: uint8Kind, {2, 8}: int8Kind, {1, 16}: uint16Kind, {2, 16}: int16Kind,
		{1, 32}: uint32Kind, {2, 32}: int32Kind, {3, 32}: float32Kind, {3, 64}: float64Kind,
	}
	k, ok := kinds[[2]uint64{format, bits}]
	if !ok {
		return fmt.Errorf("cells of %d bits in sample format %d are not read; 8, 16 and 32 bit integers, 32 and 64 bit floats are", bits, format)
	}
	b.kind = k
	return nil
}

func (b *blocks) readCoding() error {
	c, err := b.d.number(tagCompression, 1)
	if err != nil {
		return err
	}
	b.compression = compression(c)
	switch b.compression {
	case uncompressed, lzwCoded, deflated, deflatedOld, packBits:
	default:
		return fmt.Errorf("compression %d %s is not read; rewrite the GeoTIFF with deflate", c, compressionNames[b.compression])
	}
	if order, err := b.d.number(tagFillOrder, 1); err != nil || order != 1 {
		return fmt.Errorf("bits in reversed order (fill order %d) are not read", order)
	}
	if b.predictor, err = b.d.number(tagPredictor, 1); err != nil {
		return err
	}
	if b.compression == uncompressed || b.compression == packBits {
		b.predictor = 1 // defined for LZW and deflate only
	}
	float := b.kind == float32Kind || b.kind == float64Kind
	if b.predictor < 1 || b.predictor > 3 || b.predictor == 3 && !float {
		return fmt.Errorf("predictor %d of %s cells is not read", b.predictor, b.kind)
	}
	return nil
}

// readShape finds the blocks. The strips of an uncompressed grid may be as
// large as the grid and are read in smaller parts.
func (b *blocks) readShape() (err error) {
	planar, err := b.d.number(tagPlanarConfig, 1)
	if err != nil {
		return err
	}
	if planar == 2 { // band after band: the blocks of the first come first
		b.samples = 1
	} else if planar != 1 {
		return fmt.Errorf("planar configuration %d is not 1 or 2", planar)
	}
	if b.tiled = b.d.has(tagTileWidth); b.tiled {
		b.offsets, b.counts = tagTileOffsets, tagTileByteCounts
		if b.blockCols, err = b.side(tagTileWidth, "a tile width"); err != nil {
			return err
		}
		if b.blockRows, err = b.side(tagTileLength, "a tile height"); err != nil {
			return err
		}
	} else {
		b.offsets, b.counts = tagStripOffsets, tagStripByteCounts
		rows, err := b.d.number(tagRowsPerStrip, maxSide)
		if err != nil {
			return err
		}
		if rows == 0 {
			return fmt.Errorf("strips without rows")
		}
		b.stripRows = int(min(rows, uint64(b.rows)))
		b.blockCols, b.blockRows = b.cols, b.stripRows
		if b.compression == uncompressed {
			b.divideStrips()
		}
	}
	b.across = (b.cols + b.blockCols - 1) / b.blockCols
	down := (b.rows + b.blockRows - 1) / b.blockRows
	if n := b.d.fields[b.offsets].count; n < uint64((b.across*down+b.perStrip-1)/b.perStrip) {
		return fmt.Errorf("a table of %d blocks for %d × %d", n, b.across, down)
	}
	return nil
}

// divideStrips takes as many rows as fit part bytes and divide a strip evenly.
// Where there is only one strip they need not divide it.
func (b *blocks) divideStrips() {
	const part = 256 << 10
	rows := max(1, min(b.stripRows, part/(b.cols*b.samples*b.kind.size())))
	if b.stripRows < b.rows {
		for b.stripRows%rows != 0 {
			rows--
		}
	}
	b.blockRows, b.perStrip = rows, (b.stripRows+rows-1)/rows
}

// decode implements source.
func (b *blocks) decode(bx, by int) ([]byte, error) {
	index := uint64(by/b.perStrip*b.across + bx)
	offset, err := b.d.at(b.offsets, index)
	if err != nil {
		return nil, err
	}
	count, err := b.d.at(b.counts, index)
	if err != nil {
		return nil, err
	}
	if offset == 0 || count == 0 {
		return nil, nil
	}
	if size := uint64(b.d.size); offset > size || count > size-offset {
		return nil, errCutOff
	}
	rows := b.blockRows
	if !b.tiled {
		rows = min(rows, b.rows-by*b.blockRows)
	}
	line, size := b.lineBytes(), b.kind.size()
	raw := make([]byte, rows*line)
	if err := b.unpack(raw, int64(offset), int64(count), int64(by%b.perStrip)*int64(b.blockRows*line)); err != nil {
		return nil, err
	}
	if b.predictor == 3 {
		b.undoFloat(raw, line)
	} else {
		if b.d.order == binary.BigEndian {
			reverse(raw, size)
		}
		if b.predictor == 2 {
			b.undoDifference(raw, line)
		}
	}
	if b.samples == 1 {
		return raw, nil
	}
	first := make([]byte, rows*b.blockCols*size)
	for i := 0; i < len(first); i += size {
		copy(first[i:i+size], raw[i*b.samples:])
	}
	return first, nil
}

// unpack fills raw from a block of count bytes; skip is the part of an
// uncompressed strip before it.
func (b *blocks) unpack(raw []byte, offset, count, skip int64) error {
	if b.compression == uncompressed {
		if skip+int64(len(raw)) > count {
			return errCutOff
		}
		_, err := b.d.r.ReadAt(raw, offset+skip)
		if err == io.EOF {
			err = nil
		}
		return err
	}
	in := bufio.NewReaderSize(io.NewSectionReader(b.d.r, offset, count), int(min(count, 64<<10)))
	switch b.compression {
	case packBits:
		return unpackBits(raw, in)
	case lzwCoded:
		r := lzw.NewReader(in, lzw.MSB, 8)
		defer r.Close()
		_, err := io.ReadFull(r, raw)
		return err
	}
	r, err := b.inflater(in)
	if err != nil {
		return err
	}
	defer b.inflaters.Put(r)
	_, err = io.ReadFull(r, raw)
	return err
}

func (b *blocks) inflater(in io.Reader) (io.Reader, error) {
	if r := b.inflaters.Get(); r != nil {
		return r.(io.Reader), r.(zlib.Resetter).Reset(in, nil)
	}
	return zlib.NewReader(in)
}

// unpackBits decodes TIFF 6.0 §9.
func unpackBits(dst []byte, in io.ByteReader) error {
	for len(dst) > 0 {
		b, err := in.ReadByte()
		if err != nil {
			return err
		}
		switch n := int(int8(b)); {
		case n >= 0:
			for i := 0; i <= n && len(dst) > 0; i++ {
				if dst[0], err = in.ReadByte(); err != nil {
					return err
				}
				dst = dst[1:]
			}
		case n > -128:
			if b, err = in.ReadByte(); err != nil {
				return err
			}
			run := min(1-n, len(dst))
			for i := range run {
				dst[i] = b
			}
			dst = dst[run:]
		}
	}
	return nil
}

// reverse swaps the bytes of samples.
func reverse(raw []byte, size int) {
	for ; len(raw) >= size; raw = raw[size:] {
		for i := 0; i < size/2; i++ {
			raw[i], raw[size-1-i] = raw[size-1-i], raw[i]
		}
	}
}

// undoDifference adds up the differences along each line (TIFF 6.0 §14).
func (b *blocks) undoDifference(raw []byte, line int) {
	step := b.samples * b.kind.size()
	for ; len(raw) >= line; raw = raw[line:] {
		row := raw[:line]
		switch b.kind.size() {
		case 1:
			for i := step; i < line; i++ {
				row[i] += row[i-step]
			}
		case 2:
			for i := step; i < line; i += 2 {
				binary.LittleEndian.PutUint16(row[i:], binary.LittleEndian.Uint16(row[i:])+binary.LittleEndian.Uint16(row[i-step:]))
			}
		case 4:
			for i := step; i < line; i += 4 {
				binary.LittleEndian.PutUint32(row[i:], binary.LittleEndian.Uint32(row[i:])+binary.LittleEndian.Uint32(row[i-step:]))
			}
		case 8:
			for i := step; i < line; i += 8 {
				binary.LittleEndian.PutUint64(row[i:], binary.LittleEndian.Uint64(row[i:])+binary.LittleEndian.Uint64(row[i-step:]))
			}
		}
	}
}

// undoFloat undoes the floating point predictor (TIFF Technical Note 3): a
// line holds the most significant bytes of all its samples, then the next
// ones, each byte as the difference to the sample before.
func (b *blocks) undoFloat(raw []byte, line int) {
	size := b.kind.size()
	planes := make([]byte, line)
	n := line / size
	for ; len(raw) >= line; raw = raw[line:] {
		row := raw[:line]
		for i := b.samples; i < line; i++ {
			row[i] += row[i-b.samples]
		}
		copy(planes, row)
		for i := range n {
			for j := range size {
				row[i*size+j] = planes[(size-1-j)*n+i]
			}
		}
	}
}
