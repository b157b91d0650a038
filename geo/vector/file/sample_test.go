package file_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
)

// seed of all random samples of this package.
const seed = 20261125

// kinds are the geometry types that samples are made of.
var kinds = []string{"Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon"}

// sampler makes random records.
type sampler struct {
	*rand.Rand
	z     bool
	round bool // to what GDAL's writers keep: 9 places of a degree, 6 of a value, 15 digits
	level bool // all positions of a geometry have one height
	n     int
}

func newSampler(t *testing.T, stream uint64) *sampler {
	t.Logf("seed %d, stream %d", seed, stream)
	return &sampler{Rand: rand.New(rand.NewPCG(seed, stream))}
}

func (s *sampler) point() orb.Point { return s.rounded(orb.Point{-91 + s.Float64(), 44 + s.Float64()}) }

func (s *sampler) rounded(p orb.Point) orb.Point {
	if s.round {
		return orb.Point{math.Round(p[0]*1e9) / 1e9, math.Round(p[1]*1e9) / 1e9}
	}
	return p
}

func (s *sampler) path(n int) []orb.Point {
	out := make([]orb.Point, n)
	for i := range out {
		out[i] = s.point()
	}
	return out
}

// ring is a star round a centre, closed, counter-clockwise.
func (s *sampler) ring(at orb.Point, radius float64) orb.Ring {
	n := 4 + s.IntN(6)
	var r orb.Ring
	for i := range n {
		sin, cos := math.Sincos(2 * math.Pi * (float64(i) + 0.5*s.Float64()) / float64(n))
		d := radius * (0.6 + 0.4*s.Float64())
		r = append(r, s.rounded(orb.Point{at[0] + d*cos, at[1] + d*sin}))
	}
	return append(r, r[0])
}

func (s *sampler) polygon(at orb.Point) orb.Polygon {
	p := orb.Polygon{s.ring(at, 0.04)}
	if s.IntN(2) == 0 {
		hole := s.ring(at, 0.01)
		slices.Reverse(hole)
		p = append(p, hole)
	}
	return p
}

func (s *sampler) shape(kind string) orb.Geometry {
	switch kind {
	case "Point":
		return s.point()
	case "MultiPoint":
		return orb.MultiPoint(s.path(2 + s.IntN(3)))
	case "LineString":
		return orb.LineString(s.path(2 + s.IntN(5)))
	case "MultiLineString":
		return orb.MultiLineString{s.path(2), s.path(3 + s.IntN(3))}
	case "Polygon":
		return s.polygon(s.point())
	case "MultiPolygon":
		at := s.point()
		return orb.MultiPolygon{s.polygon(at), s.polygon(orb.Point{at[0] + 0.2, at[1]}), s.polygon(orb.Point{at[0], at[1] + 0.2})}
	}
	panic("no such kind: " + kind)
}

func (s *sampler) geometry(kind string) geojson.Geometry {
	g := geojson.Geometry{Geometry: s.shape(kind)}
	if s.z {
		for i := range vector.Count(g.Geometry) {
			g.Z = append(g.Z, math.Round(1e6*s.Float64())/1000)
			if s.level {
				g.Z[i] = g.Z[0]
			}
		}
		if p, is := g.Geometry.(orb.Polygon); is {
			closeHeights(g.Z, p)
		}
		if m, is := g.Geometry.(orb.MultiPolygon); is {
			z := g.Z
			for _, p := range m {
				z = closeHeights(z, p)
			}
		}
	}
	return g
}

// closeHeights gives the last position of each ring the height of its first.
func closeHeights(z []float64, p orb.Polygon) []float64 {
	for _, r := range p {
		z[len(r)-1] = z[0]
		z = z[len(r):]
	}
	return z
}

var texts = []string{"Größe, \"quoted\"; 川", "Střítež nad Ludinou", "O'Neil & <Sons>", "🌲 emoji", "two\nlines", "plain", "tab\there", "back\\slash", "trailing comma,", strings.Repeat("Ω", 60)}

