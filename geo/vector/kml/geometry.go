package kml

import (
	"encoding/xml"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/markup"
)

func isGeometry(name string) bool {
	return slices.Contains([]string{"Point", "LineString", "LinearRing", "Polygon", "MultiGeometry", "Track", "MultiTrack", "Model"}, name)
}

// shape is a geometry with a height for each position, NaN for none. An empty
// one has no geometry.
type shape struct {
	g orb.Geometry
	z []float64
}

// geometryReader reads the geometry of one placemark.
type geometryReader struct {
	x         *markup.Reader
	positions int
	fault     error // of the placemark alone
	notes     []string
	times     vector.Properties // begin and end of a track
}

func (r *geometryReader) note(s string) {
	if !slices.Contains(r.notes, s) {
		r.notes = append(r.notes, s)
	}
}

// read reads the geometry that began with e.
func (r *geometryReader) read(e xml.StartElement, depth int) (shape, error) {
	switch e.Name.Local {
	case "Point", "LineString", "LinearRing":
		return r.simple(e.Name.Local)
	case "Polygon":
		return r.polygon()
	case "Track":
		return r.track()
	case "MultiGeometry", "MultiTrack":
		if depth > vector.MaxNesting {
			r.fault = errors.New("geometries are nested too deep")
			return shape{}, r.x.Skip()
		}
		var parts []shape
		err := r.x.Children(func(e xml.StartElement) error {
			if !isGeometry(e.Name.Local) {
				return r.x.Skip()
			}
			s, err := r.read(e, depth+1)
			parts = append(parts, s)
			return err
		})
		return join(parts), err
	}
	r.note("a " + e.Name.Local + " was left out")
	return shape{}, r.x.Skip()
}

// simple reads a point or a line.
func (r *geometryReader) simple(kind string) (shape, error) {
	var ps []orb.Point
	var z []float64
	mode := ""
	err := r.x.Children(func(e xml.StartElement) (err error) {
		switch e.Name.Local {
		case "coordinates":
			ps, z, err = r.coordinates()
			return err
		case "altitudeMode":
			mode, err = r.x.Text()
			return err
		}
		return r.x.Skip()
	})
	if err != nil || len(ps) == 0 {
		return shape{}, err
	}
	r.altitudes(z, mode)
	if kind != "Point" {
		return shape{orb.LineString(ps), z}, nil
	}
	if len(ps) > 1 && r.fault == nil {
		r.fault = fmt.Errorf("a point has %d positions", len(ps))
	}
	return shape{ps[0], z[:1]}, nil
}

func (r *geometryReader) polygon() (shape, error) {
	var outer, inner []shape
	mode := ""
	err := r.x.Children(func(e xml.StartElement) (err error) {
		switch e.Name.Local {
		case "outerBoundaryIs", "innerBoundaryIs":
			to := &inner
			if e.Name.Local == "outerBoundaryIs" {
				to = &outer
			}
			return r.x.Children(func(e xml.StartElement) error {
				if e.Name.Local != "LinearRing" {
					return r.x.Skip()
				}
				s, err := r.ring()
				if s.g != nil {
					*to = append(*to, s)
				}
				return err
			})
		case "altitudeMode":
			mode, err = r.x.Text()
			return err
		}
		return r.x.Skip()
	})
	if err != nil {
		return shape{}, err
	}
	if len(outer) != 1 {
		if len(outer) > 1 || len(inner) > 0 {
			r.fault = fmt.Errorf("a polygon has %d outer rings", len(outer))
		}
		return shape{}, nil
	}
	var out shape
	var p orb.Polygon
	for _, s := range append(outer, inner...) {
		p = append(p, orb.Ring(s.g.(orb.LineString)))
		out.z = append(out.z, s.z...)
	}
	out.g = p
	r.altitudes(out.z, mode)
	return out, nil
}

// ring reads a ring of a polygon, whose altitude mode counts for it.
func (r *geometryReader) ring() (shape, error) {
	var s shape
	err := r.x.Children(func(e xml.StartElement) error {
		if e.Name.Local != "coordinates" {
			return r.x.Skip()
		}
		ps, z, err := r.coordinates()
		if len(ps) > 0 {
			s = shape{orb.LineString(ps), z}
		}
		return err
	})
	return s, err
}

// track reads a gx:Track as a line.
func (r *geometryReader) track() (shape, error) {
	var ps vector.Positions
	var z []float64
	var whens []string
	mode := ""
	err := r.x.Children(func(e xml.StartElement) error {
		text := ""
		var err error
		switch e.Name.Local {
		case "coord", "when", "altitudeMode":
			text, err = r.x.Text()
		default:
			return r.x.Skip()
		}
		switch e.Name.Local {
		case "altitudeMode":
			mode = text
		case "when":
			if len(whens) > 1 { // the first and the last are enough
				whens = whens[:1]
			}
			whens = append(whens, text)
		case "coord":
			if text == "" {
				break // a moment without a position
			}
			c, ok := coord(text)
			if !ok {
				r.bad("coord", text)
				break
			}
			z = append(z, c[2])
			r.add(&ps, c)
		}
		return err
	})
	if err != nil || len(ps.Points) == 0 {
		return shape{}, err
	}
	if len(whens) > 0 {
		r.note("the times of a track's positions were left out")
		r.times = vector.Properties{{Name: "begin", Value: parseTime(whens[0])}, {Name: "end", Value: parseTime(whens[len(whens)-1])}}
	}
	r.altitudes(z, mode)
	return shape{orb.LineString(ps.Points), z}, nil
}

