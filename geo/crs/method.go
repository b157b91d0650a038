package crs

import (
	"fmt"
	"math"

	"holdfast/geo"
	"holdfast/geo/projection"
)

// role is what a projection parameter does, whatever its name in a dialect.
type role uint8

const (
	lat0    role = iota // latitude of the origin or projection centre
	lon0                // longitude of the same, from the prime meridian
	lat1                // first standard parallel
	lat2                // second standard parallel
	k0                  // scale factor
	fe                  // false easting
	fn                  // false northing
	azimuth             // azimuth of the initial line
	gamma               // angle from rectified to skew grid
	nRoles
)

// roleOfCode maps EPSG parameter codes.
var roleOfCode = map[int]role{
	8801: lat0, 8802: lon0, 8805: k0, 8806: fe, 8807: fn,
	8811: lat0, 8812: lon0, 8813: azimuth, 8814: gamma, 8815: k0, 8816: fe, 8817: fn,
	8821: lat0, 8822: lon0, 8823: lat1, 8824: lat2, 8826: fe, 8827: fn,
	8832: lat1, 8833: lon0, 1038: k0,
}

// params are projection parameters in degrees, metres and unity.
type params struct {
	v   [nRoles]float64
	has [nRoles]bool
}

func (p *params) set(r role, v float64) { p.v[r], p.has[r] = v, true }

// like reports whether two sets agree as closely as two files that print the
// same definition do.
func (p params) like(q params) bool {
	for r := range nRoles {
		d := math.Abs(p.v[r] - q.v[r])
		switch r {
		case fe, fn:
			if d > 1e-3 {
				return false
			}
		case k0:
			if p.has[r] && q.has[r] && d > 1e-10 {
				return false
			}
		default:
			if math.Abs(math.Remainder(p.v[r]-q.v[r], 360)) > 1e-8 {
				return false
			}
		}
	}
	return true
}

// EPSG coordinate operation method codes.
const (
	methodLCC1SP      = 9801
	methodLCC2SP      = 9802
	methodLCCBelgium  = 9803
	methodLCCMichigan = 1051
	methodMercatorA   = 9804
	methodMercatorB   = 9805
	methodPseudo      = 1024
	methodTM          = 9807
	methodTMSouth     = 9808
	methodOblique     = 9809
	methodPolarA      = 9810
	methodPolarB      = 9829
	methodPolarC      = 9830
	methodNZMG        = 9811
	methodHotineA     = 9812
	methodHotineB     = 9815
	methodAzimuthal   = 9820
	methodAlbers      = 9822
)

// build makes the projection of an EPSG method; meridian is the prime
// meridian of the parameters' longitudes in degrees.
func build(m int, p params, e geo.Ellipsoid, meridian float64) (projection.Projection, error) {
	v := &p.v
	lon := v[lon0] + meridian
	switch m {
	case methodTM:
		return checked(p, projection.NewTransverseMercator(e, lon, v[lat0], v[k0], v[fe], v[fn]))
	case methodTMSouth:
		return checked(p, projection.NewTransverseMercatorSouth(e, lon, v[lat0], v[k0], v[fe], v[fn]))
	case methodPolarA:
		if math.Abs(v[lat0]) != 90 {
			return nil, fmt.Errorf("polar stereographic about latitude %v: %w", v[lat0], projection.ErrParameter)
		}
		return checked(p, projection.NewPolarStereographicA(e, v[lat0] > 0, lon, v[k0], v[fe], v[fn]))
	case methodPolarB:
		return result(projection.NewPolarStereographicB(e, lon, v[lat1], v[fe], v[fn]))
	case methodPolarC:
		return result(projection.NewPolarStereographicC(e, lon, v[lat1], v[fe], v[fn]))
	case methodLCC1SP:
		return result(projection.NewLambertConic1SP(e, lon, v[lat0], v[k0], v[fe], v[fn]))
	case methodLCC2SP:
		return result(projection.NewLambertConic2SP(e, lon, v[lat0], v[lat1], v[lat2], v[fe], v[fn]))
	case methodLCCBelgium:
		return result(projection.NewLambertConicBelgium(e, lon, v[lat0], v[lat1], v[lat2], v[fe], v[fn]))
	case methodLCCMichigan:
		return result(projection.NewLambertConicMichigan(e, lon, v[lat0], v[lat1], v[lat2], v[k0], v[fe], v[fn]))
	case methodMercatorA:
		if v[lat0] != 0 {
			return nil, fmt.Errorf("a Mercator variant A from latitude %v: %w", v[lat0], ErrUnsupported)
		}
		return result(projection.NewMercatorA(e, lon, v[k0], v[fe], v[fn]))
	case methodMercatorB:
		return result(projection.NewMercatorB(e, lon, v[lat1], v[fe], v[fn]))
	case methodPseudo:
		return result(projection.NewPseudoMercator(e, lon, v[fe], v[fn]))
	case methodOblique:
		return result(projection.NewObliqueStereographic(e, lon, v[lat0], v[k0], v[fe], v[fn]))
	case methodNZMG:
		return result(projection.NewNewZealandMapGrid(e, lon, v[lat0], v[fe], v[fn]))
	case methodHotineA:
		return result(projection.NewHotineObliqueMercatorA(e, lon, v[lat0], v[azimuth], v[gamma], v[k0], v[fe], v[fn]))
	case methodHotineB:
		return result(projection.NewHotineObliqueMercatorB(e, lon, v[lat0], v[azimuth], v[gamma], v[k0], v[fe], v[fn]))
	case methodAzimuthal:
		return result(projection.NewLambertAzimuthal(e, lon, v[lat0], v[fe], v[fn]))
	case methodAlbers:
		return result(projection.NewAlbers(e, lon, v[lat0], v[lat1], v[lat2], v[fe], v[fn]))
	}
	return nil, fmt.Errorf("projection method EPSG:%d: %w", m, ErrUnsupported)
}

// result keeps a nil pointer from becoming a non-nil Projection.
func result[P projection.Projection](p P, err error) (projection.Projection, error) {
	if err != nil {
		return nil, err
	}
	return p, nil
}

// checked guards the constructors that take any number.
func checked(p params, made projection.Projection) (projection.Projection, error) {
	for r, v := range p.v {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("parameter %d is not a number: %w", r, projection.ErrParameter)
		}
	}
	if p.v[k0] <= 0 || math.Abs(p.v[lat0]) > 90 {
		return nil, fmt.Errorf("scale %v at latitude %v: %w", p.v[k0], p.v[lat0], projection.ErrParameter)
	}
	return made, nil
}
