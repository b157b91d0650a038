package shp

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
)

// noHeight stands for a missing height in a geometry whose other positions have
// one: the format forbids NaN (p. 2) and has "no data" for measures only.
const noHeight = -9999

// maxFile is the most bytes of a .shp or .dbf, which many programs hold to
// because offsets used to be signed.
const maxFile = 1<<31 - 1

// temporary is a buffered temporary file.
type temporary struct {
	f    *os.File
	w    *bufio.Writer
	size int64
}

func newTemporary() (*temporary, error) {
	f, err := os.CreateTemp("", "holdfast-*")
	if err != nil {
		return nil, err
	}
	return &temporary{f: f, w: bufio.NewWriterSize(f, 1<<16)}, nil
}

func (t *temporary) write(b []byte) error {
	if t.size += int64(len(b)); t.size > maxFile {
		return errors.New("the file would be larger than the 2 GB that the format allows")
	}
	_, err := t.w.Write(b)
	return err
}

func (t *temporary) remove() error {
	if t == nil {
		return nil
	}
	return errors.Join(t.f.Close(), os.Remove(t.f.Name()))
}

// file is one Shapefile on its way out.
type file struct {
	kind          kind
	table         *schema
	shp, shx, dbf *temporary
	n             int
	box           orb.Bound
	low, high     float64 // heights
	content       []byte
}

func newFile(k kind, table *schema) (f *file, err error) {
	f = &file{kind: k, table: table}
	f.box = orb.Bound{Min: orb.Point{math.Inf(1), math.Inf(1)}, Max: orb.Point{math.Inf(-1), math.Inf(-1)}}
	f.low, f.high = math.Inf(1), math.Inf(-1)
	for _, t := range []**temporary{&f.shp, &f.shx, &f.dbf} {
		if *t, err = newTemporary(); err != nil {
			return nil, errors.Join(fmt.Errorf("write Shapefile: %w", err), f.remove())
		}
	}
	head := make([]byte, headerSize)
	return f, errors.Join(f.shp.write(head), f.shx.write(head), f.dbf.write(table.header(0)))
}

func (f *file) remove() error { return errors.Join(f.shp.remove(), f.shx.remove(), f.dbf.remove()) }

// add writes one record.
func (f *file) add(content, row []byte) error {
	f.n++
	f.grow(content)
	var index, head [8]byte
	binary.BigEndian.PutUint32(index[:], uint32(f.shp.size/2))
	binary.BigEndian.PutUint32(index[4:], uint32(len(content)/2))
	binary.BigEndian.PutUint32(head[:], uint32(f.n))
	binary.BigEndian.PutUint32(head[4:], uint32(len(content)/2))
	if err := errors.Join(f.shx.write(index[:]), f.shp.write(head[:]), f.shp.write(content), f.dbf.write(row)); err != nil {
		return fmt.Errorf("write Shapefile: %w", err)
	}
	return nil
}

// grow widens the file's box by that of a record.
func (f *file) grow(content []byte) {
	s := shape{b: content}
	code := s.integer()
	if code == typeNull {
		return
	}
	b := orb.Bound{Min: orb.Point{s.double(), s.double()}}
	b.Max = b.Min
	if f.kind.shape != typePoint {
		b.Max = orb.Point{s.double(), s.double()}
	}
	f.box = orb.Bound{
		Min: orb.Point{min(f.box.Min[0], b.Min[0]), min(f.box.Min[1], b.Min[1])},
		Max: orb.Point{max(f.box.Max[0], b.Max[0]), max(f.box.Max[1], b.Max[1])},
	}
	if !f.kind.z {
		return
	}
	if f.kind.shape == typePoint {
		z := s.double()
		f.low, f.high = min(f.low, z), max(f.high, z)
		return
	}
	parts, n := 0, s.integer()
	if f.kind.shape != typeMultiPoint {
		parts, n = n, s.integer()
	}
	s.at += 4*parts + 16*n
	f.low, f.high = min(f.low, s.double()), max(f.high, s.double())
}

// finish writes the headers, now that it is known what they must say.
func (f *file) finish() error {
	if err := errors.Join(f.shp.w.Flush(), f.shx.w.Flush(), f.dbf.write([]byte{endOfFile}), f.dbf.w.Flush()); err != nil {
		return err
	}
	for _, t := range []*temporary{f.shp, f.shx} {
		if _, err := t.f.WriteAt(f.header(t.size), 0); err != nil {
			return err
		}
	}
	_, err := f.dbf.f.WriteAt(f.table.header(f.n), 0)
	return err
}

