package drawing

import (
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/projection"
)

// sheet maps the ground to the paper: lon/lat to metres on a transverse
// Mercator plane through the middle of what is drawn (its scale error is
// below one part in a million within 9 km of it), then turned and scaled.
type sheet struct {
	plane  *projection.TransverseMercator
	centre [2]float64 // metres on the plane
	at     Pt         // where the centre lies on the paper
	scale  float64    // denominator
	up     float64    // bearing that points to the top of the paper, degrees
}

// newSheet returns a mapping with the given place on the ground at a place
// on the paper; ok is false where the place is none.
func newSheet(ground orb.Point, at Pt, scale, up float64) (s sheet, ok bool) {
	if !(math.Abs(ground.Lat()) <= 90) || !(math.Abs(ground.Lon()) <= 180) {
		return s, false
	}
	s = sheet{plane: projection.NewTransverseMercator(geo.WGS84, ground.Lon(), 0, 1, 0, 0), at: at, scale: scale, up: up}
	x, y, err := s.plane.Forward(ground.Lon(), ground.Lat())
	s.centre = [2]float64{x, y}
	return s, err == nil
}

// metres returns a place as metres right and ahead of the centre.
func (s sheet) metres(p orb.Point) (right, ahead float64, ok bool) {
	x, y, err := s.plane.Forward(p.Lon(), p.Lat())
	if err != nil {
		return 0, 0, false
	}
	x, y = x-s.centre[0], y-s.centre[1]
	sin, cos := math.Sincos(s.up * math.Pi / 180)
	return x*cos - y*sin, x*sin + y*cos, true
}

func (s sheet) mm(metres float64) float64 { return metres * 1000 / s.scale }

// spot is the place on the paper that lies so many metres right and ahead.
func (s sheet) spot(right, ahead float64) Pt {
	return Pt{s.at.X + s.mm(right), s.at.Y - s.mm(ahead)}
}

// on returns a place on the paper.
func (s sheet) on(p orb.Point) (Pt, bool) {
	r, a, ok := s.metres(p)
	return s.spot(r, a), ok
}

// geometry is a geometry on the paper: rings of areas, lines and places.
type geometry struct {
	areas  [][][]Pt
	lines  [][]Pt
	places []Pt
}

func (s sheet) geometry(g orb.Geometry) (out geometry) {
	line := func(ps []orb.Point) []Pt {
		pts := make([]Pt, 0, len(ps))
		for _, p := range ps {
			if q, ok := s.on(p); ok {
				pts = append(pts, q)
			}
		}
		return pts
	}
	var walk func(orb.Geometry)
	polygon := func(p orb.Polygon) {
		var rings [][]Pt
		for _, r := range p {
			rings = append(rings, line(r))
		}
		out.areas = append(out.areas, rings)
	}
	walk = func(g orb.Geometry) {
		switch g := g.(type) {
		case orb.Point:
			out.places = append(out.places, line([]orb.Point{g})...)
		case orb.MultiPoint:
			out.places = append(out.places, line(g)...)
		case orb.LineString:
			out.lines = append(out.lines, line(g))
		case orb.MultiLineString:
			for _, l := range g {
				out.lines = append(out.lines, line(l))
			}
		case orb.Ring:
			polygon(orb.Polygon{g})
		case orb.Polygon:
			polygon(g)
		case orb.MultiPolygon:
			for _, p := range g {
				polygon(p)
			}
		case orb.Collection:
			for _, part := range g {
				walk(part)
			}
		}
	}
	walk(g)
	return out
}

// outlines returns every line and ring of the geometry.
func (g geometry) outlines() [][]Pt {
	out := append([][]Pt(nil), g.lines...)
	for _, rings := range g.areas {
		for _, r := range rings {
			if len(r) > 0 {
				out = append(out, append(append([]Pt(nil), r...), r[0]))
			}
		}
	}
	return out
}
