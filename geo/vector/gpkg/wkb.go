package gpkg

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

// Codes of ISO well-known binary (OGC 06-103r4 §8.2.3); with Z 1000 more, with
// M 2000, with both 3000.
const (
	wkbPoint = iota + 1
	wkbLineString
	wkbPolygon
	wkbMultiPoint
	wkbMultiLineString
	wkbMultiPolygon
	wkbCollection
)

// Flags of the extended form that older programs write instead.
const (
	ewkbZ    = 0x80000000
	ewkbM    = 0x40000000
	ewkbSRID = 0x20000000
)

var errShort = errors.New("the geometry is cut short")

// wkb reads well-known binary.
type wkb struct {
	b         []byte
	positions vector.Positions
	measures  bool
	empty     int // members without a position that were left out
}

// parseWKB returns the geometry; nil when it is empty.
func (w *wkb) parse() (geojson.Geometry, error) {
	g, err := w.geometry(0, 0)
	if err != nil {
		return geojson.Geometry{}, err
	}
	if len(w.positions.Points) == 0 {
		return geojson.Geometry{}, nil
	}
	return w.positions.Geometry(g), nil
}

// header is the beginning of a geometry: its type without Z and M, and these.
type header struct {
	order binary.ByteOrder
	kind  uint32
	z, m  bool
}

// size is the number of bytes of a position.
func (h header) size() int {
	n := 16
	if h.z {
		n += 8
	}
	if h.m {
		n += 8
	}
	return n
}

func (w *wkb) header() (h header, err error) {
	if len(w.b) < 5 {
		return h, errShort
	}
	switch w.b[0] {
	case 0:
		h.order = binary.BigEndian
	case 1:
		h.order = binary.LittleEndian
	default:
		return h, fmt.Errorf("%d is no byte order", w.b[0])
	}
	code := h.order.Uint32(w.b[1:])
	w.b = w.b[5:]
	if code&ewkbSRID != 0 {
		if len(w.b) < 4 {
			return h, errShort
		}
		w.b = w.b[4:]
	}
	h.z, h.m = code&ewkbZ != 0, code&ewkbM != 0
	code &^= ewkbZ | ewkbM | ewkbSRID
	if code >= 1000 && code < 4000 {
		h.z, h.m = h.z || code/1000 == 1 || code/1000 == 3, h.m || code/1000 >= 2
		code %= 1000
	}
	if h.kind = code; code < wkbPoint || code > wkbCollection {
		return h, fmt.Errorf("geometries of type %d (curves, surfaces) are not read", code)
	}
	return h, nil
}

// count reads a number of things that take at least size bytes each.
func (w *wkb) count(h header, size int) (int, error) {
	if len(w.b) < 4 {
		return 0, errShort
	}
	n := int64(h.order.Uint32(w.b))
	w.b = w.b[4:]
	if n*int64(size) > int64(len(w.b)) {
		return 0, errShort
	}
	return int(n), nil
}

// geometry reads a geometry, which must be of the type want unless that is 0.
func (w *wkb) geometry(want uint32, depth int) (orb.Geometry, error) {
	h, err := w.header()
	if err != nil {
		return nil, err
	}
	if want != 0 && h.kind != want {
		return nil, fmt.Errorf("a member is of type %d, not %d", h.kind, want)
	}
	if depth > vector.MaxNesting {
		return nil, errors.New("geometry collections are nested too deep")
	}
	switch h.kind {
	case wkbPoint:
		return w.point(h)
	case wkbLineString:
		ps, err := w.path(h)
		return orb.LineString(ps), err
	case wkbPolygon:
		return w.polygon(h)
	case wkbMultiPoint:
		return members(w, h, wkbPoint, depth, func(s []orb.Geometry) orb.Geometry { return orb.MultiPoint(as[orb.Point](s)) })
	case wkbMultiLineString:
		return members(w, h, wkbLineString, depth, func(s []orb.Geometry) orb.Geometry { return orb.MultiLineString(as[orb.LineString](s)) })
	case wkbMultiPolygon:
		return members(w, h, wkbPolygon, depth, func(s []orb.Geometry) orb.Geometry { return orb.MultiPolygon(as[orb.Polygon](s)) })
	}
	return members(w, h, 0, depth, func(s []orb.Geometry) orb.Geometry { return orb.Collection(s) })
}

func as[T orb.Geometry](s []orb.Geometry) []T {
	out := make([]T, len(s))
	for i, g := range s {
		out[i] = g.(T)
	}
	return out
}