// header is that of the .shp and the .shx (p. 4).
func (f *file) header(size int64) []byte {
	h := binary.BigEndian.AppendUint32(make([]byte, 0, headerSize), fileCode)
	h = append(h, make([]byte, 20)...)
	h = binary.BigEndian.AppendUint32(h, uint32(size/2))
	h = binary.LittleEndian.AppendUint32(h, version)
	h = binary.LittleEndian.AppendUint32(h, uint32(f.kind.code()))
	box := [8]float64{f.box.Min[0], f.box.Min[1], f.box.Max[0], f.box.Max[1], f.low, f.high}
	for _, v := range box {
		if math.IsInf(v, 0) {
			v = 0
		}
		h = appendDouble(h, v)
	}
	return h
}

func appendDouble(b []byte, v float64) []byte {
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
}

// appendShape appends the content of a record. padded tells that a height was
// missing among others.
func appendShape(b []byte, g geojson.Geometry, k kind) (out []byte, padded bool) {
	if g.Geometry == nil {
		return binary.LittleEndian.AppendUint32(b, typeNull), false
	}
	b = binary.LittleEndian.AppendUint32(b, uint32(k.code()))
	heights := func(i int) float64 {
		if i < len(g.Z) && !math.IsNaN(g.Z[i]) {
			return g.Z[i]
		}
		padded = true
		return noHeight
	}
	if p, is := g.Geometry.(orb.Point); is {
		b = appendDouble(appendDouble(b, p[0]), p[1])
		if k.z {
			b = appendDouble(appendDouble(b, heights(0)), noMeasure)
		}
		return b, padded
	}
	paths := pathsOf(g.Geometry)
	n := 0
	for _, p := range paths {
		n += len(p)
	}
	if n == 0 {
		return binary.LittleEndian.AppendUint32(b[:len(b)-4], typeNull), false
	}
	b = appendBox(b, paths)
	if k.shape != typeMultiPoint {
		b = binary.LittleEndian.AppendUint32(b, uint32(len(paths)))
	}
	b = binary.LittleEndian.AppendUint32(b, uint32(n))
	if k.shape != typeMultiPoint {
		at := 0
		for _, p := range paths {
			b = binary.LittleEndian.AppendUint32(b, uint32(at))
			at += len(p)
		}
	}
	for _, path := range paths {
		for _, p := range path {
			b = appendDouble(appendDouble(b, p[0]), p[1])
		}
	}
	if !k.z {
		return b, false
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i := range n {
		low, high = min(low, heights(i)), max(high, heights(i))
	}
	b = appendDouble(appendDouble(b, low), high)
	for i := range n {
		b = appendDouble(b, heights(i))
	}
	return b, padded
}

// noMeasure is "no data" as the measure of a point, which unlike those of other
// shapes cannot be left out (p. 15).
const noMeasure = -1e39

func appendBox(b []byte, paths [][]orb.Point) []byte {
	box := orb.Bound{Min: orb.Point{math.Inf(1), math.Inf(1)}, Max: orb.Point{math.Inf(-1), math.Inf(-1)}}
	for _, path := range paths {
		for _, p := range path {
			box.Min = orb.Point{min(box.Min[0], p[0]), min(box.Min[1], p[1])}
			box.Max = orb.Point{max(box.Max[0], p[0]), max(box.Max[1], p[1])}
		}
	}
	for _, v := range []float64{box.Min[0], box.Min[1], box.Max[0], box.Max[1]} {
		b = appendDouble(b, v)
	}
	return b
}

// pathsOf returns the parts of a geometry, all positions of a multi-point as
// one. Rings are parts of their own, outer before holes.
func pathsOf(g orb.Geometry) [][]orb.Point {
	var out [][]orb.Point
	switch g := g.(type) {
	case orb.MultiPoint:
		out = append(out, g)
	case orb.LineString:
		out = append(out, g)
	case orb.Ring:
		out = append(out, g)
	case orb.MultiLineString:
		for _, l := range g {
			out = append(out, l)
		}
	case orb.Polygon:
		for _, r := range g {
			out = append(out, r)
		}
	case orb.MultiPolygon:
		for _, p := range g {
			out = append(out, pathsOf(p)...)
		}
	}
	return out
}
