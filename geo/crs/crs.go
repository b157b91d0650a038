package crs

import (
	"errors"
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/projection"
)

var (
	// ErrOutsideArea reports a position outside the system's area of use: the
	// coordinates are most likely in another system or another unit.
	ErrOutsideArea = errors.New("outside the area of use")
	// ErrUnknown reports a code or name that is not in the table.
	ErrUnknown = errors.New("coordinate system not known")
	// ErrUnsupported reports a definition that was understood, but for which
	// there is no projection or no kind of system here.
	ErrUnsupported = errors.New("not supported")
	// ErrNoShift reports a datum, or a place on it, from which no shift to
	// WGS 84 is known.
	ErrNoShift = errors.New("no datum shift to WGS 84 known")
)

// Axes is the order in which the authority lists a system's coordinates. It
// is for reading and writing formats that obey the authority, such as GML;
// this package's own x and y do not depend on it.
type Axes uint8

const (
	EastNorth Axes = iota
	NorthEast
	WestSouth // x is the westing, y the southing
)

// Unit is the unit of a system's coordinates: Factor is metres for a
// projected system, degrees for a geographic one.
type Unit struct {
	Name   string
	Factor float64
}

// CRS is a coordinate reference system. It is immutable and safe for
// concurrent use.
type CRS struct {
	Name      string
	Code      string // "EPSG:2264"; empty when not identified
	Datum     string
	Projected bool
	Unit      Unit
	Axes      Axes
	Area      *Area // nil when not known: then nothing is refused

	frame      frame
	margin     margin
	meridian   float64               // prime meridian of a geographic system, degrees east of Greenwich
	projection projection.Projection // nil for a geographic system
	base       base
	method     int // EPSG's of the projection
	params     params
}

// base is the geographic system a system is or stands on.
type base struct {
	name  string
	code  int // EPSG's, 0 when not identified
	datum *datum
	unit  float64 // degrees
}

// ToWGS84 returns the WGS 84 longitude and latitude of x, y in the system's
// own unit. It fails with ErrOutsideArea, ErrNoShift or, for coordinates that
// lie on no map at all, projection.ErrDomain.
func (c *CRS) ToWGS84(x, y float64) (orb.Point, error) {
	lon, lat, err := c.toGeographic(x, y)
	if err != nil {
		return orb.Point{}, err
	}
	if !c.covers(lon, lat) || c.looksGeographic(x, y, lon, lat) {
		return orb.Point{}, c.outside(x, y, lon, lat)
	}
	lon, lat, err = c.frame.toWGS84(lon, lat)
	if err != nil {
		return orb.Point{}, fmt.Errorf("convert from %s: %w", c, err)
	}
	return orb.Point{lon, lat}, nil
}

// FromWGS84 returns x, y in the system's own unit of a WGS 84 longitude and
// latitude. It is the exact inverse of ToWGS84 and fails in the same ways.
func (c *CRS) FromWGS84(p orb.Point) (x, y float64, err error) {
	if !c.covers(p[0], p[1]) {
		return 0, 0, c.outside(p[0], p[1], p[0], p[1])
	}
	if !(math.Abs(p[0]) <= 360 && math.Abs(p[1]) <= 90) {
		return 0, 0, fmt.Errorf("convert %v, %v to %s: %w", p[0], p[1], c, projection.ErrDomain)
	}
	lon, lat, err := c.frame.fromWGS84(p[0], p[1])
	if err != nil {
		return 0, 0, fmt.Errorf("convert to %s: %w", c, err)
	}
	return c.fromGeographic(lon, lat)
}

// covers reports whether the system is used at a longitude and latitude.
// Areas are boxes of hundredths of a degree, so the datum does not matter.
func (c *CRS) covers(lon, lat float64) bool { return c.Area.near(lon, lat, c.margin) }

// looksGeographic reports whether plane coordinates are most likely degrees:
// small numbers, which lie by the false origin, where that is off the area.
func (c *CRS) looksGeographic(x, y, lon, lat float64) bool {
	return c.projection != nil && c.Area != nil && math.Abs(x) <= 360 && math.Abs(y) <= 90 && !c.Area.contains(lon, lat)
}

// toGeographic returns longitude east of Greenwich and latitude in degrees on
// the system's own datum.
func (c *CRS) toGeographic(x, y float64) (lon, lat float64, err error) {
	if c.projection == nil {
		lon, lat = x*c.Unit.Factor+c.meridian, y*c.Unit.Factor
		if !(math.Abs(lon) <= 540 && math.Abs(lat) <= 90) {
			return 0, 0, fmt.Errorf("convert %v, %v from %s: no longitude and latitude: %w", x, y, c, projection.ErrDomain)
		}
		return wrap(lon), lat, nil
	}
	lon, lat, err = c.projection.Inverse(x*c.Unit.Factor, y*c.Unit.Factor)
	if err != nil {
		return 0, 0, fmt.Errorf("convert %v, %v from %s: %w", x, y, c, err)
	}
	return lon, lat, nil
}

func (c *CRS) fromGeographic(lon, lat float64) (x, y float64, err error) {
	if c.projection == nil {
		return wrap(lon-c.meridian) / c.Unit.Factor, lat / c.Unit.Factor, nil
	}
	x, y, err = c.projection.Forward(lon, lat)
	if err != nil {
		return 0, 0, fmt.Errorf("convert %v, %v to %s: %w", lon, lat, c, err)
	}
	return x / c.Unit.Factor, y / c.Unit.Factor, nil
}

func (c *CRS) outside(x, y, lon, lat float64) error {
	return fmt.Errorf("%v, %v in %s lies at longitude %.4f, latitude %.4f, %w (%s); check the coordinate system and its unit",
		x, y, c, lon, lat, ErrOutsideArea, c.Area)
}

// Accuracy returns the worst stated accuracy of the datum shifts that apply
// within the system, and false when one of them states none or there is none.
func (c *CRS) Accuracy() (geo.Length, bool) {
	if len(c.frame.shifts) == 0 {
		return 0, false
	}
	var worst geo.Length
	for i := range c.frame.shifts {
		s := &c.frame.shifts[i]
		if !s.Stated {
			return 0, false
		}
		worst = max(worst, s.Accuracy)
	}
	return worst, true
}

// WithGrid returns the same system with its datum shift taken from a grid
// file, which must lead from the system's datum to WGS 84 or to a datum that
// counts as the same, such as NAD83 or ETRS89. Positions the grid does not
// cover are then refused.
func (c *CRS) WithGrid(g *Grid) *CRS {
	d := *c
	d.frame.grid = g
	return &d
}

func (c *CRS) String() string {
	if c.Code == "" {
		return c.Name
	}
	return c.Name + " (" + c.Code + ")"
}

// wrap brings a longitude in degrees into -180 ≤ lon ≤ 180.
func wrap(lon float64) float64 {
	if lon >= -180 && lon <= 180 {
		return lon
	}
	return math.Remainder(lon, 360)
}
