package raster

import "math"

// Affine places cells in the plane: the point (col, row), counted from the
// outer corner of the first cell so that a cell's centre is at +½, lies at
//
//	x = X0 + XCol·col + XRow·row
//	y = Y0 + YCol·col + YRow·row
//
// A north-up raster has XCol > 0, YRow < 0 and the other two zero.
type Affine struct{ X0, XCol, XRow, Y0, YCol, YRow float64 }

// Plane returns the plane coordinates of a point given in columns and rows.
func (a Affine) Plane(col, row float64) (x, y float64) {
	return a.X0 + a.XCol*col + a.XRow*row, a.Y0 + a.YCol*col + a.YRow*row
}

// Cell returns the columns and rows of a point of the plane.
func (a Affine) Cell(x, y float64) (col, row float64) {
	x, y = x-a.X0, y-a.Y0
	d := a.XCol*a.YRow - a.XRow*a.YCol
	return (x*a.YRow - y*a.XRow) / d, (y*a.XCol - x*a.YCol) / d
}

// shift moves the origin by a part of a cell.
func (a Affine) shift(col, row float64) Affine {
	a.X0, a.Y0 = a.Plane(col, row)
	return a
}

func (a Affine) regular() bool {
	d := a.XCol*a.YRow - a.XRow*a.YCol
	return d != 0 && !math.IsNaN(d) && !math.IsInf(d, 0) && !math.IsInf(a.X0, 0) && !math.IsInf(a.Y0, 0) && a.X0 == a.X0 && a.Y0 == a.Y0
}
