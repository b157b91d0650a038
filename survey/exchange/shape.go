package exchange

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"
	"github.com/peterstace/simplefeatures/geom"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// shape looks a geometry over: it closes rings and turns them the way that
// RFC 7946 §3.1.6 asks for, with a note, and refuses what has no place on the
// globe or crosses itself. extent, when not nil, is where the atlas lies: a
// place outside it that would fall inside with its two numbers exchanged is
// refused as swapped.
func shape(g geojson.Geometry, extent *orb.Bound) (geojson.Geometry, []string, error) {
	s := shaper{z: g.Z}
	out, err := s.geometry(g.Geometry)
	if err != nil {
		return g, nil, err
	}
	if s.positions == 0 {
		return g, nil, survey.Invalid("/geometry/coordinates", "is empty: there is no position")
	}
	if extent != nil && swapped(out.Bound(), *extent) {
		return g, nil, survey.Invalid("/geometry/coordinates", "lies outside the atlas, but inside it with the two numbers exchanged: longitude comes first, so they look swapped")
	}
	if err := valid(out); err != nil {
		return g, nil, err
	}
	fixed := geojson.Geometry{Geometry: out}
	if slices.ContainsFunc(s.out, func(z float64) bool { return !math.IsNaN(z) }) {
		fixed.Z = s.out
	}
	return fixed, s.notes(), nil
}

// shaper walks a geometry in the order of its heights and rebuilds both.
type shaper struct {
	z         []float64 // heights still to come
	out       []float64
	positions int
	closed    int
	turned    int
	noData    int
}

func (s *shaper) notes() []string {
	var out []string
	if s.closed > 0 {
		out = append(out, fmt.Sprintf("%s closed: the first position was repeated at the end", rings(s.closed)))
	}
	if s.turned > 0 {
		out = append(out, fmt.Sprintf("%s turned round: outer rings run counter-clockwise, holes clockwise (RFC 7946)", rings(s.turned)))
	}
	if s.noData > 0 {
		out = append(out, fmt.Sprintf("heights that are no-data marks such as -9999 are taken as not recorded (%d)", s.noData))
	}
	return out
}

func rings(n int) string {
	if n == 1 {
		return "1 ring was"
	}
	return fmt.Sprintf("%d rings were", n)
}

func (s *shaper) geometry(g orb.Geometry) (orb.Geometry, error) {
	switch g := g.(type) {
	case orb.Point:
		_, err := s.path(orb.LineString{g}, 1)
		return g, err
	case orb.MultiPoint:
		_, err := s.path(orb.LineString(g), 0)
		return g, err
	case orb.LineString:
		return s.path(g, 2)
	case orb.MultiLineString:
		return each(g, func(l orb.LineString) (orb.LineString, error) { return s.path(l, 2) })
	case orb.Polygon:
		return s.polygon(g)
	case orb.MultiPolygon:
		return each(g, s.polygon)
	case orb.Collection:
		return each(g, s.geometry)
	}
	return nil, survey.Invalid("/geometry", "is missing")
}

