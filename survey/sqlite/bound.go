package sqlite

import (
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
)

var world = orb.Bound{Min: orb.Point{-180, -90}, Max: orb.Point{180, 90}}

// extent returns the bounds of a geometry. A line that jumps by more than half
// the globe crosses the 180° meridian without having been cut there, which
// RFC 7946 §3.1.9 asks for; it then gets every longitude, so that no search
// misses it.
func extent(g orb.Geometry) orb.Bound {
	b := g.Bound()
	if crosses(g) {
		b.Min[0], b.Max[0] = -180, 180
	}
	return b
}

func crosses(g orb.Geometry) bool {
	switch g := g.(type) {
	case orb.LineString:
		for i := 1; i < len(g); i++ {
			if math.Abs(g[i].Lon()-g[i-1].Lon()) > 180 {
				return true
			}
		}
	case orb.Ring:
		return crosses(orb.LineString(g))
	case orb.MultiLineString:
		return anyCrosses(g)
	case orb.Polygon:
		return anyCrosses(g)
	case orb.MultiPolygon:
		return anyCrosses(g)
	case orb.Collection:
		return anyCrosses(g)
	}
	return false
}

func anyCrosses[S ~[]G, G orb.Geometry](parts S) bool {
	for _, part := range parts {
		if crosses(part) {
			return true
		}
	}
	return false
}

// around returns a box that holds every place within r of p. It is a little
// too big: a degree of latitude is taken as 110 574 m and a degree of
// longitude as 111 319 m · cos(latitude), their least values on the WGS 84
// ellipsoid. Near a pole it holds every longitude; across the 180° meridian
// its Min is east of its Max.
func around(p orb.Point, r geo.Length) (orb.Bound, error) {
	if !finite(p.Lon(), p.Lat(), r.Metres()) || r < 0 || math.Abs(p.Lat()) > 90 || math.Abs(p.Lon()) > 180 {
		return orb.Bound{}, survey.Invalid("", "longitude %g, latitude %g and %g m are no place and distance", p.Lon(), p.Lat(), r.Metres())
	}
	dLat := r.Metres()/110574 + 1e-9
	south, north := max(-90, p.Lat()-dLat), min(90, p.Lat()+dLat)
	furthest := math.Abs(p.Lat()) + dLat
	if furthest >= 90 {
		return orb.Bound{Min: orb.Point{-180, south}, Max: orb.Point{180, north}}, nil
	}
	dLon := r.Metres()/(111319*math.Cos(furthest*math.Pi/180)) + 1e-9
	if dLon >= 180 {
		return orb.Bound{Min: orb.Point{-180, south}, Max: orb.Point{180, north}}, nil
	}
	west, east := p.Lon()-dLon, p.Lon()+dLon
	if west < -180 {
		west += 360
	}
	if east > 180 {
		east -= 360
	}
	return orb.Bound{Min: orb.Point{west, south}, Max: orb.Point{east, north}}, nil
}

// A box index pays while the box holds few rows. Beyond, a page is found
// faster by walking the rows in their order, and a count by reading all.
const (
	fewRows  = 5_000
	fewCount = 100_000
)

// meeting is the condition that the bounds of a row meet a box.
type meeting struct {
	sql  string
	args []any
	few  bool // the box index leads to the rows
}

// meets writes that condition. The box table holds 32-bit numbers rounded
// outward, so it only narrows the search and the row's own numbers decide.
func (s *Store) meets(ctx context.Context, table string, b orb.Bound, few int) (meeting, error) {
	if !finite(b.Min[0], b.Min[1], b.Max[0], b.Max[1]) {
		return meeting{}, survey.Invalid("", "a bounding box needs four numbers")
	}
	in := func(of string) string {
		box := of + ".east >= ? AND " + of + ".west <= ? AND " + of + ".north >= ? AND " + of + ".south <= ?"
		if b.Min[0] > b.Max[0] { // across the 180° meridian
			return "(" + box + " OR " + box + ")"
		}
		return box
	}
	args := []any{b.Min[0], b.Max[0], b.Min[1], b.Max[1]}
	if b.Min[0] > b.Max[0] {
		args = []any{b.Min[0], 180.0, b.Min[1], b.Max[1], -180.0, b.Max[0], b.Min[1], b.Max[1]}
	}
	boxed := ` FROM ` + table + `_box AS box WHERE ` + in("box")
	var found int
	err := s.read.QueryRowContext(ctx, `SELECT count(*) FROM (SELECT 1`+boxed+` LIMIT ?)`, append(slices.Clone(args), few+1)...).Scan(&found)
	if err != nil || found > few {
		return meeting{sql: in(table), args: args}, err
	}
	return meeting{sql: table + `.n IN (SELECT n` + boxed + `) AND ` + in(table), args: append(args, args...), few: true}, nil
}

func finite(vs ...float64) bool {
	for _, v := range vs {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// Bounds returns a box round all sites and points or, in an atlas without any,
// round its layers, as Extent does; false when there is nothing at all.
func (s *Store) Bounds(ctx context.Context) (orb.Bound, bool, error) {
	var all orb.Bound
	found := false
	for _, table := range []string{Sites, Points, "layer_features"} {
		b, ok, err := s.extent(ctx, table)
		switch {
		case err != nil:
			return all, false, err
		case table == "layer_features" && found, !ok:
			continue
		case found:
			b = all.Union(b)
		}
		all, found = b, true
	}
	return all, found, nil
}

// Extent returns a box round all sites or points, a little wider than they
// lie: its numbers are 32-bit ones, rounded outward. It is false when there
// are none.
func (s *Store) Extent(ctx context.Context, collection string) (orb.Bound, bool, error) {
	if collection != Sites && collection != Points {
		return orb.Bound{}, false, survey.NotFound("collection", collection)
	}
	return s.extent(ctx, collection)
}

// extent reads the root of a table's R*Tree, whose boxes hold all others: a
// query for the least and the greatest would read every leaf. The layout of a
// node is that of sqlite.org/rtree.html section 7.1: two bytes of depth, two of
// the number of cells, and for each cell an 8-byte number and its 32-bit
// bounds, everything big-endian.
func (s *Store) extent(ctx context.Context, table string) (orb.Bound, bool, error) {
	var node []byte
	if err := s.read.QueryRowContext(ctx, `SELECT data FROM `+table+`_box_node WHERE nodeno = 1`).Scan(&node); err != nil {
		return orb.Bound{}, false, explain("read extent", err)
	}
	const head, cell = 4, 8 + 4*4
	if len(node) < head {
		return orb.Bound{}, false, fmt.Errorf("read extent: the index of %s is damaged", table)
	}
	n := int(binary.BigEndian.Uint16(node[2:]))
	if n == 0 {
		return orb.Bound{}, false, nil
	}
	if len(node) < head+n*cell {
		return orb.Bound{}, false, fmt.Errorf("read extent: the index of %s is damaged", table)
	}
	b := orb.Bound{Min: world.Max, Max: world.Min}
	for i := range n {
		at := func(k int) float64 {
			return float64(math.Float32frombits(binary.BigEndian.Uint32(node[head+i*cell+8+4*k:])))
		}
		b.Min = orb.Point{min(b.Min[0], max(-180, at(0))), min(b.Min[1], max(-90, at(2)))}
		b.Max = orb.Point{max(b.Max[0], min(180, at(1))), max(b.Max[1], min(90, at(3)))}
	}
	return b, true, nil
}
