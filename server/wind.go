package server

import (
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
)

// wound turns the rings of a polygon the way RFC 7946 (3.1.6) writes them:
// outer rings anticlockwise, holes clockwise, heights going along. Files of
// other formats come with theirs the other way round.
func wound(g geojson.Geometry) geojson.Geometry {
	var polygons []orb.Polygon
	switch t := g.Geometry.(type) {
	case orb.Polygon:
		polygons = []orb.Polygon{t}
	case orb.MultiPolygon:
		polygons = t
	default:
		return g
	}
	out := make(orb.MultiPolygon, len(polygons))
	heights := slices.Clone(g.Z)
	at := 0
	for i, p := range polygons {
		out[i] = p.Clone()
		for j, ring := range out[i] {
			want := orb.CCW
			if j > 0 {
				want = orb.CW
			}
			if o := ring.Orientation(); o != 0 && o != want {
				slices.Reverse(ring)
				if len(heights) >= at+len(ring) {
					slices.Reverse(heights[at : at+len(ring)])
				}
			}
			at += len(ring)
		}
	}
	if _, ok := g.Geometry.(orb.Polygon); ok {
		return geojson.Geometry{Geometry: out[0], Z: heights}
	}
	return geojson.Geometry{Geometry: out, Z: heights}
}
