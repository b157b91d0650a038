// Package exchange reads sites, points and layers from files, and writes them.
// It reads GeoJSON (RFC 7946: Feature, FeatureCollection, bare geometry, one
// Feature a line, and the text sequence of RFC 8142) and CSV (RFC 4180, also
// with semicolons and decimal commas or with tabs); which of them a file is
// shows in its content, not in its name.
//
// Every record of a file is accepted, repaired with a note, or refused with
// its reason, and the Report says which. Nothing is guessed: coordinates are
// longitude, latitude in degrees on WGS 84, and a file that declares another
// coordinate system is refused.
//
// A CSV file has a header row. The place is in the columns lon, lat and, if
// measured, elevation_m, or in wkt. The other columns of sites and points are
// the property names with dots or slashes between the parts, as in
// ground.texture or terrain/slope_deg; an empty cell is "not recorded". A list
// is one cell of JSON, or one column per member as in anchors.0.kind.
package exchange
