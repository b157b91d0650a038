package server

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"

	"github.com/paulmach/orb"

	"holdfast/geo/cql2"
	"holdfast/geo/crs"
	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/survey"
)

// system is a coordinate system a collection is offered in (18-058r1). On the
// wire its axes are in the order of its authority.
type system struct {
	uri     string
	name    string
	crs     *crs.CRS // nil: CRS84, as stored
	swapped bool     // y before x on the wire
}

const (
	crs84     = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"
	crs84h    = "http://www.opengis.net/def/crs/OGC/0/CRS84h"
	epsg      = "http://www.opengis.net/def/crs/EPSG/0/"
	webSphere = 3857
)

// Heights are stored as they were surveyed, so the systems with and without
// them differ in their name only.
var (
	stored84 = system{uri: crs84, name: sayLonLat}
	high84   = system{uri: crs84h, name: sayLonLatHeight}
)

// degrees tells the systems whose coordinates are those stored, but perhaps
// for their order.
func (s system) degrees() bool {
	return s.crs == nil || s.crs.Code == "EPSG:4326" || s.crs.Code == "EPSG:4979"
}

func newSystem(c *crs.CRS) system {
	return system{uri: epsg + strings.TrimPrefix(c.Code, "EPSG:"), name: c.Name, crs: c, swapped: c.Axes == crs.NorthEast}
}

// statePlanes are the grids of the US states on NAD83, in metres and in feet.
// They lie in these ranges of the EPSG dataset, among codes of other kinds.
var statePlanes = sync.OnceValue(func() []system {
	var out []system
	for _, codes := range [][2]int{{2222, 2289}, {26929, 26998}, {32099, 32161}} {
		for code := codes[0]; code <= codes[1]; code++ {
			c, err := crs.ByEPSG(code)
			if err == nil && c.Projected && c.Area != nil && strings.HasPrefix(c.Name, "NAD83 / ") && !strings.Contains(c.Name, "UTM") {
				out = append(out, newSystem(c))
			}
		}
	}
	return out
})

// systemsFor lists the systems that every position within the bounds has
// coordinates in: of the world, of the UTM zones and of the state planes
// around its middle.
func systemsFor(b orb.Bound, known bool) []system {
	out := []system{stored84, high84}
	add := func(code int) {
		c, err := crs.ByEPSG(code)
		if err != nil {
			return
		}
		if one := newSystem(c); !known || one.holds(b) {
			out = append(out, one)
		}
	}
	add(4326)
	add(4979)
	add(webSphere)
	if !known {
		return out
	}
	zone := func(lon float64) int { return min(60, int(math.Floor((lon+180)/6))+1) }
	for z := zone(b.Left()); z <= zone(b.Right()) && zone(b.Right())-zone(b.Left()) < 3; z++ {
		if b.Top() >= 0 {
			add(32600 + z)
		}
		if b.Bottom() < 0 {
			add(32700 + z)
		}
	}
	at := b.Center()
	for _, one := range statePlanes() {
		if a := one.crs.Area; at.Lon() >= a.West && at.Lon() <= a.East && at.Lat() >= a.South && at.Lat() <= a.North && one.holds(b) {
			out = append(out, one)
		}
	}
	return out
}

// holds tells whether a box of degrees has coordinates in the system.
func (s system) holds(b orb.Bound) bool {
	for _, p := range []orb.Point{b.Min, {b.Max[0], b.Min[1]}, b.Max, {b.Min[0], b.Max[1]}, b.Center()} {
		x, y, err := s.crs.FromWGS84(p)
		if err == nil {
			_, err = s.crs.ToWGS84(x, y)
		}
		if err != nil {
			return false
		}
	}
	return true
}

// systemOf reads a parameter that names a system; without it, it is CRS84.
func systemOf(q url.Values, parameter string, offered []system) (system, error) {
	if !q.Has(parameter) {
		return stored84, nil
	}
	return findSystem(q.Get(parameter), parameter, offered)
}

func findSystem(uri, parameter string, offered []system) (system, error) {
	i := slices.IndexFunc(offered, func(s system) bool { return s.uri == uri })
	if i < 0 {
		return system{}, badParameter(parameter, sayNoSystemHere, uri, strings.Join(urisOf(offered), ", "))
	}
	return offered[i], nil
}

func urisOf(systems []system) []string {
	out := make([]string, len(systems))
	for i, s := range systems {
		out[i] = s.uri
	}
	return out
}

