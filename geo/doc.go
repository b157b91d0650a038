// Package geo holds the plain quantities of place and direction that every
// other package shares: an angle, a length, a bearing. Positions are
// orb.Point in longitude, latitude order, degrees, WGS 84; elevation travels
// beside them. The sub-packages each compute one thing and are each checked
// against something outside the project:
//
//	geodesic  distances, azimuths and areas on the ellipsoid
//	grid      UTM, UPS, MGRS and USNG
//	position  reading and writing one position in every notation
//	crs       coordinate systems and reprojection
//	magnetic  the World Magnetic Model
//	terrain   elevation grids, slope and fall line
//
// Nothing here knows of ropes, soil or anchors.
package geo