// each applies one to every part, into a new slice.
func each[S ~[]T, T any](parts S, one func(T) (T, error)) (S, error) {
	out := make(S, len(parts))
	for i, p := range parts {
		var err error
		if out[i], err = one(p); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// take returns the next n heights, NaN where there is none.
func (s *shaper) take(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = math.NaN()
		if i < len(s.z) {
			out[i] = s.z[i]
		}
		if noData(out[i]) {
			out[i] = math.NaN()
			s.noData++
		}
	}
	s.z = s.z[min(n, len(s.z)):]
	return out
}

// noData knows the marks that elevation data carry where there is no height:
// -9999, the least 16-bit number and the great negative floats (common
// practice, no source).
func noData(z float64) bool { return z == -9999 || z == -99999 || z == -32768 || z <= -1e30 }

// path checks the positions of a point, line or ring.
func (s *shaper) path(ps orb.LineString, least int) (orb.LineString, error) {
	s.positions += len(ps)
	s.out = append(s.out, s.take(len(ps))...)
	if len(ps) < least {
		return nil, survey.Invalid("/geometry/coordinates", "a line has %d positions; at least %d are needed", len(ps), least)
	}
	for i, p := range ps {
		if err := onGlobe(p); err != nil {
			return nil, err
		}
		if least > 1 && i > 0 && math.Abs(p.Lon()-ps[i-1].Lon()) > 180 {
			return nil, survey.Invalid("/geometry/coordinates", "crosses the 180° meridian: cut it there (RFC 7946 §3.1.9)")
		}
	}
	if least == 2 && !slices.ContainsFunc(ps, func(p orb.Point) bool { return p != ps[0] }) {
		return nil, survey.Invalid("/geometry/coordinates", "a line has no length: all its positions are the same")
	}
	return ps, nil
}

func onGlobe(p orb.Point) error {
	lon, lat := p.Lon(), p.Lat()
	const at = "/geometry/coordinates"
	switch {
	case math.IsNaN(lon+lat) || math.IsInf(lon+lat, 0):
		return survey.Invalid(at, "is not a number")
	case math.Abs(lat) > 90 && math.Abs(lat) <= 180 && math.Abs(lon) <= 90:
		return survey.Invalid(at, "latitude %g is beyond ±90: longitude comes first, so latitude and longitude look swapped", lat)
	case math.Abs(lon) > 180 && math.Abs(lat) > 90:
		return survey.Invalid(at, "%g, %g are no degrees: these look like metres or feet of a projected coordinate system: name the one that the file is in", lon, lat)
	case math.Abs(lat) > 90:
		return survey.Invalid(at, "latitude %g is beyond ±90", lat)
	case math.Abs(lon) > 180:
		return survey.Invalid(at, "longitude %g is beyond ±180", lon)
	}
	return nil
}

func (s *shaper) polygon(p orb.Polygon) (orb.Polygon, error) {
	out := make(orb.Polygon, 0, len(p))
	for i, r := range p {
		from := len(s.out)
		ps, err := s.path(orb.LineString(r), 3)
		if err != nil {
			return nil, err
		}
		r, z := orb.Ring(slices.Clone(ps)), slices.Clone(s.out[from:])
		if r[0] != r[len(r)-1] {
			r, z = append(r, r[0]), append(z, z[0])
			s.closed++
		}
		if len(r) < 4 {
			return nil, survey.Invalid("/geometry/coordinates", "a ring has %d different positions; at least 3 are needed", len(r)-1)
		}
		if area := twiceArea(r); area != 0 && (area > 0) != (i == 0) {
			slices.Reverse(r)
			slices.Reverse(z)
			s.turned++
		}
		s.out = append(s.out[:from], z...)
		out = append(out, r)
	}
	return out, nil
}

// twiceArea is positive for a ring that runs counter-clockwise. Differences
// from the first position keep small rings far from the origin exact.
func twiceArea(r orb.Ring) float64 {
	var sum float64
	for i := 1; i < len(r); i++ {
		a, b := r[i-1], r[i]
		sum += (a[0]-r[0][0])*(b[1]-r[0][1]) - (b[0]-r[0][0])*(a[1]-r[0][1])
	}
	return sum
}

// swapped tells whether b lies outside the extent, widened by half a degree,
// and inside it when the axes are exchanged.
func swapped(b, extent orb.Bound) bool {
	wide := extent.Pad(0.5)
	other := orb.Bound{Min: orb.Point{b.Min[1], b.Min[0]}, Max: orb.Point{b.Max[1], b.Max[0]}}
	return !wide.Intersects(b) && wide.Contains(other.Min) && wide.Contains(other.Max)
}

// valid refuses areas that are none by the OpenGIS Simple Feature Access rules
// (OGC 06-103r4 §6.1.11).
func valid(g orb.Geometry) error {
	var err error
	switch g := g.(type) {
	case orb.Polygon:
		err = polygonOf(g).Validate()
	case orb.MultiPolygon:
		parts := make([]geom.Polygon, len(g))
		for i, p := range g {
			parts[i] = polygonOf(p)
		}
		err = geom.NewMultiPolygon(parts).Validate()
	case orb.Collection:
		for _, part := range g {
			if err := valid(part); err != nil {
				return err
			}
		}
	}
	if err != nil {
		return survey.Invalid("/geometry/coordinates", "%s", plainRule(err))
	}
	return nil
}

func polygonOf(p orb.Polygon) geom.Polygon {
	lines := make([]geom.LineString, len(p))
	for i, r := range p {
		flat := make([]float64, 0, 2*len(r))
		for _, v := range r {
			flat = append(flat, v[0], v[1])
		}
		lines[i] = geom.NewLineString(geom.NewSequence(flat, geom.DimXY))
	}
	return geom.NewPolygon(lines)
}

// plainRule puts the validity rules into the words of people who draw maps.
func plainRule(err error) string {
	said := err.Error()
	_, where, _ := strings.Cut(said, "(at or near ")
	where = strings.Trim(where, "{})")
	for _, rule := range []struct{ theirs, ours string }{
		{"polygon ring not simple", "the ring that begins at " + where + " crosses or touches itself"},
		{"only one distinct XY", "a ring has no area: all its positions are the same"},
		{"polygon has nested rings", "a hole lies inside another hole"},
		{"outside of exterior ring", "a hole lies outside its outer ring, near " + where},
		{"disconnected interior", "its holes cut the area into pieces"},
		{"rings intersect at multiple points", "two of its rings cross or share an edge, near " + where},
		{"child polygons touch", "two of its parts overlap or share an edge, near " + where},
	} {
		if strings.Contains(said, rule.theirs) {
			return rule.ours
		}
	}
	return "is no valid area: " + said
}
