// Package exchange reads sites, points and layers from files, and hands them on
// for writing. Open reads every format of package vector in any coordinate
// system that the file declares; which format it is shows in the content, not
// in the name. Sites and points in GeoJSON (RFC 7946 and the text sequence of
// RFC 8142) and CSV (RFC 4180, also with semicolons and decimal commas or with
// tabs) in longitude and latitude are read by this package itself, which knows
// where in the file each value stands.
//
// Every record of a file is accepted, repaired with a note, or refused with
// its reason, and the Report says which. Nothing is guessed: coordinates are
// longitude, latitude in degrees on WGS 84 unless the file, or whoever imports
// it, names another system.
//
// A CSV file has a header row. The place is in the columns lon, lat and, if
// measured, elevation_m, or in wkt. The other columns of sites and points are
// the property names with dots or slashes between the parts, as in
// ground.texture or terrain/slope_deg; an empty cell is "not recorded". A list
// is one cell of JSON, or one column per member as in anchors.0.kind.
package exchange
