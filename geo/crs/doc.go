// Package crs reads coordinate reference systems and carries positions
// between them and WGS 84.
//
// A system comes from its EPSG code, from any of the names that standards give
// it, or from well-known text: ESRI's .prj files, OGC WKT 1 (01-009) and
// WKT 2 (ISO 19162:2019). Coordinates go in and out in GIS order, x before y,
// whatever order the authority prescribes; for x and y that is easting and
// northing, longitude and latitude, or the westing and southing of the grids
// of southern Africa.
//
// The definitions and datum shifts are those of the EPSG Geodetic Parameter
// Dataset (see table/SOURCE.md). Shifts are Helmert transformations of stated
// accuracy unless a grid is supplied with [CRS.WithGrid]; heights are taken as
// zero on the system's own ellipsoid. What is not known is refused, not
// guessed: a projection that is not built, a datum without a shift, a position
// outside the area of use.
package crs

//go:generate go run ./gen
