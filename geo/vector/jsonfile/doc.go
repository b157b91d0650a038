// Package jsonfile reads and writes GeoJSON as streams of records: RFC 7946
// FeatureCollections, single Features and bare geometries, the text sequences
// of RFC 8142 and files with one Feature a line.
//
// A file is read in one pass, token by token, whatever its size. The "crs"
// member of the 2008 format is honoured: its coordinates are x before y
// whatever the authority's axis order.
package jsonfile
