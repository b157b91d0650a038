package csvfile

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

// NoHeight stands for a missing height in well-known text whose other
// positions have one (common practice, no source).
const NoHeight = -9999

// ParseWKT reads well-known text (OGC 06-103r4 §7), also as older programs
// write it: POINTZ(1 2 3), POINT(1 2 3), SRID=4326;POINT(1 2). It returns the
// SRID, 0 when there is none, and whether measures (M) were left out. An empty
// geometry is nil.
func ParseWKT(s string) (g geojson.Geometry, srid int, measures bool, err error) {
	if rest, has := cutFold(s, "SRID="); has {
		number, text, _ := strings.Cut(rest, ";")
		if srid, err = strconv.Atoi(strings.TrimSpace(number)); err != nil {
			return g, 0, false, errors.New("the SRID is not a number")
		}
		s = text
	}
	p := wktParser{s: s}
	out, err := p.geometry(0)
	if p.space(); err == nil && p.at < len(p.s) {
		err = p.fault("text after the end")
	}
	if err != nil {
		return geojson.Geometry{}, srid, false, err
	}
	if vector.Count(out) == 0 {
		return geojson.Geometry{}, srid, p.measures, nil
	}
	return p.positions.Geometry(out), srid, p.measures, nil
}

func cutFold(s, prefix string) (string, bool) {
	if len(s) >= len(prefix) && strings.EqualFold(s[:len(prefix)], prefix) {
		return s[len(prefix):], true
	}
	return s, false
}

type wktParser struct {
	s         string
	at        int
	positions vector.Positions
	dimension int // numbers of a position: 0 when the text left it open
	hasM      bool
	measures  bool
}

func (p *wktParser) fault(what string) error { return fmt.Errorf("at character %d: %s", p.at+1, what) }

func (p *wktParser) space() {
	for p.at < len(p.s) && strings.IndexByte(" \t\r\n", p.s[p.at]) >= 0 {
		p.at++
	}
}

// word reads letters, in upper case.
func (p *wktParser) word() string {
	p.space()
	from := p.at
	for p.at < len(p.s) && (p.s[p.at]|0x20 >= 'a' && p.s[p.at]|0x20 <= 'z') {
		p.at++
	}
	return strings.ToUpper(p.s[from:p.at])
}

// next takes the byte c if it comes next.
func (p *wktParser) next(c byte) bool {
	p.space()
	if p.at < len(p.s) && p.s[p.at] == c {
		p.at++
		return true
	}
	return false
}

var wktKinds = []string{"POINT", "LINESTRING", "POLYGON", "MULTIPOINT", "MULTILINESTRING", "MULTIPOLYGON", "GEOMETRYCOLLECTION"}

// tag reads the type of a geometry with its dimension.
func (p *wktParser) tag() (string, error) {
	word := p.word()
	p.dimension, p.hasM = 0, false
	kind := word
	for _, suffix := range []string{"ZM", "Z", "M"} {
		if base, has := strings.CutSuffix(word, suffix); has && slices.Contains(wktKinds, base) {
			kind = base
			p.dimensions(suffix)
			return kind, nil
		}
	}
	if !slices.Contains(wktKinds, kind) {
		return "", p.fault(fmt.Sprintf("%q is no type of geometry that is read", vector.ShortText(word)))
	}
	from := p.at
	switch suffix := p.word(); suffix {
	case "ZM", "Z", "M":
		p.dimensions(suffix)
	default:
		p.at = from
	}
	return kind, nil
}

func (p *wktParser) dimensions(suffix string) {
	p.dimension = 2 + len(suffix)
	p.hasM = suffix != "Z"
}

func (p *wktParser) geometry(depth int) (orb.Geometry, error) {
	if depth > vector.MaxNesting {
		return nil, errors.New("geometry collections are nested too deep")
	}
	kind, err := p.tag()
	if err != nil {
		return nil, err
	}
	switch kind {
	case "POINT":
		ps, err := p.path(p.position)
		if err == nil && len(ps) > 1 {
			err = p.fault("a point has one position")
		}
		if err != nil || len(ps) == 0 {
			return orb.MultiPoint{}, err
		}
		return ps[0], nil
	case "LINESTRING":
		ps, err := p.path(p.position)
		return orb.LineString(ps), err
	case "MULTIPOINT":
		ps, err := p.path(p.memberPosition)
		return orb.MultiPoint(ps), err
	case "POLYGON":
		return p.polygon()
	case "MULTILINESTRING":
		var out orb.MultiLineString
		err := p.list(func() error {
			ps, err := p.path(p.position)
			out = append(out, ps)
			return err
		})
		return out, err
	case "MULTIPOLYGON":
		var out orb.MultiPolygon
		err := p.list(func() error {
			poly, err := p.polygon()
			out = append(out, poly)
			return err
		})
		return out, err
	}
	var out orb.Collection
	err = p.list(func() error {
		g, err := p.geometry(depth + 1)
		out = append(out, g)
		return err
	})
	return out, err
}

