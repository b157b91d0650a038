package walk

import (
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// Around widens a box of degrees by a distance, and a little more: degrees are
// taken at their shortest on the WGS 84 ellipsoid (110,574 m of latitude,
// 111,319 m · cos(latitude) of longitude). Near a pole it holds every
// longitude.
func Around(b orb.Bound, r geo.Length) orb.Bound {
	dLat := r.Metres() / 110574
	south, north := max(-90, b.Bottom()-dLat), min(90, b.Top()+dLat)
	west, east := -180.0, 180.0
	if c := math.Cos(max(math.Abs(south), math.Abs(north)) * math.Pi / 180); c > 0.001 {
		dLon := r.Metres() / (111319 * c)
		west, east = max(west, b.Left()-dLon), min(east, b.Right()+dLon)
	}
	return orb.Bound{Min: orb.Point{west, south}, Max: orb.Point{east, north}}
}
