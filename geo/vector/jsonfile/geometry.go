package jsonfile

import (
	"bytes"
	"math"
	"strconv"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/paulmach/orb"

	"holdfast/geo/vector"
)

// shape is a geometry object as far as it has been read. Coordinates that came
// before the type wait in raw.
type shape struct {
	g    orb.Geometry
	raw  []byte
	seen bool // coordinates or geometries were there
}

// geometry reads a geometry object or null.
func (r *reader) geometry(depth int) (orb.Geometry, error) {
	switch r.dec.PeekKind() {
	case 'n':
		_, err := r.dec.ReadToken()
		return nil, err
	case '{':
	default:
		r.fault("the geometry is not an object")
		return nil, r.skip()
	}
	if depth > vector.MaxNesting {
		r.fault("geometry collections are nested too deep")
		return nil, r.skip()
	}
	if _, err := r.dec.ReadToken(); err != nil {
		return nil, err
	}
	var s shape
	kind := ""
	for r.dec.PeekKind() != '}' {
		key, err := r.key()
		switch {
		case err != nil:
		case key == "type":
			kind, err = r.kind()
		case key == "coordinates", key == "geometries":
			err = r.shapeMember(&s, kind, key, depth)
		default:
			err = r.skip()
		}
		if err != nil {
			return nil, err
		}
		r.guard.Reset()
	}
	if _, err := r.dec.ReadToken(); err != nil {
		return nil, err
	}
	g := s.build(r, kind)
	if g == nil && r.bad == nil {
		if kind == "" {
			r.fault("the geometry has no type")
		} else {
			r.fault("%q is no geometry type of RFC 7946", vector.ShortText(kind))
		}
	}
	return g, nil
}

// shapeMember reads the coordinates or the geometries of a geometry object.
func (r *reader) shapeMember(s *shape, kind, key string, depth int) error {
	switch {
	case r.bad != nil || s.seen:
		return r.skip()
	case key == "geometries":
		if kind != "" && kind != "GeometryCollection" {
			return r.skip()
		}
		s.seen = true
		return r.collection(s, depth)
	case kind == "":
		s.seen = true
		raw, err := r.dec.ReadValue()
		s.raw = bytes.Clone(raw)
		return err
	}
	s.seen = true
	var err error
	s.g, err = r.coordinates(kind)
	return err
}

// build returns the geometry, nil when the type is none.
func (s *shape) build(r *reader, kind string) orb.Geometry {
	if s.raw != nil && r.bad == nil {
		outer := r.dec
		r.dec = jsontext.NewDecoder(bytes.NewBuffer(s.raw), lenient()...)
		s.g, _ = r.coordinates(kind) // the text is valid: it was read as one value
		r.dec = outer
	}
	if s.g == nil && !s.seen && isGeometry(kind) {
		r.fault("the geometry has no coordinates")
	}
	if c, is := s.g.(orb.Collection); is && kind != "GeometryCollection" {
		r.fault("a geometry of type %q has no list of geometries (%d)", vector.ShortText(kind), len(c))
	}
	return s.g
}

func isGeometry(kind string) bool {
	for _, k := range knownKinds[1:8] {
		if k == kind {
			return true
		}
	}
	return false
}

func (r *reader) collection(s *shape, depth int) error {
	c := orb.Collection{}
	err := r.each("geometries", func() error {
		g, err := r.geometry(depth + 1)
		if g != nil {
			c = append(c, g)
		} else {
			r.fault("a member of the geometry collection is null")
		}
		return err
	})
	s.g = c
	return err
}

// each reads a list and calls one for every element, which reads it.
func (r *reader) each(what string, one func() error) error {
	if r.dec.PeekKind() != '[' {
		r.fault("%s is not a list", what)
		return r.skip()
	}
	if _, err := r.dec.ReadToken(); err != nil {
		return err
	}
	for r.dec.PeekKind() != ']' {
		var err error
		if r.bad != nil {
			err = r.skip()
		} else {
			err = one()
		}
		if err != nil {
			return err
		}
	}
	_, err := r.dec.ReadToken()
	return err
}

const coordinates = "the list of coordinates"

// coordinates reads the coordinates of a geometry of the given type.
func (r *reader) coordinates(kind string) (orb.Geometry, error) {
	switch kind {
	case "Point":
		err := r.position()
		if r.bad != nil || err != nil {
			return nil, err
		}
		return r.positions.Points[len(r.positions.Points)-1], nil
	case "MultiPoint":
		ps, err := r.path()
		return orb.MultiPoint(ps), err
	case "LineString":
		ps, err := r.path()
		return orb.LineString(ps), err
	case "MultiLineString":
		out := orb.MultiLineString{}
		err := r.each(coordinates, func() error {
			ps, err := r.path()
			out = append(out, ps)
			return err
		})
		return out, err
	case "Polygon":
		return r.polygon()
	case "MultiPolygon":
		out := orb.MultiPolygon{}
		err := r.each(coordinates, func() error {
			p, err := r.polygon()
			out = append(out, p)
			return err
		})
		return out, err
	}
	return nil, r.skip()
}

func (r *reader) polygon() (orb.Polygon, error) {
	out := orb.Polygon{}
	err := r.each(coordinates, func() error {
		ps, err := r.path()
		out = append(out, ps)
		return err
	})
	return out, err
}

func (r *reader) path() ([]orb.Point, error) {
	from := len(r.positions.Points)
	err := r.each(coordinates, r.position)
	return r.positions.Since(from), err
}

// position reads one position.
func (r *reader) position() error {
	r.guard.Reset()
	var c [3]float64
	c[2] = math.NaN()
	n := 0
	err := r.each("a position", func() error {
		if r.dec.PeekKind() != '0' {
			r.fault("a position holds something that is no number")
			return r.skip()
		}
		raw, err := r.dec.ReadValue()
		if err != nil {
			return err
		}
		if n < 3 {
			if c[n], err = strconv.ParseFloat(string(raw), 64); err != nil {
				r.fault("a position holds %s, which is too large", vector.ShortText(string(raw)))
			}
		} else {
			r.extra = true
		}
		n++
		return nil
	})
	switch {
	case err != nil || r.bad != nil:
		return err
	case n < 2:
		r.fault("a position has %d numbers; two are needed", n)
		return nil
	}
	if err := r.positions.Add(c[0], c[1], c[2]); err != nil {
		r.fault("%w", err)
	}
	return nil
}
