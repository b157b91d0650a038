package crs

import (
	"fmt"
	"math"
)

// Area is an area of use: a box of longitudes and latitudes in degrees. East
// is less than West where it crosses the 180° meridian.
type Area struct {
	Name                     string
	West, South, East, North float64
}

// margin is how far outside its area of use a system is still used, in degrees
// of longitude and latitude.
type margin struct{ lon, lat float64 }

// Layers spill over the edge of their grid's area. Universal transverse
// Mercator is often kept for a whole state that begins in the next zone; other
// grids keep to their country or state, and a narrow margin catches swapped
// axes and mistaken units (own choice, no source).
var (
	zoneMargin = margin{lon: 3, lat: 1}
	gridMargin = margin{lon: 1, lat: 0.5}
)

// near reports whether a position in degrees lies in the area or within the
// margin around it. No area holds everything.
func (a *Area) near(lon, lat float64, m margin) bool {
	return a == nil || a.within(lon, lat, m.lon, m.lat)
}

func (a *Area) contains(lon, lat float64) bool { return a.within(lon, lat, 0, 0) }

func (a *Area) within(lon, lat, dlon, dlat float64) bool {
	if !(lat >= a.South-dlat && lat <= a.North+dlat) {
		return false
	}
	half := a.width()/2 + dlon
	return half >= 180 || math.Abs(math.Remainder(lon-a.West-a.width()/2, 360)) <= half
}

// width returns the degrees of longitude the area spans.
func (a *Area) width() float64 {
	if a.East < a.West {
		return a.East - a.West + 360
	}
	return a.East - a.West
}

// meets reports whether two areas overlap.
func (a *Area) meets(b *Area) bool {
	if a.South > b.North || b.South > a.North {
		return false
	}
	apart := math.Abs(math.Remainder(a.West+a.width()/2-b.West-b.width()/2, 360))
	return apart <= (a.width()+b.width())/2
}

// join returns the smallest area that holds both.
func (a Area) join(b *Area) Area {
	j := Area{Name: a.Name + "; " + b.Name, South: min(a.South, b.South), North: max(a.North, b.North)}
	// Measured eastward from a's western edge, b begins at one of two places.
	lead := math.Remainder(b.West-a.West, 360)
	west, east := min(0, lead), max(a.width(), lead+b.width())
	if east-west >= 360 {
		j.West, j.East = -180, 180
		return j
	}
	j.West, j.East = wrap(a.West+west), wrap(a.West+east)
	return j
}

// size orders areas by their extent in square degrees.
func (a *Area) size() float64 { return a.width() * (a.North - a.South) }

func (a *Area) String() string {
	return fmt.Sprintf("%s: longitude %g to %g, latitude %g to %g", a.Name, a.West, a.East, a.South, a.North)
}
