// Package projection maps the ellipsoid to the plane: the map projections
// that survey grids are built on, each by the formulas of EPSG Guidance Note
// 7-2 (IOGP publication 373-7-2) or, where it is the more exact, a closed form
// of the same mapping named at the place.
//
// Longitudes and latitudes are degrees on the projection's own ellipsoid,
// longitude east of Greenwich; plane coordinates are metres, x to the east and
// y to the north unless a projection says otherwise. A projection knows
// nothing of datums, units or areas of use: package crs adds those.
//
// Series are used for the inverse of the conformal and authalic latitudes;
// they are good to the last bit for a flattening up to 1/150, which covers
// every ellipsoid in survey use.
package projection