func (r *geometryReader) bad(what, text string) {
	if r.fault == nil {
		r.fault = fmt.Errorf("%s: %q is no position", what, vector.ShortText(strings.TrimSpace(text)))
	}
}

func (r *geometryReader) add(ps *vector.Positions, c [3]float64) {
	if r.positions++; r.positions > vector.MaxPositions {
		r.fault = vector.ErrTooManyPositions
		return
	}
	if err := ps.Add(c[0], c[1], math.NaN()); err != nil && r.fault == nil {
		r.fault = err
	}
}

// coordinates reads "lon,lat[,alt]" parted by white space. White space behind a
// comma is forgiven.
func (r *geometryReader) coordinates() ([]orb.Point, []float64, error) {
	text, err := r.x.Text()
	if err != nil {
		return nil, nil, err
	}
	var ps vector.Positions
	var z []float64
	for text != "" && r.fault == nil {
		c, n, rest := tuple(text)
		if n < 2 {
			r.bad("coordinates", text)
			break
		}
		r.add(&ps, c)
		z = append(z, c[2])
		text = strings.TrimLeft(rest, " \t\r\n")
	}
	if r.fault != nil {
		return nil, nil, nil
	}
	return ps.Points, z, nil
}

const blanks = " \t\r\n"

// tuple reads two or three numbers with commas between them. n is how many
// there are, less than two when there is no position; c[2] is NaN when there are
// two. Numbers behind the third say nothing.
func tuple(s string) (c [3]float64, n int, rest string) {
	c[2] = math.NaN()
	for n < 3 {
		s = strings.TrimLeft(s, blanks)
		end := strings.IndexAny(s, ","+blanks)
		if end < 0 {
			end = len(s)
		}
		v, ok := vector.Number(s[:end])
		if !ok {
			return c, 0, s
		}
		c[n], s = v, strings.TrimLeft(s[end:], blanks)
		n++
		next, more := strings.CutPrefix(s, ",")
		if !more {
			return c, n, s
		}
		s = next
	}
	if end := strings.IndexAny(s, blanks); end >= 0 {
		return c, n, s[end:]
	}
	return c, n, ""
}

// coord reads the numbers of a gx:coord, which have blanks between them.
func coord(s string) (c [3]float64, ok bool) {
	c[2] = math.NaN()
	parts := strings.Fields(s)
	if len(parts) < 2 || len(parts) > 3 {
		return c, false
	}
	for i, p := range parts {
		if c[i], ok = vector.Number(p); !ok {
			return c, false
		}
	}
	return c, true
}

// altitudes leaves out those that are not above sea level.
func (r *geometryReader) altitudes(z []float64, mode string) {
	clear := func() {
		for i := range z {
			z[i] = math.NaN()
		}
	}
	some := slices.ContainsFunc(z, func(v float64) bool { return !math.IsNaN(v) })
	switch mode {
	case "absolute":
	case "", "clampToGround":
		if slices.ContainsFunc(z, func(v float64) bool { return v != 0 && !math.IsNaN(v) }) {
			r.note("altitudes are kept although the file clamps the geometry to the ground")
		} else if some {
			r.note("altitudes of 0 of a geometry that is clamped to the ground were left out")
			clear()
		}
	default:
		if some {
			r.note(fmt.Sprintf("altitudes that are %s were left out", vector.ShortText(mode)))
			clear()
		}
	}
}

// join makes one geometry of several: a multi-geometry where they are of one
// type.
func join(parts []shape) shape {
	parts = slices.DeleteFunc(parts, func(s shape) bool { return s.g == nil })
	if len(parts) == 0 {
		return shape{}
	}
	var out shape
	var points orb.MultiPoint
	var lines orb.MultiLineString
	var polygons orb.MultiPolygon
	var all orb.Collection
	for _, p := range parts {
		out.z = append(out.z, p.z...)
		all = append(all, p.g)
		switch g := p.g.(type) {
		case orb.Point:
			points = append(points, g)
		case orb.LineString:
			lines = append(lines, g)
		case orb.Polygon:
			polygons = append(polygons, g)
		}
	}
	switch len(all) {
	case len(points):
		out.g = points
	case len(lines):
		out.g = lines
	case len(polygons):
		out.g = polygons
	default:
		out.g = all
	}
	return out
}

// finish gives the record its geometry and what there is to say of it.
func (r *geometryReader) finish(rec *vector.Record, places []shape) {
	rec.Notes = append(rec.Notes, r.notes...)
	if r.fault != nil {
		rec.Err = r.fault
		return
	}
	found := slices.DeleteFunc(slices.Clone(places), func(s shape) bool { return s.g == nil })
	switch {
	case len(found) == 0:
		if len(places) > 0 && len(r.notes) == 0 {
			rec.Note("the geometry is empty")
		}
		return
	case len(found) > 1:
		rec.Note("the placemark has several geometries, which were put together")
		found[0] = join(found)
	}
	rec.Geometry = geojson.Geometry{Geometry: found[0].g}
	if slices.ContainsFunc(found[0].z, func(v float64) bool { return !math.IsNaN(v) }) {
		rec.Geometry.Z = found[0].z
	}
}
