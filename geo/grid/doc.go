// Package grid turns positions into the military and national grids and back:
// UTM between 80° S and 84° N, UPS round the poles, and the square references
// MGRS (NGA.STND.0037) and USNG (FGDC-STD-011-2001) written on them.
//
// Every zone rule of the standards is kept: a point on a zone edge belongs to
// the zone east of it, ±180° is zone 1, 80° S is still UTM, 84° N is UPS, and
// Norway (32V) and Svalbard (31X, 33X, 35X, 37X) have their wide zones.
// References name squares, so their digits are cut off, never rounded.
//
// Positions are longitude, latitude in degrees on WGS 84.
package grid
