package vector

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
)

// Positions collects the positions of one geometry, with their heights in
// document order as geojson.Geometry holds them.
type Positions struct {
	Points []orb.Point
	z      []float64
	anyZ   bool
}

// ErrTooManyPositions reports a geometry beyond MaxPositions.
var ErrTooManyPositions = fmt.Errorf("the geometry has more than %d positions", MaxPositions)

var errNotFinite = errors.New("a position holds a number that is not finite")

// Add appends a position; z is NaN where it has no height. It fails on
// coordinates that are not finite and beyond MaxPositions.
func (p *Positions) Add(x, y, z float64) error {
	if math.IsNaN(x-x) || math.IsNaN(y-y) { // x-x is NaN for infinities too
		return errNotFinite
	}
	if len(p.Points) >= MaxPositions {
		return ErrTooManyPositions
	}
	if math.IsNaN(z - z) {
		z = math.NaN()
	} else {
		p.anyZ = true
	}
	p.Points = append(p.Points, orb.Point{x, y})
	p.z = append(p.z, z)
	return nil
}

// Since returns the positions from the i-th on, as a slice of its own.
func (p *Positions) Since(i int) []orb.Point { return slices.Clip(p.Points[i:]) }

// Geometry returns g with the heights that were collected.
func (p *Positions) Geometry(g orb.Geometry) geojson.Geometry {
	if !p.anyZ {
		return geojson.Geometry{Geometry: g}
	}
	return geojson.Geometry{Geometry: g, Z: p.z}
}

// Heights returns the heights so far, one for each position, nil when none of
// them has one.
func (p *Positions) Heights() []float64 {
	if !p.anyZ {
		return nil
	}
	return p.z
}

// Map returns the geometry with f applied to each position. The original is not
// changed.
func Map(g orb.Geometry, f func(orb.Point) (orb.Point, error)) (orb.Geometry, error) {
	switch g := g.(type) {
	case orb.Point:
		return f(g)
	case orb.MultiPoint:
		return mapAll(g, f)
	case orb.LineString:
		return mapAll(g, f)
	case orb.Ring:
		return mapAll(g, f)
	case orb.MultiLineString:
		return mapAll(g, func(l orb.LineString) (orb.LineString, error) { return mapAll(l, f) })
	case orb.Polygon:
		return mapPolygon(g, f)
	case orb.MultiPolygon:
		return mapAll(g, func(p orb.Polygon) (orb.Polygon, error) { return mapPolygon(p, f) })
	case orb.Collection:
		return mapAll(g, func(m orb.Geometry) (orb.Geometry, error) { return Map(m, f) })
	case nil:
		return nil, nil
	}
	return nil, fmt.Errorf("a geometry of type %T is not known", g)
}

func mapPolygon(p orb.Polygon, f func(orb.Point) (orb.Point, error)) (orb.Polygon, error) {
	return mapAll(p, func(r orb.Ring) (orb.Ring, error) { return mapAll(r, f) })
}

func mapAll[S ~[]T, T any](s S, f func(T) (T, error)) (S, error) {
	out := make(S, len(s))
	for i, v := range s {
		var err error
		if out[i], err = f(v); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Count returns the number of positions.
func Count(g orb.Geometry) int {
	n := 0
	EachPath(g, func(ps []orb.Point) { n += len(ps) })
	return n
}

// EachPath calls f with the positions of each point, line and ring in document
// order, those of a multi-point together.
func EachPath(g orb.Geometry, f func([]orb.Point)) {
	switch g := g.(type) {
	case orb.Point:
		f([]orb.Point{g})
	case orb.MultiPoint:
		f(g)
	case orb.LineString:
		f(g)
	case orb.Ring:
		f(g)
	case orb.MultiLineString:
		for _, l := range g {
			f(l)
		}
	case orb.Polygon:
		for _, r := range g {
			f(r)
		}
	case orb.MultiPolygon:
		for _, p := range g {
			EachPath(p, f)
		}
	case orb.Collection:
		for _, m := range g {
			EachPath(m, f)
		}
	}
}

// Extent returns the box that holds the geometry, false when it is empty.
func Extent(g orb.Geometry) (b orb.Bound, ok bool) {
	if p, is := g.(orb.Point); is {
		return orb.Bound{Min: p, Max: p}, true
	}
	EachPath(g, func(ps []orb.Point) {
		for _, p := range ps {
			if !ok {
				b, ok = orb.Bound{Min: p, Max: p}, true
				continue
			}
			b = orb.Bound{
				Min: orb.Point{min(b.Min[0], p[0]), min(b.Min[1], p[1])},
				Max: orb.Point{max(b.Max[0], p[0]), max(b.Max[1], p[1])},
			}
		}
	})
	return b, ok
}

// TwiceArea is twice the signed area of a ring in the plane, positive when it
// runs counter-clockwise. Differences from the first position keep small rings
// far from the origin exact.
func TwiceArea(r []orb.Point) float64 {
	var sum float64
	for i := 1; i < len(r); i++ {
		a, b := r[i-1], r[i]
		sum += (a[0]-r[0][0])*(b[1]-r[0][1]) - (b[0]-r[0][0])*(a[1]-r[0][1])
	}
	return sum
}

// Wind returns the geometry with outer rings counter-clockwise and holes
// clockwise (RFC 7946 §3.1.6), or the other way round. The original is not
// changed; where nothing needs turning it is returned itself.
func Wind(g geojson.Geometry, counterClockwise bool) geojson.Geometry {
	w := winder{z: g.Z, ccw: counterClockwise}
	switch g.Geometry.(type) {
	case orb.Polygon, orb.MultiPolygon, orb.Collection:
		out := w.geometry(g.Geometry)
		return geojson.Geometry{Geometry: out, Z: w.z}
	}
	return g
}

type winder struct {
	z     []float64
	owned bool // z is a copy
	n     int  // positions passed
	ccw   bool
}

func (w *winder) geometry(g orb.Geometry) orb.Geometry {
	switch g := g.(type) {
	case orb.Polygon:
		return w.polygon(g)
	case orb.MultiPolygon:
		out := make(orb.MultiPolygon, len(g))
		for i, p := range g {
			out[i] = w.polygon(p)
		}
		return out
	case orb.Collection:
		out := make(orb.Collection, len(g))
		for i, m := range g {
			out[i] = w.geometry(m)
		}
		return out
	}
	w.n += Count(g)
	return g
}

func (w *winder) polygon(p orb.Polygon) orb.Polygon {
	out := make(orb.Polygon, len(p))
	for i, r := range p {
		out[i] = r
		if area := TwiceArea(r); area != 0 && (area > 0) != (w.ccw == (i == 0)) {
			out[i] = slices.Clone(r)
			slices.Reverse(out[i])
			if w.n+len(r) <= len(w.z) {
				if !w.owned {
					w.z, w.owned = slices.Clone(w.z), true
				}
				slices.Reverse(w.z[w.n : w.n+len(r)])
			}
		}
		w.n += len(r)
	}
	return out
}
