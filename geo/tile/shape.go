package tile

import (
	"math"
	"slices"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/clip"
	"github.com/paulmach/orb/simplify"
)

// tolerance is how far simplifying may move an outline, in units: less than
// what a screen shows, since a tile is drawn some 512 pixels wide.
const tolerance = 1

// shapes returns what the tile shows of a geometry, on its grid: at most one
// geometry each of points, lines and areas.
func (g grid) shapes(of orb.Geometry) []orb.Geometry {
	var points orb.MultiPoint
	var lines orb.MultiLineString
	var areas orb.MultiPolygon
	var add func(orb.Geometry)
	add = func(of orb.Geometry) {
		if of == nil || !within(of.Bound()) {
			return
		}
		switch of := of.(type) {
		case orb.Point:
			points = append(points, g.points(orb.MultiPoint{of})...)
		case orb.MultiPoint:
			points = append(points, g.points(of)...)
		case orb.LineString:
			lines = append(lines, g.lines(of)...)
		case orb.MultiLineString:
			for _, l := range of {
				lines = append(lines, g.lines(l)...)
			}
		case orb.Ring:
			areas = append(areas, g.areas(orb.Polygon{of})...)
		case orb.Polygon:
			areas = append(areas, g.areas(of)...)
		case orb.MultiPolygon:
			for _, p := range of {
				areas = append(areas, g.areas(p)...)
			}
		case orb.Collection:
			for _, c := range of {
				add(c)
			}
		case orb.Bound:
			areas = append(areas, g.areas(of.ToPolygon())...)
		}
	}
	add(of)
	var out []orb.Geometry
	switch len(points) {
	case 0:
	case 1:
		out = append(out, points[0])
	default:
		out = append(out, points)
	}
	switch len(lines) {
	case 0:
	case 1:
		out = append(out, lines[0])
	default:
		out = append(out, lines)
	}
	switch len(areas) {
	case 0:
	case 1:
		out = append(out, areas[0])
	default:
		out = append(out, areas)
	}
	return out
}

// within refuses geometries with positions that are not on the globe.
func within(b orb.Bound) bool {
	return finite(b.Min[0]) && finite(b.Min[1]) && finite(b.Max[0]) && finite(b.Max[1])
}

func (g grid) points(ps orb.MultiPoint) orb.MultiPoint {
	var out orb.MultiPoint
	seen := make(map[orb.Point]bool, len(ps))
	for _, p := range ps {
		p = round(g.project(p))
		if window.Contains(p) && !seen[p] {
			seen[p] = true
			out = append(out, p)
		}
	}
	return out
}

// round puts a position on the grid, halves up, so that tiles beside each
// other round alike.
func round(p orb.Point) orb.Point { return orb.Point{math.Floor(p[0] + 0.5), math.Floor(p[1] + 0.5)} }

func (g grid) projected(ps []orb.Point) []orb.Point {
	out := make([]orb.Point, len(ps))
	for i, p := range ps {
		out[i] = g.project(p)
	}
	return out
}

func (g grid) lines(l orb.LineString) orb.MultiLineString {
	cut := clip.LineString(window, g.projected(l))
	var out orb.MultiLineString
	for _, l := range cut {
		l = simplify.DouglasPeucker(tolerance).LineString(l)
		for i, p := range l {
			l[i] = round(p)
		}
		if l = slices.Compact(l); len(l) > 1 {
			out = append(out, l)
		}
	}
	return out
}

// areas returns the valid polygons that a polygon becomes on the grid.
func (g grid) areas(p orb.Polygon) orb.MultiPolygon {
	var rings []orb.Ring
	for _, r := range p {
		rings = append(rings, cut(g.projected(r))...)
	}
	for by := float64(tolerance); ; by *= 2 {
		if out, ok := assemble(thin(rings, by)); ok {
			return out
		}
	}
}

// thin simplifies rings and puts them on the grid.
func thin(rings []orb.Ring, by float64) []ring {
	var out []ring
	for _, r := range rings {
		r = simplify.DouglasPeucker(by).Ring(slices.Clone(r))
		on := make(ring, len(r))
		for i, p := range r {
			p = round(p)
			on[i] = vertex{int(p[0]), int(p[1])}
		}
		if on = tidy(on); on != nil {
			out = append(out, on)
		}
	}
	return out
}
