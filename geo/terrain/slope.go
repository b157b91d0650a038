package terrain

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Slope is the steepness of the ground and the direction it falls to.
type Slope struct {
	Angle geo.Angle
	// Aspect is the direction of steepest descent; it means nothing where
	// HasAspect is false, on level ground.
	Aspect    geo.Bearing
	HasAspect bool
}

// SlopeAt returns the slope of one cell by Horn's method (Horn 1981, "Hill
// shading and the reflectance map", Proc. IEEE 69): the weighted differences
// over its eight neighbours. ok is false where one of the nine is unknown and
// on the raster's edge. It smooths over three cells: a bank less than that
// high in cells comes out flatter than it is.
func (s *Surface) SlopeAt(col, row int) (slope Slope, ok bool, err error) {
	if col < 1 || row < 1 || col > s.cols-2 || row > s.rows-2 {
		return Slope{}, false, nil
	}
	var z [9]float64
	if err := s.raster.Window(col-1, row-1, 3, 3, z[:]); err != nil {
		return Slope{}, false, fmt.Errorf("compute slope: %w", err)
	}
	m, err := s.scale(float64(col), float64(row))
	if err != nil { // beyond the pole or the projection's domain
		return Slope{}, false, nil
	}
	perCol := (z[2] + 2*z[5] + z[8] - z[0] - 2*z[3] - z[6]) / 8 * s.unit
	perRow := (z[6] + 2*z[7] + z[8] - z[0] - 2*z[1] - z[2]) / 8 * s.unit
	if math.IsNaN(perCol + perRow + z[4]) {
		return Slope{}, false, nil
	}
	angle, aspect := slopeAndAspect(m.gradient(perCol, perRow))
	if angle == 0 {
		return Slope{}, true, nil
	}
	return Slope{angle, aspect, true}, true, nil
}

// SlopeNear returns the slope of the cell that p lies in; see SlopeAt.
func (s *Surface) SlopeNear(p orb.Point) (slope Slope, ok bool, err error) {
	u, v, err := s.centres(p)
	if err != nil {
		return Slope{}, false, fmt.Errorf("compute slope: %w", err)
	}
	if !s.within(u, v) {
		return Slope{}, false, nil
	}
	return s.SlopeAt(int(math.Round(u)), int(math.Round(v)))
}

// slopeAndAspect of a gradient; NaN for the aspect of level ground, for both
// where the gradient is unknown.
func slopeAndAspect(east, north float64) (geo.Angle, geo.Bearing) {
	square := east*east + north*north
	if square == 0 {
		return 0, geo.Bearing(math.NaN())
	}
	aspect := math.Atan2(-east, -north) * (180 / math.Pi)
	if aspect < 0 {
		aspect += 360
	}
	return geo.Angle(math.Atan(math.Sqrt(square))), geo.Bearing(aspect)
}
