// Package geo holds the plain quantities of place and direction that every
// other package shares: an angle, a length, a bearing. Positions are
// orb.Point in longitude, latitude order, degrees, WGS 84; elevation travels
// beside them. The sub-packages each compute one thing and are each checked
// against something outside the project:
//
//	geodesic    distances, azimuths and areas on the ellipsoid
//	tangent     the plane round one place
//	projection  map projections
//	grid        UTM, UPS, MGRS and USNG
//	crs         coordinate systems and reprojection
//	position    reading and writing one position in every notation
//	magnetic    the World Magnetic Model
//	convert     all notations of a position at once
//	terrain     elevation grids, slope and fall line
//	geojson     GeoJSON with its heights
//	vector      files of features in every format
//	cql2        the query language of OGC API - Features
//	tile        vector tiles
//
// Nothing here knows of ropes, soil or anchors.
package geo
