// Package kml reads and writes KML (OGC 07-147r2) as streams of records.
//
// A file is one layer; the folders a placemark lies in are its property
// "folder", as "A/B". Styles, overlays, models and links are passed over.
// Coordinates are longitude, latitude and altitude in metres on WGS 84. An
// altitude is kept where altitudeMode is absolute; where the geometry is clamped
// to the ground, altitudes of which some are not 0 are kept too, with a note,
// because many programs write true ones there.
package kml
