package position

import (
	"math"
	"strconv"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// The writers below take a position within ±180 and ±90 degrees and round to
// the nearest; a remainder that rounds up to sixty is carried, so no writing
// ever shows 60 minutes or seconds. Places beyond 0 to 12 are brought into
// that range. UTM, USNG and MGRS are written by package grid.

// Decimal writes latitude and longitude in decimal degrees, as
// "44.65123, -91.20456". Five places are about a metre.
func Decimal(p orb.Point, places int) string {
	b := appendDegrees(nil, p.Lat(), places)
	b = append(b, ", "...)
	return string(appendDegrees(b, p.Lon(), places))
}

// appendDegrees appends a signed number; what rounds to zero has no sign.
func appendDegrees(dst []byte, v float64, places int) []byte {
	places = clampPlaces(places)
	if math.Abs(v)*math.Pow10(places) < 0.5 {
		v = 0
	}
	return strconv.AppendFloat(dst, v, 'f', places, 64)
}

// DM writes degrees and minutes, as "44°39.0738'N 91°12.2736'W", with places
// digits after the point. Three places are about two metres.
func DM(p orb.Point, places int) string {
	return sexagesimal(p, 60, places)
}

// DMS writes degrees, minutes and seconds, as `44°39'04.4"N 91°12'16.4"W`,
// with places digits after the point. One place is about three metres.
func DMS(p orb.Point, places int) string {
	return sexagesimal(p, 3600, places)
}

func sexagesimal(p orb.Point, perDegree int64, places int) string {
	places = clampPlaces(places)
	b := appendSexagesimal(nil, p.Lat(), perDegree, places, "NS")
	b = append(b, ' ')
	return string(appendSexagesimal(b, p.Lon(), perDegree, places, "EW"))
}

// appendSexagesimal counts in whole units of the last digit, so that carrying
// is integer arithmetic.
func appendSexagesimal(dst []byte, v float64, perDegree int64, places int, sides string) []byte {
	one := int64(math.Pow10(places)) // one minute or second, in units
	count := int64(math.Round(math.Abs(v) * float64(perDegree*one)))
	side := sides[0]
	if v < 0 && count > 0 {
		side = sides[1]
	}
	dst = strconv.AppendInt(dst, count/(perDegree*one), 10)
	dst = append(dst, "°"...)
	count %= perDegree * one
	mark := byte('\'')
	if perDegree == 3600 {
		dst = append(appendPadded(dst, count/(60*one), 2), '\'')
		count %= 60 * one
		mark = '"'
	}
	dst = appendPadded(dst, count/one, 2)
	if places > 0 {
		dst = append(dst, '.')
		dst = appendPadded(dst, count%one, places)
	}
	return append(dst, mark, side)
}

func appendPadded(dst []byte, v int64, width int) []byte {
	for unit := int64(math.Pow10(width - 1)); unit > 0; unit /= 10 {
		dst = append(dst, byte('0'+v/unit%10))
	}
	return dst
}

func clampPlaces(places int) int { return max(0, min(places, 12)) }

// GeoURI writes a geo URI (RFC 5870), as "geo:44.65123,-91.20456", with the
// elevation in metres above the geoid as third number unless it is nil.
func GeoURI(p orb.Point, elevation *geo.Length, places int) string {
	lon := p.Lon()
	if math.Abs(p.Lat()) == 90 {
		lon = 0
	}
	b := appendDegrees([]byte("geo:"), p.Lat(), places)
	b = append(b, ',')
	b = appendDegrees(b, lon, places)
	if elevation != nil {
		b = append(b, ',')
		b = appendDegrees(b, elevation.Metres(), 2)
	}
	return string(b)
}