// members reads the members of a multi-geometry or collection; empty ones are
// left out and counted.
func members(w *wkb, h header, want uint32, depth int, wrap func([]orb.Geometry) orb.Geometry) (orb.Geometry, error) {
	const least = 9 // bytes of the shortest geometry
	n, err := w.count(h, least)
	if err != nil {
		return nil, err
	}
	out := make([]orb.Geometry, 0, min(n, 1024))
	for range n {
		before := len(w.positions.Points)
		g, err := w.geometry(want, depth+1)
		if err != nil {
			return nil, err
		}
		if len(w.positions.Points) == before {
			w.empty++
			continue
		}
		out = append(out, g)
	}
	return wrap(out), nil
}

// point reads a point; NaN stands for an empty one.
func (w *wkb) point(h header) (orb.Geometry, error) {
	n := h.size()
	if len(w.b) < n {
		return nil, errShort
	}
	if x := float(h, w.b); math.IsNaN(x) && math.IsNaN(float(h, w.b[8:])) {
		w.b = w.b[n:]
		return orb.MultiPoint{}, nil
	}
	if err := w.position(h); err != nil {
		return nil, err
	}
	return w.positions.Points[len(w.positions.Points)-1], nil
}

func float(h header, b []byte) float64 { return math.Float64frombits(h.order.Uint64(b)) }

// position reads a position that is known to be there.
func (w *wkb) position(h header) error {
	z := math.NaN()
	if h.z {
		z = float(h, w.b[16:])
	}
	if h.m {
		w.measures = true
	}
	err := w.positions.Add(float(h, w.b), float(h, w.b[8:]), z)
	w.b = w.b[h.size():]
	return err
}

func (w *wkb) path(h header) ([]orb.Point, error) {
	n, err := w.count(h, h.size())
	if err != nil {
		return nil, err
	}
	if len(w.positions.Points)+n > vector.MaxPositions {
		return nil, vector.ErrTooManyPositions
	}
	from := len(w.positions.Points)
	for range n {
		if err := w.position(h); err != nil {
			return nil, err
		}
	}
	return w.positions.Since(from), nil
}

func (w *wkb) polygon(h header) (orb.Geometry, error) {
	n, err := w.count(h, 4)
	if err != nil {
		return nil, err
	}
	out := make(orb.Polygon, 0, min(n, 1024))
	for range n {
		ps, err := w.path(h)
		if err != nil {
			return nil, err
		}
		out = append(out, ps)
	}
	return out, nil
}

// appendWKB appends the geometry as little-endian ISO well-known binary. Where
// some heights are not recorded they are NaN.
func appendWKB(b []byte, g geojson.Geometry) []byte {
	w := wkbWriter{b: b, z: g.Z}
	w.geometry(g.Geometry)
	return w.b
}

type wkbWriter struct {
	b []byte
	z []float64
	n int // positions written so far
}

func (w *wkbWriter) head(kind uint32) {
	if w.z != nil {
		kind += 1000
	}
	w.b = binary.LittleEndian.AppendUint32(append(w.b, 1), kind)
}

func (w *wkbWriter) uint32(n int) { w.b = binary.LittleEndian.AppendUint32(w.b, uint32(n)) }

func (w *wkbWriter) float(v float64) {
	w.b = binary.LittleEndian.AppendUint64(w.b, math.Float64bits(v))
}

func (w *wkbWriter) position(p orb.Point) {
	w.float(p[0])
	w.float(p[1])
	if w.z != nil {
		z := math.NaN()
		if w.n < len(w.z) {
			z = w.z[w.n]
		}
		w.float(z)
	}
	w.n++
}

func (w *wkbWriter) path(ps []orb.Point) {
	w.uint32(len(ps))
	for _, p := range ps {
		w.position(p)
	}
}

func (w *wkbWriter) geometry(g orb.Geometry) {
	switch g := g.(type) {
	case orb.Point:
		w.head(wkbPoint)
		w.position(g)
	case orb.LineString:
		w.head(wkbLineString)
		w.path(g)
	case orb.Ring:
		w.geometry(orb.Polygon{g})
	case orb.Polygon:
		w.head(wkbPolygon)
		w.uint32(len(g))
		for _, r := range g {
			w.path(r)
		}
	case orb.MultiPoint:
		w.head(wkbMultiPoint)
		w.uint32(len(g))
		for _, p := range g {
			w.geometry(p)
		}
	case orb.MultiLineString:
		w.head(wkbMultiLineString)
		w.uint32(len(g))
		for _, l := range g {
			w.geometry(l)
		}
	case orb.MultiPolygon:
		w.head(wkbMultiPolygon)
		w.uint32(len(g))
		for _, p := range g {
			w.geometry(p)
		}
	case orb.Collection:
		w.head(wkbCollection)
		w.uint32(len(g))
		for _, m := range g {
			w.geometry(m)
		}
	}
}