func (p *wktParser) polygon() (orb.Polygon, error) {
	var out orb.Polygon
	err := p.list(func() error {
		ps, err := p.path(p.position)
		out = append(out, ps)
		return err
	})
	return out, err
}

// list reads EMPTY, or a bracketed list whose elements one reads.
func (p *wktParser) list(one func() error) error {
	if !p.next('(') {
		if p.word() == "EMPTY" {
			return nil
		}
		return p.fault("a bracket or EMPTY is missing")
	}
	for {
		if err := one(); err != nil {
			return err
		}
		if p.next(')') {
			return nil
		}
		if !p.next(',') {
			return p.fault("a comma or a closing bracket is missing")
		}
	}
}

func (p *wktParser) path(one func() error) ([]orb.Point, error) {
	from := len(p.positions.Points)
	err := p.list(one)
	return p.positions.Since(from), err
}

// memberPosition reads a position of a multi-point, which may be in brackets or
// empty.
func (p *wktParser) memberPosition() error {
	if p.next('(') {
		if err := p.position(); err != nil {
			return err
		}
		if !p.next(')') {
			return p.fault("a closing bracket is missing")
		}
		return nil
	}
	from := p.at
	if p.word() == "EMPTY" {
		return nil
	}
	p.at = from
	return p.position()
}

func (p *wktParser) position() error {
	var c [4]float64
	n := 0
	for ; n < 4; n++ {
		v, ok, err := p.number()
		if err != nil {
			return err
		}
		if !ok {
			break
		}
		c[n] = v
	}
	if n < 2 || p.dimension != 0 && n != p.dimension {
		return p.fault(fmt.Sprintf("a position has %d numbers", n))
	}
	z := math.NaN()
	if n == 4 || n == 3 && !p.hasM {
		z = c[2]
	}
	p.measures = p.measures || n == 4 || p.hasM
	return p.positions.Add(c[0], c[1], z)
}

// number reads a number; ok is false when something else comes next.
func (p *wktParser) number() (v float64, ok bool, err error) {
	p.space()
	from := p.at
	for p.at < len(p.s) && strings.IndexByte("+-.0123456789eE", p.s[p.at]) >= 0 {
		p.at++
	}
	if from == p.at {
		return 0, false, nil
	}
	v, good := vector.Number(p.s[from:p.at])
	if !good {
		return 0, false, p.fault(fmt.Sprintf("%q is not a number", vector.ShortText(p.s[from:p.at])))
	}
	return v, true, nil
}

// AppendWKT appends a geometry as well-known text with its heights. A position
// without height in a geometry with heights gets NoHeight; padded counts those.
func AppendWKT(dst []byte, g geojson.Geometry) (out []byte, padded int) {
	w := wktWriter{dst: dst, z: g.Z}
	w.geometry(g.Geometry)
	return w.dst, w.padded
}

type wktWriter struct {
	dst    []byte
	z      []float64
	n      int // positions written so far
	padded int
}

func (w *wktWriter) geometry(g orb.Geometry) {
	w.dst = append(w.dst, strings.ToUpper(g.GeoJSONType())...)
	if w.z != nil {
		w.dst = append(w.dst, " Z"...)
	}
	w.dst = append(w.dst, ' ')
	switch g := g.(type) {
	case orb.Point:
		writeList(w, orb.MultiPoint{g}, w.position)
	case orb.MultiPoint:
		writeList(w, g, func(p orb.Point) { writeList(w, orb.MultiPoint{p}, w.position) })
	case orb.LineString:
		writeList(w, g, w.position)
	case orb.Ring:
		writeList(w, orb.Polygon{g}, w.ring)
	case orb.MultiLineString:
		writeList(w, g, func(l orb.LineString) { writeList(w, l, w.position) })
	case orb.Polygon:
		writeList(w, g, w.ring)
	case orb.MultiPolygon:
		writeList(w, g, func(p orb.Polygon) { writeList(w, p, w.ring) })
	case orb.Collection:
		writeList(w, g, w.geometry)
	}
}

func (w *wktWriter) ring(r orb.Ring) { writeList(w, r, w.position) }

func writeList[S ~[]T, T any](w *wktWriter, s S, one func(T)) {
	if len(s) == 0 {
		w.dst = append(w.dst, "EMPTY"...)
		return
	}
	w.dst = append(w.dst, '(')
	for i, v := range s {
		if i > 0 {
			w.dst = append(w.dst, ',')
		}
		one(v)
	}
	w.dst = append(w.dst, ')')
}

func (w *wktWriter) position(p orb.Point) {
	w.dst = strconv.AppendFloat(w.dst, p[0], 'f', -1, 64)
	w.dst = append(w.dst, ' ')
	w.dst = strconv.AppendFloat(w.dst, p[1], 'f', -1, 64)
	if w.z != nil {
		z := float64(NoHeight)
		if w.n < len(w.z) && !math.IsNaN(w.z[w.n]) {
			z = w.z[w.n]
		} else {
			w.padded++
		}
		w.dst = append(w.dst, ' ')
		w.dst = strconv.AppendFloat(w.dst, z, 'f', -1, 64)
	}
	w.n++
}
