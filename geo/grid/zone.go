package grid

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"
)

// bands are the latitude bands of 8° from 80° S; X is 12° high.
const bands = "CDEFGHJKLMNPQRSTUVWX"

// Zone returns the UTM zone of a position, 1 to 60, or UPS. It refuses a
// longitude beyond ±180 and a latitude beyond ±90.
func Zone(p orb.Point) (int, error) {
	lon, lat := p.Lon(), p.Lat()
	if !(math.Abs(lat) <= 90) {
		return 0, fmt.Errorf("latitude %g is outside -90 to 90", lat)
	}
	if !(math.Abs(lon) <= 180) {
		return 0, fmt.Errorf("longitude %g is outside -180 to 180", lon)
	}
	if lat < -80 || lat >= 84 {
		return UPS, nil
	}
	west := int(math.Floor(lon)) // whole degrees are enough for every edge
	if west == 180 {
		west = -180
	}
	zone := (west + 186) / 6
	switch band := Band(lat); {
	case band == 'V' && zone == 31 && west >= 3:
		zone = 32
	case band == 'X' && west >= 0 && west < 42:
		zone = 2*((west+183)/12) + 1
	}
	return zone, nil
}

// Band returns the latitude band letter C to X of a latitude from -80 to 84,
// where UTM is used; beyond, it returns the nearest band.
func Band(lat float64) byte {
	i := int(math.Floor(lat/8)) + 10
	return bands[max(0, min(i, len(bands)-1))]
}

// bandLimits returns the southern and northern edge of a band in degrees, and
// false for a letter that is none.
func bandLimits(band byte) (south, north float64, ok bool) {
	for i := range len(bands) {
		if bands[i] == band {
			south = float64(i)*8 - 80
			if band == 'X' {
				return south, 84, true
			}
			return south, south + 8, true
		}
	}
	return 0, 0, false
}

// zoneLimits returns the western and eastern edge of a zone in a band, in
// degrees from the central meridian, and false where the band has no such
// zone.
func zoneLimits(zone int, band byte) (west, east float64, ok bool) {
	switch {
	case band == 'V' && zone == 31:
		return -3, 0, true
	case band == 'V' && zone == 32:
		return -6, 3, true
	case band == 'X' && (zone == 32 || zone == 34 || zone == 36):
		return 0, 0, false
	case band == 'X' && zone == 31:
		return -3, 6, true
	case band == 'X' && (zone == 33 || zone == 35):
		return -6, 6, true
	case band == 'X' && zone == 37:
		return -6, 3, true
	}
	return -3, 3, zone >= 1 && zone <= 60
}

func centralMeridian(zone int) float64 { return float64(6*zone - 183) }

// relative is the longitude east of a zone's central meridian, -180 to 180.
func relative(zone int, lon float64) float64 {
	d := lon - centralMeridian(zone)
	if d > 180 {
		d -= 360
	} else if d < -180 {
		d += 360
	}
	return d
}
