// Package position reads and writes one position in every notation a person
// would paste or read out: decimal degrees, degrees and minutes, degrees,
// minutes and seconds, UTM and UPS, USNG and MGRS, geo URIs (RFC 5870) and
// Open Location Codes. All are on WGS 84; NAD 83, which differs from it by a
// metre or two, is taken as the same.
//
// Reading never guesses. A text that could mean two places is refused with an
// *AmbiguousError that lists them. Two bare numbers are latitude, longitude,
// in that order, as they are spoken; everywhere else in the project positions
// are longitude, latitude.
package position
