// Package gpx reads GPX 1.0 and 1.1 as streams of records and writes waypoints
// of GPX 1.1 (https://www.topografix.com/GPX/1/1/).
//
// A file has up to three layers: waypoints, routes and tracks. Elevations are
// the heights of positions; times of the positions of tracks and routes are left
// out with a note. Elements of extensions become properties, with the prefix of
// their namespace as in the file: x:slope becomes x_slope.
package gpx
