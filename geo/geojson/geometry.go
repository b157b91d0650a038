// Package geojson reads and writes RFC 7946 GeoJSON with what general readers
// lose: the third coordinate is kept, positions are checked, and a file is
// read record by record so that one bad record can be named and the rest
// still looked at.
package geojson

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"

	"github.com/paulmach/orb"
)

// Geometry is a geometry with its heights. Z holds one height in metres per
// position, in document order, NaN where that position has none; it is nil
// when no position has one.
type Geometry struct {
	orb.Geometry
	Z []float64
	// Extra counts positions with more than three numbers; RFC 7946 gives the
	// further ones no meaning and they are not kept.
	Extra int
}

// MaxPositions bounds the positions of one geometry, so that a hostile file
// cannot fill the memory.
const MaxPositions = 5_000_000

// ErrNull is the error for a null geometry, which RFC 7946 allows and which
// places nothing.
var ErrNull = errors.New("the geometry is null: it has no place")

type rawGeometry struct {
	Type        string            `json:"type"`
	Coordinates json.RawMessage   `json:"coordinates"`
	Geometries  []json.RawMessage `json:"geometries"`
}

// ParseGeometry reads one geometry object. It refuses null (ErrNull), an
// unknown type, positions with fewer than two numbers and numbers that are
// not finite. It does not judge ranges, ring closure or winding: see Check.
func ParseGeometry(raw []byte) (Geometry, error) {
	var p positions
	g, err := p.geometry(raw, 0)
	if err != nil {
		return Geometry{}, err
	}
	out := Geometry{Geometry: g, Extra: p.extra}
	if p.anyZ {
		out.Z = p.z
	}
	return out, nil
}

type positions struct {
	z     []float64
	anyZ  bool
	extra int
}

func (p *positions) geometry(raw []byte, depth int) (orb.Geometry, error) {
	if depth > 4 {
		return nil, errors.New("geometry collections are nested too deep")
	}
	if len(raw) == 0 || string(raw) == "null" {
		return nil, ErrNull
	}
	var r rawGeometry
	if err := json.Unmarshal(raw, &r); err != nil {
		return nil, fmt.Errorf("geometry: %w", err)
	}
	c := r.Coordinates
	switch r.Type {
	case "Point":
		return p.point(c)
	case "MultiPoint":
		ps, err := p.line(c)
		return orb.MultiPoint(ps), err
	case "LineString":
		ps, err := p.line(c)
		return orb.LineString(ps), err
	case "MultiLineString":
		return collect(c, func(c json.RawMessage) (orb.LineString, error) {
			ps, err := p.line(c)
			return orb.LineString(ps), err
		}, func(s []orb.LineString) orb.Geometry { return orb.MultiLineString(s) })
	case "Polygon":
		return p.polygon(c)
	case "MultiPolygon":
		return collect(c, p.polygon, func(s []orb.Polygon) orb.Geometry { return orb.MultiPolygon(s) })
	case "GeometryCollection":
		var out orb.Collection
		for _, g := range r.Geometries {
			part, err := p.geometry(g, depth+1)
			if err != nil {
				return nil, err
			}
			out = append(out, part)
		}
		return out, nil
	case "":
		return nil, errors.New("the geometry has no type")
	}
	return nil, fmt.Errorf("%q is no geometry type of RFC 7946", r.Type)
}

