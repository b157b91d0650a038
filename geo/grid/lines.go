package grid

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/clip"

	"holdfast/geo"
)

const (
	widest = 4.0 // degrees of longitude or latitude beyond which no lines are drawn
	most   = 25  // lines per direction and zone
	bends  = 16  // straight pieces a line is drawn as
)

// Line is one line of the UTM grid in longitude and latitude. Its label is the
// part of the easting or northing that people read out: the digits below
// 100 km down to the spacing.
type Line struct {
	Shape orb.LineString
	Label string
	Major bool // every tenth
}

// Lines draws the UTM lines of every zone in a view, at the power of ten in
// metres that suits it. A view that is too wide, or reaches beyond UTM, gets
// none.
func Lines(b orb.Bound) ([]Line, error) {
	width, height := b.Right()-b.Left(), b.Top()-b.Bottom()
	if width <= 0 || height <= 0 || width > widest || height > widest || b.Bottom() < -80 || b.Top() > 84 {
		return nil, nil
	}
	var out []Line
	for west := b.Left(); west < b.Right(); {
		east := math.Min(b.Right(), nextZone(west))
		part := orb.Bound{Min: orb.Point{west, b.Bottom()}, Max: orb.Point{east, b.Top()}}
		lines, err := zoneLines(part, math.Max(width*math.Cos(b.Center().Lat()*math.Pi/180), height))
		if err != nil {
			return nil, err
		}
		out = append(out, lines...)
		west = east
	}
	return out, nil
}

// nextZone is the meridian where the six-degree zone of a longitude ends.
// The wide zones of Norway and Svalbard are drawn as parts of six degrees.
func nextZone(lon float64) float64 { return math.Floor(lon/6)*6 + 6 }

// zoneLines draws the lines of the zone that holds the middle of a part of
// the view; span is the view's greater side in degrees of latitude.
func zoneLines(part orb.Bound, span float64) ([]Line, error) {
	step := spacing(span)
	middle, err := Project(part.Center())
	if err != nil {
		return nil, err
	}
	lo, hi := middle, middle
	for _, p := range around(part) {
		c, err := projectIn(middle, p)
		if err != nil {
			return nil, err
		}
		lo.Easting, hi.Easting = min(lo.Easting, c.Easting), max(hi.Easting, c.Easting)
		lo.Northing, hi.Northing = min(lo.Northing, c.Northing), max(hi.Northing, c.Northing)
	}
	var out []Line
	add := func(value geo.Length, from, to Coord) error {
		line, err := curve(from, to)
		if err != nil {
			return err
		}
		for _, piece := range clip.LineString(part, line) {
			out = append(out, Line{Shape: piece, Label: label(value, step), Major: math.Mod(math.Round(float64(value/step)), 10) == 0})
		}
		return nil
	}
	for e := ceilTo(lo.Easting, step); e <= hi.Easting; e += step {
		from, to := lo, hi
		from.Easting, to.Easting = e, e
		if err := add(e, from, to); err != nil {
			return nil, err
		}
	}
	for n := ceilTo(lo.Northing, step); n <= hi.Northing; n += step {
		from, to := lo, hi
		from.Northing, to.Northing = n, n
		if err := add(n, from, to); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// spacing is the power of ten in metres that gives a view some three to
// twenty-five lines.
func spacing(span float64) geo.Length {
	metres := span * 111_000
	for step := 10.0; ; step *= 10 {
		if metres/step <= most || step >= 100_000 {
			return geo.Length(step)
		}
	}
}

// around walks the edge of a view.
func around(b orb.Bound) []orb.Point {
	var out []orb.Point
	for i := range bends {
		f := float64(i) / bends
		x, y := b.Left()+f*(b.Right()-b.Left()), b.Bottom()+f*(b.Top()-b.Bottom())
		out = append(out, orb.Point{x, b.Bottom()}, orb.Point{b.Right(), y}, orb.Point{x, b.Top()}, orb.Point{b.Left(), y})
	}
	return append(out, b.Max)
}

// projectIn projects a position on the edge of a zone into that zone: a point
// on its eastern edge already belongs to the next.
func projectIn(zone Coord, p orb.Point) (Coord, error) {
	c, err := Project(p)
	if err != nil || (c.Zone == zone.Zone && c.North == zone.North) {
		return c, err
	}
	const hair = 1e-9 // degrees, a tenth of a millimetre
	inward := orb.Point{p.Lon() - hair, p.Lat()}
	if c.North != zone.North {
		inward = orb.Point{p.Lon() - hair, math.Copysign(hair, -p.Lat())}
	}
	if c, err = Project(inward); err == nil && c.Zone != zone.Zone {
		return zone, nil // a wide zone: leave the rest to its neighbour
	}
	return c, err
}

// curve draws a line of constant easting or northing as a curve in
// longitude and latitude.
func curve(from, to Coord) (orb.LineString, error) {
	line := make(orb.LineString, 0, bends+1)
	for i := range bends + 1 {
		f := geo.Length(i) / bends
		c := from
		c.Easting += f * (to.Easting - from.Easting)
		c.Northing += f * (to.Northing - from.Northing)
		p, err := c.Point()
		if err != nil {
			return nil, fmt.Errorf("draw grid: %w", err)
		}
		line = append(line, p)
	}
	return line, nil
}

func ceilTo(v, step geo.Length) geo.Length {
	return geo.Length(math.Ceil(float64(v/step))) * step
}

// label writes the digits below 100 km, as USNG does: 42 for easting
// 642,000 at a spacing of 1 km, 423 for 642,300 at 100 m.
func label(value, step geo.Length) string {
	digits := 5 - int(math.Round(math.Log10(step.Metres())))
	if digits <= 0 {
		return ""
	}
	within := math.Mod(value.Metres(), 100_000) / step.Metres()
	return fmt.Sprintf("%0*d", digits, int(math.Round(within)))
}