// fields are those of the samples.
var fields = []vector.Field{
	{Name: "name", Type: vector.Text},
	{Name: "n", Type: vector.Integer},
	{Name: "big", Type: vector.Integer},
	{Name: "v", Type: vector.Real},
	{Name: "ok", Type: vector.Boolean},
	{Name: "day", Type: vector.Day},
	{Name: "at", Type: vector.DateTime},
}

func (s *sampler) value(f vector.Field) any {
	if s.IntN(5) == 0 && s.n > 1 { // the first record has all, so that types can be told from it
		return nil
	}
	switch f.Name {
	case "name":
		return texts[s.IntN(len(texts))]
	case "n":
		return s.Int64N(2_000_000) - 1_000_000
	case "big":
		if s.round {
			return s.Int64N(2e14) - 1e14
		}
		return s.Int64N(1<<52) - 1<<51 + 1<<40
	case "v":
		v := s.NormFloat64() * math.Pow(10, float64(s.IntN(12)-6))
		if s.round {
			v = math.Round(v*1e6) / 1e6
		}
		return v
	case "ok":
		return s.IntN(2) == 0
	case "day":
		return vector.Date{Year: 1990 + s.IntN(60), Month: time.Month(1 + s.IntN(12)), Day: 1 + s.IntN(28)}
	}
	return time.Date(2026, time.Month(1+s.IntN(12)), 1+s.IntN(28), s.IntN(24), s.IntN(60), s.IntN(60), 1e6*s.IntN(1000), time.UTC)
}

func (s *sampler) record(kind string) vector.Record {
	s.n++
	r := vector.Record{Number: s.n, Geometry: s.geometry(kind)}
	for _, f := range fields {
		r.Properties = append(r.Properties, vector.Property{Name: f.Name, Value: s.value(f)})
	}
	return r
}

// records makes n records of the kinds in turn.
func (s *sampler) records(n int, kinds ...string) []vector.Record {
	var out []vector.Record
	for i := range n {
		out = append(out, s.record(kinds[i%len(kinds)]))
	}
	return out
}

// nested is a geometry as GeoJSON writes it, in Go values of encoding/json.
func nested(g geojson.Geometry) map[string]any {
	z := g.Z
	return nest(g.Geometry, &z)
}

func nest(g orb.Geometry, z *[]float64) map[string]any {
	position := func(p orb.Point) any {
		out := []any{p[0], p[1]}
		if len(*z) > 0 {
			if h := (*z)[0]; !math.IsNaN(h) {
				out = append(out, h)
			}
			*z = (*z)[1:]
		}
		return out
	}
	path := func(ps []orb.Point) any {
		out := []any{}
		for _, p := range ps {
			out = append(out, position(p))
		}
		return out
	}
	polygon := func(p orb.Polygon) any {
		out := []any{}
		for _, r := range p {
			out = append(out, path(r))
		}
		return out
	}
	var c any
	switch g := g.(type) {
	case nil:
		return nil
	case orb.Point:
		c = position(g)
	case orb.MultiPoint:
		c = path(g)
	case orb.LineString:
		c = path(g)
	case orb.MultiLineString:
		all := []any{}
		for _, l := range g {
			all = append(all, path(l))
		}
		c = all
	case orb.Polygon:
		c = polygon(g)
	case orb.MultiPolygon:
		all := []any{}
		for _, p := range g {
			all = append(all, polygon(p))
		}
		c = all
	case orb.Collection:
		all := []any{}
		for _, m := range g {
			all = append(all, nest(m, z))
		}
		return map[string]any{"type": "GeometryCollection", "geometries": all}
	default:
		panic(fmt.Sprintf("no such geometry: %T", g))
	}
	return map[string]any{"type": g.GeoJSONType(), "coordinates": c}
}