func collect[T any](raw json.RawMessage, one func(json.RawMessage) (T, error), wrap func([]T) orb.Geometry) (orb.Geometry, error) {
	var parts []json.RawMessage
	if err := json.Unmarshal(raw, &parts); err != nil {
		return nil, fmt.Errorf("coordinates: %w", err)
	}
	out := make([]T, 0, len(parts))
	for _, c := range parts {
		v, err := one(c)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return wrap(out), nil
}

func (p *positions) polygon(raw json.RawMessage) (orb.Polygon, error) {
	var rings []json.RawMessage
	if err := json.Unmarshal(raw, &rings); err != nil {
		return nil, fmt.Errorf("coordinates: %w", err)
	}
	out := make(orb.Polygon, 0, len(rings))
	for _, r := range rings {
		ps, err := p.line(r)
		if err != nil {
			return nil, err
		}
		out = append(out, orb.Ring(ps))
	}
	return out, nil
}

func (p *positions) line(raw json.RawMessage) ([]orb.Point, error) {
	var cs [][]float64
	if err := json.Unmarshal(raw, &cs); err != nil {
		return nil, fmt.Errorf("coordinates: %w", err)
	}
	out := make([]orb.Point, 0, len(cs))
	for _, c := range cs {
		pt, err := p.position(c)
		if err != nil {
			return nil, err
		}
		out = append(out, pt)
	}
	return out, nil
}

func (p *positions) point(raw json.RawMessage) (orb.Point, error) {
	var c []float64
	if err := json.Unmarshal(raw, &c); err != nil {
		return orb.Point{}, fmt.Errorf("coordinates: %w", err)
	}
	return p.position(c)
}

func (p *positions) position(c []float64) (orb.Point, error) {
	if len(c) < 2 {
		return orb.Point{}, fmt.Errorf("a position has %d numbers; longitude and latitude are needed", len(c))
	}
	for _, v := range c {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return orb.Point{}, errors.New("a position holds a number that is not finite")
		}
	}
	if len(p.z) >= MaxPositions {
		return orb.Point{}, fmt.Errorf("the geometry has more than %d positions", MaxPositions)
	}
	if len(c) > 3 {
		p.extra++
	}
	z := math.NaN()
	if len(c) > 2 {
		z, p.anyZ = c[2], true
	}
	p.z = append(p.z, z)
	return orb.Point{c[0], c[1]}, nil
}

// AppendGeometry appends the geometry as JSON. Coordinates are written with
// the shortest digits that read back to the same number.
func AppendGeometry(dst []byte, g Geometry) []byte {
	w := writer{dst: dst, z: g.Z}
	w.geometry(g.Geometry)
	return w.dst
}

// MarshalJSON writes the geometry with its heights.
func (g Geometry) MarshalJSON() ([]byte, error) { return AppendGeometry(nil, g), nil }

// UnmarshalJSON reads a geometry with its heights.
func (g *Geometry) UnmarshalJSON(b []byte) error {
	got, err := ParseGeometry(b)
	if err != nil {
		return err
	}
	*g = got
	return nil
}

type writer struct {
	dst []byte
	z   []float64
	n   int // positions written so far
}

func (w *writer) geometry(g orb.Geometry) {
	if g == nil {
		w.dst = append(w.dst, "null"...)
		return
	}
	w.dst = append(w.dst, `{"type":"`...)
	w.dst = append(w.dst, g.GeoJSONType()...)
	if c, ok := g.(orb.Collection); ok {
		w.dst = append(w.dst, `","geometries":`...)
		list(w, c, w.geometry)
		w.dst = append(w.dst, '}')
		return
	}
	w.dst = append(w.dst, `","coordinates":`...)
	switch g := g.(type) {
	case orb.Point:
		w.position(g)
	case orb.MultiPoint:
		list(w, g, w.position)
	case orb.LineString:
		list(w, g, w.position)
	case orb.MultiLineString:
		list(w, g, func(l orb.LineString) { list(w, l, w.position) })
	case orb.Ring:
		list(w, orb.Polygon{g}, func(r orb.Ring) { list(w, r, w.position) })
	case orb.Polygon:
		list(w, g, func(r orb.Ring) { list(w, r, w.position) })
	case orb.MultiPolygon:
		list(w, g, func(p orb.Polygon) {
			list(w, p, func(r orb.Ring) { list(w, r, w.position) })
		})
	case orb.Bound:
		list(w, g.ToPolygon(), func(r orb.Ring) { list(w, r, w.position) })
	}
	w.dst = append(w.dst, '}')
}

func list[S ~[]T, T any](w *writer, s S, one func(T)) {
	w.dst = append(w.dst, '[')
	for i, v := range s {
		if i > 0 {
			w.dst = append(w.dst, ',')
		}
		one(v)
	}
	w.dst = append(w.dst, ']')
}

func (w *writer) position(p orb.Point) {
	w.dst = append(w.dst, '[')
	w.dst = strconv.AppendFloat(w.dst, p[0], 'f', -1, 64)
	w.dst = append(w.dst, ',')
	w.dst = strconv.AppendFloat(w.dst, p[1], 'f', -1, 64)
	if w.n < len(w.z) && !math.IsNaN(w.z[w.n]) {
		w.dst = append(w.dst, ',')
		w.dst = strconv.AppendFloat(w.dst, w.z[w.n], 'f', -1, 64)
	}
	w.n++
	w.dst = append(w.dst, ']')
}
