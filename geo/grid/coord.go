package grid

import (
	"fmt"
	"math"
	"strconv"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/projection"
)

// UPS is the zone number of both polar areas.
const UPS = 0

// The UTM and UPS projections: scale 0.9996 and 0.994, false easting 500 km
// and 2,000 km (NGA.SIG.0012, sections 7 and 10). UTM is held for longitudes
// relative to the central meridian.
var (
	utm      = projection.NewTransverseMercator(geo.WGS84, 0, 0, 0.9996, 500_000, 0)
	upsNorth = projection.NewPolarStereographicA(geo.WGS84, true, 0, 0.994, 2_000_000, 2_000_000)
	upsSouth = projection.NewPolarStereographicA(geo.WGS84, false, 0, 0.994, 2_000_000, 2_000_000)
)

// falseNorthing is added to UTM northings south of the equator, in metres.
const falseNorthing = 10_000_000

// Coord is a place on the UTM or UPS grid.
type Coord struct {
	Zone              int  // 1 to 60, or UPS
	North             bool // the hemisphere the northing is counted in
	Easting, Northing geo.Length
}

// Project returns the UTM or UPS coordinates of a position in its own zone.
// It refuses a longitude beyond ±180 and a latitude beyond ±90.
func Project(p orb.Point) (Coord, error) {
	zone, err := Zone(p)
	if err != nil {
		return Coord{}, err
	}
	x, y, err := forward(zone, p)
	return Coord{zone, p.Lat() >= 0, geo.Length(x), geo.Length(y)}, err
}

func forward(zone int, p orb.Point) (x, y float64, err error) {
	switch {
	case zone != UPS:
		x, y, err = utm.Forward(relative(zone, p.Lon()), p.Lat())
		if p.Lat() < 0 {
			y += falseNorthing
		}
		return x, y, err
	case p.Lat() >= 0:
		return upsNorth.Forward(p.Lon(), p.Lat())
	default:
		return upsSouth.Forward(p.Lon(), p.Lat())
	}
}

// Point returns the position of the coordinates, -180 ≤ lon ≤ 180. A place
// outside its own zone is accepted as long as it lies on the grid: eastings
// of 100 to 900 km and latitudes of 81° S to 85° N in UTM (the half degree of
// overlap of the standard, rounded up to whole squares), and in UPS the area
// of the lettered squares.
func (c Coord) Point() (orb.Point, error) {
	e, n := c.Easting.Metres(), c.Northing.Metres()
	if c.Zone == UPS {
		return c.polarPoint(e, n)
	}
	if c.Zone < 1 || c.Zone > 60 {
		return orb.Point{}, fmt.Errorf("UTM zone %d does not exist, they run from 1 to 60", c.Zone)
	}
	if !(e >= 100_000 && e < 900_000) {
		return orb.Point{}, fmt.Errorf("UTM easting %.0f m is off the grid, which runs from 100000 to 900000", e)
	}
	if !(n >= 0 && n <= falseNorthing) {
		return orb.Point{}, fmt.Errorf("UTM northing %.0f m is off the grid, which runs from 0 to 10000000", n)
	}
	if !c.North {
		n -= falseNorthing
	}
	lon, lat, err := utm.Inverse(e, n)
	if err != nil || lat < -81 || lat > 85 {
		return orb.Point{}, fmt.Errorf("UTM northing %.0f m lies beyond 80° S or 84° N, where UPS is used", c.Northing.Metres())
	}
	lon += centralMeridian(c.Zone)
	if lon < -180 || lon > 180 {
		lon = math.Remainder(lon, 360)
	}
	return orb.Point{lon, lat}, nil
}

func (c Coord) polarPoint(e, n float64) (orb.Point, error) {
	inverse, lo, hi := upsNorth.Inverse, 1_300_000.0, 2_700_000.0
	if !c.North {
		inverse, lo, hi = upsSouth.Inverse, 800_000, 3_200_000
	}
	if !(e >= lo && e < hi && n >= lo && n < hi) {
		return orb.Point{}, fmt.Errorf("UPS coordinates %.0f %.0f are off the grid, which runs from %.0f to %.0f", e, n, lo, hi)
	}
	lon, lat, err := inverse(e, n)
	return orb.Point{lon, lat}, err
}

// ConvergenceScale returns the grid convergence (the bearing of grid north
// clockwise from true north: grid bearing = true bearing - convergence) and
// the point scale (grid distance ÷ distance on the ellipsoid) at a position,
// on the grid that Project uses there.
func ConvergenceScale(p orb.Point) (gamma geo.Angle, k float64, err error) {
	zone, err := Zone(p)
	if err != nil {
		return 0, 0, err
	}
	switch {
	case zone != UPS:
		gamma, k = utm.ConvergenceScale(relative(zone, p.Lon()), p.Lat())
	case p.Lat() >= 0:
		gamma, k = upsNorth.ConvergenceScale(p.Lon(), p.Lat())
	default:
		gamma, k = upsSouth.ConvergenceScale(p.Lon(), p.Lat())
	}
	return gamma, k, nil
}

// AppendUTM appends the UTM or UPS coordinates of a position, rounded to
// decimals places of a metre (0 to 9): zone, band, easting, northing, as
// "15T 642364 4945775". Band S, which is north of the equator, is followed by
// the word north, because "15S" alone is also read as "15 south". Polar
// coordinates begin with their area letter, as "Z 2012345 1976543".
func AppendUTM(dst []byte, p orb.Point, decimals int) ([]byte, error) {
	c, err := Project(p)
	if err != nil {
		return dst, err
	}
	if decimals < 0 || decimals > 9 {
		return dst, fmt.Errorf("write UTM with %d decimals: 0 to 9 are possible", decimals)
	}
	if c.Zone != UPS {
		dst = strconv.AppendInt(dst, int64(c.Zone), 10)
		dst = append(dst, Band(p.Lat()))
		if dst[len(dst)-1] == 'S' {
			dst = append(dst, " north"...)
		}
	} else {
		dst = append(dst, polarArea(c.North, c.Easting.Metres()))
	}
	dst = strconv.AppendFloat(append(dst, ' '), c.Easting.Metres(), 'f', decimals, 64)
	return strconv.AppendFloat(append(dst, ' '), c.Northing.Metres(), 'f', decimals, 64), nil
}