// read takes a position from the wire to longitude and latitude.
func (s system) read(p orb.Point) (orb.Point, error) {
	if s.swapped {
		p[0], p[1] = p[1], p[0]
	}
	if s.degrees() {
		return p, nil
	}
	return s.crs.ToWGS84(p[0], p[1])
}

// write takes a position to the wire. Plane coordinates are cut to a tenth of
// a millimetre.
func (s system) write(p orb.Point) (orb.Point, error) {
	if !s.degrees() {
		x, y, err := s.crs.FromWGS84(p)
		if err != nil {
			return p, err
		}
		p = orb.Point{x, y}
		if s.crs.Projected {
			p = orb.Point{math.Round(x*1e4) / 1e4, math.Round(y*1e4) / 1e4}
		}
	}
	if s.swapped {
		p[0], p[1] = p[1], p[0]
	}
	return p, nil
}

// written returns a Feature with its geometry in the system; heights stay.
func (s system) written(f geojson.Feature) (geojson.Feature, error) {
	if s.crs == nil {
		return f, nil
	}
	g, err := vector.Map(f.Geometry.Geometry, s.write)
	if err != nil {
		return f, fmt.Errorf("write feature %s in %s: %w", f.ID, s.uri, err)
	}
	f.Geometry = geojson.Geometry{Geometry: g, Z: f.Geometry.Z}
	return f, nil
}

// stamp says in which system an answer is (18-058r1, /req/crs/ogc-crs-header).
func (s system) stamp(w http.ResponseWriter) { w.Header().Set("Content-Crs", "<"+s.uri+">") }

// fromContentCRS brings a Feature that was sent in another system to WGS 84
// (20-002, /req/features/crs-other-crs).
func fromContentCRS(r *http.Request, f geojson.Feature, offered []system) (geojson.Feature, error) {
	text := strings.TrimSpace(r.Header.Get("Content-Crs"))
	if text == "" {
		return f, nil
	}
	s, err := findSystem(strings.TrimSuffix(strings.TrimPrefix(text, "<"), ">"), "Content-Crs", offered)
	if err != nil || s.crs == nil {
		return f, err
	}
	g, err := vector.Map(f.Geometry.Geometry, s.read)
	if err != nil {
		return f, survey.Invalid("/geometry/coordinates", "%s", err)
	}
	f.Geometry = geojson.Geometry{Geometry: g, Z: f.Geometry.Z}
	return f, nil
}

// boxIn reads a bounding box in a system. It is a box of degrees where the
// system's grid runs along the meridians, and a condition elsewhere.
func boxIn(q url.Values, s system) (*orb.Bound, cql2.Expr, error) {
	v, err := boxNumbers(q)
	if v == nil || err != nil {
		return nil, nil, err
	}
	switch {
	case s.crs == nil:
		b, err := boundOf(*v)
		return b, nil, err
	case s.degrees():
		b, err := boundOf([4]float64{v[1], v[0], v[3], v[2]})
		return b, nil, err
	case s.crs.Code == fmt.Sprint("EPSG:", webSphere):
		b, err := sphereBox(*v, s)
		return b, nil, err
	}
	if v[0] > v[2] || v[1] > v[3] {
		return nil, nil, badParameter("bbox", sayCornersCrossed)
	}
	box, err := cql2.Transform(cql2.Box{Coordinates: v[:]}, s.read)
	if err != nil {
		return nil, nil, badParameter("bbox", sayNotUsableIn, s.uri, err)
	}
	return nil, cql2.Call{Op: cql2.SIntersects, Args: []cql2.Expr{cql2.Property{Name: geometryName}, box}}, nil
}

// sphereBox reads a box of web Mercator; what reaches beyond the square map
// ends with it.
func sphereBox(v [4]float64, s system) (*orb.Bound, error) {
	const half = math.Pi * 6378137
	for i := range v {
		v[i] = max(-half, min(half, v[i]))
	}
	low, err := s.read(orb.Point{0, v[1]})
	if err != nil {
		return nil, badParameter("bbox", "%s", err)
	}
	high, err := s.read(orb.Point{0, v[3]})
	if err != nil {
		return nil, badParameter("bbox", "%s", err)
	}
	return boundOf([4]float64{v[0] / half * 180, low[1], v[2] / half * 180, high[1]})
}
