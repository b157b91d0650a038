// Package terrain answers questions about the ground from an elevation
// raster: height, slope, aspect, the fall line from a point and the section
// along a bearing. Directions are true bearings and slopes are true to the
// ground whatever the raster's projection: every cell is measured by where
// its neighbours lie on the ellipsoid.
//
// Where the raster holds no height the answer says so by an ok flag; an
// unknown height is never taken for a number.
package terrain

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/terrain/raster"
)

// Plane converts between longitude and latitude on WGS 84, in degrees, and
// the plane that a raster's coordinates are in.
type Plane interface {
	Forward(lon, lat float64) (x, y float64, err error)
	Inverse(x, y float64) (lon, lat float64, err error)
}

// Surface is the ground that a raster describes: its cell values taken as
// heights at the cells' centres, with a bilinear surface between them.
type Surface struct {
	raster     *raster.Raster
	affine     raster.Affine
	plane      Plane
	unit       float64 // metres
	cols, rows int
}

// NewSurface places a raster on the ground. A nil plane stands for longitude
// and latitude in degrees; a raster known to be projected is refused without
// its plane. unit is the length of one unit of the cell values; 0 takes what
// the file says and, where it says nothing, the metre.
func NewSurface(r *raster.Raster, plane Plane, unit geo.Length) (*Surface, error) {
	s := &Surface{raster: r, affine: r.Affine(), plane: plane}
	s.cols, s.rows = r.Size()
	if unit == 0 {
		unit = r.CRS().VerticalUnit
	}
	if unit == 0 {
		unit = geo.Metre
	}
	s.unit = unit.Metres()
	if !(s.unit > 0) || math.IsInf(s.unit, 0) {
		return nil, fmt.Errorf("place raster: a vertical unit of %v m", s.unit)
	}
	if plane == nil {
		if err := s.geographic(r.CRS()); err != nil {
			return nil, fmt.Errorf("place raster: %w", err)
		}
	}
	return s, nil
}

// geographic takes the raster's coordinates for degrees, if they can be.
func (s *Surface) geographic(c raster.CRS) error {
	const degreeEPSG = 9102
	if c.Model == raster.ModelProjected {
		return fmt.Errorf("the raster is projected (EPSG:%d); its coordinate system is needed", c.EPSG)
	}
	if c.AngularEPSG != 0 && c.AngularEPSG != degreeEPSG {
		return fmt.Errorf("the raster's coordinates are angles, but not degrees (unit EPSG:%d)", c.AngularEPSG)
	}
	for _, corner := range [][2]int{{0, 0}, {s.cols, 0}, {0, s.rows}, {s.cols, s.rows}} {
		x, y := s.affine.Plane(float64(corner[0]), float64(corner[1]))
		// half a degree more than the globe, for cells about a pole or the antimeridian
		if math.Abs(x) > 360.5 || math.Abs(y) > 90.5 {
			return fmt.Errorf("the raster's corner %.6g, %.6g is not longitude and latitude; its coordinate system is needed", x, y)
		}
	}
	x, _ := s.affine.Plane(float64(s.cols)/2, float64(s.rows)/2)
	s.plane = degrees{middle: x}
	return nil
}

// degrees is the plane of longitude and latitude themselves, unrolled to both
// sides of a middle longitude.
type degrees struct{ middle float64 }

func (d degrees) Forward(lon, lat float64) (x, y float64, err error) {
	return d.middle + math.Remainder(lon-d.middle, 360), lat, nil
}

func (d degrees) Inverse(x, y float64) (lon, lat float64, err error) {
	if !(math.Abs(y) <= 90) {
		return 0, 0, fmt.Errorf("latitude %v is beyond the pole", y)
	}
	return math.Remainder(x, 360), y, nil
}

// centres returns the position of p in columns and rows counted from the
// centre of the first cell. A position within a millionth of a cell of a
// centre line is taken to be on it, so that rounding in the plane does not
// ask for a neighbour that does not count.
func (s *Surface) centres(p orb.Point) (u, v float64, err error) {
	if !(math.Abs(p.Lat()) <= 90) || !(math.Abs(p.Lon()) <= 360) {
		return 0, 0, fmt.Errorf("longitude %v, latitude %v is no place", p.Lon(), p.Lat())
	}
	x, y, err := s.plane.Forward(p.Lon(), p.Lat())
	if err != nil {
		return 0, 0, err
	}
	col, row := s.affine.Cell(x, y)
	return snap(col - 0.5), snap(row - 0.5), nil
}

func snap(v float64) float64 {
	if r := math.Round(v); math.Abs(v-r) < 1e-6 {
		return r
	}
	return v
}

// point returns the place of a position counted from the first centre.
func (s *Surface) point(u, v float64) (orb.Point, error) {
	x, y := s.affine.Plane(u+0.5, v+0.5)
	lon, lat, err := s.plane.Inverse(x, y)
	return orb.Point{lon, lat}, err
}

// within reports whether a position lies among the centres.
func (s *Surface) within(u, v float64) bool {
	return u >= 0 && v >= 0 && u <= float64(s.cols-1) && v <= float64(s.rows-1)
}

// patch is the bilinear surface between four neighbouring centres, heights in
// metres: z[row][col]. At a position on one of its sides the heights that do
// not count are NaN if unknown.
type patch struct {
	z        [2][2]float64
	col, row int
}

// patch reads the patch that holds a position, which must be within; u and v
// become the position in it, 0 to 1.
func (s *Surface) patch(u, v float64) (p patch, fu, fv float64, err error) {
	p.col, p.row = min(int(u), max(0, s.cols-2)), min(int(v), max(0, s.rows-2))
	for i := range 2 {
		for j := range 2 {
			z, ok, err := s.raster.Cell(p.col+j, p.row+i)
			if err != nil {
				return p, 0, 0, err
			}
			if !ok {
				z = math.NaN()
			}
			p.z[i][j] = z * s.unit
		}
	}
	return p, u - float64(p.col), v - float64(p.row), nil
}

// at is the height at a position in the patch, NaN when a height that counts
// is unknown.
func (p *patch) at(u, v float64) float64 {
	return mix(mix(p.z[0][0], p.z[0][1], u), mix(p.z[1][0], p.z[1][1], u), v)
}

func mix(a, b, t float64) float64 {
	switch t {
	case 0:
		return a
	case 1:
		return b
	}
	return a + t*(b-a)
}

// Height returns the height at p by bilinear interpolation between the four
// centres around it, in metres above the raster's own datum. ok is false
// where one of those that count is unknown and in the outer half of the cells
// along the raster's edge, where there is nothing to interpolate between.
func (s *Surface) Height(p orb.Point) (h geo.Length, ok bool, err error) {
	u, v, err := s.centres(p)
	if err != nil {
		return 0, false, fmt.Errorf("read height: %w", err)
	}
	if !s.within(u, v) {
		return 0, false, nil
	}
	patch, u, v, err := s.patch(u, v)
	if err != nil {
		return 0, false, fmt.Errorf("read height: %w", err)
	}
	z := patch.at(u, v)
	return geo.Length(z), z == z, nil
}
