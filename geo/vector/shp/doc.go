// Package shp reads and writes Shapefiles (ESRI Shapefile Technical
// Description, July 1998) with their dBase tables as streams of records.
//
// Measures (M) and multi-patches are not carried. A missing index (.shx) or
// table (.dbf) is no obstacle; a missing .prj leaves the coordinate system
// undeclared.
package shp

// Shape types, p. 4 of the description. Types with Z are 10 more, with M 20.
const (
	typeNull       = 0
	typePoint      = 1
	typeLine       = 3
	typePolygon    = 5
	typeMultiPoint = 8
	typeMultiPatch = 31

	withZ = 10
	withM = 20
)

const (
	fileCode   = 9994 // p. 3
	version    = 1000
	headerSize = 100
	noData     = -1e38 // numbers below are "no data", p. 2
)
