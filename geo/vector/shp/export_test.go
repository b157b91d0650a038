package shp

import (
	"github.com/paulmach/orb"
)

// Group puts rings together and says whether they ran the wrong way round and
// how many were astray.
func Group(rings ...orb.Ring) (out orb.MultiPolygon, reversed bool, astray int, err error) {
	var points []orb.Point
	var spans []span
	for _, r := range rings {
		spans = append(spans, span{len(points), len(points) + len(r)})
		points = append(points, r...)
	}
	g, err := groupRings(points, spans)
	for _, of := range g.of {
		var p orb.Polygon
		for _, s := range of {
			p = append(p, s.of(points))
		}
		out = append(out, p)
	}
	return out, g.reversed, g.astray, err
}
