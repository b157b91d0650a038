package projection

import (
	"errors"
	"math"
)

// Projection maps lon/lat in degrees to a plane in metres and back.
// Implementations are immutable and safe for concurrent use.
type Projection interface {
	Forward(lon, lat float64) (x, y float64, err error)
	Inverse(x, y float64) (lon, lat float64, err error)
}

// ErrDomain reports a position that the projection cannot map: not a number,
// a latitude beyond a pole, or a place that lies at infinity.
var ErrDomain = errors.New("position outside the domain of the projection")

// ErrParameter reports projection parameters that define no projection, such
// as standard parallels mirrored about the equator.
var ErrParameter = errors.New("parameters define no projection")

const (
	radian = math.Pi / 180 // one degree, in radians
	degree = 180 / math.Pi // one radian, in degrees
)

// wrap brings a longitude or a difference of longitudes into -180 ≤ d ≤ 180.
func wrap(deg float64) float64 {
	if deg >= -180 && deg <= 180 {
		return deg
	}
	return math.Remainder(deg, 360)
}

// valid reports whether lon and lat are finite and lat lies between the poles.
func valid(lon, lat float64) bool {
	return math.Abs(lat) <= 90 && math.Abs(lon) <= math.MaxFloat64
}

// finite reports whether every v is a finite number.
func finite(v ...float64) bool {
	for _, f := range v {
		if math.IsNaN(f) || math.IsInf(f, 0) {
			return false
		}
	}
	return true
}

// plane returns x, y, or ErrDomain when either is infinite or not a number.
func plane(x, y float64) (float64, float64, error) {
	if !(math.Abs(x) <= math.MaxFloat64 && math.Abs(y) <= math.MaxFloat64) {
		return 0, 0, ErrDomain
	}
	return x, y, nil
}

// place turns radians about the central meridian lon0 (degrees) into
// longitude and latitude in degrees.
func place(lon0, lam, phi float64) (lon, lat float64, err error) {
	lon, lat = wrap(lon0+lam*degree), phi*degree
	if !(math.Abs(lat) <= 90+1e-9 && math.Abs(lon) <= 180) {
		return 0, 0, ErrDomain
	}
	return lon, math.Max(-90, math.Min(90, lat)), nil
}
