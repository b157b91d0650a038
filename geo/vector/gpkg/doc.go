// Package gpkg reads and writes GeoPackages (OGC 12-128r18) as streams of
// records: feature tables with heights and attribute tables. Written files are
// of version 1.3 with an R-tree of each feature table, default styles and, on
// request, related tables (OGC 18-000).
//
// Measures (M) and curves are not carried. A file from elsewhere is opened for
// reading only, and nothing in it is trusted: no function is called that its
// schema names, and a query that gives no row for a minute is ended.
package gpkg
