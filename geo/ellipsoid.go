package geo

// Ellipsoid is an oblate ellipsoid of revolution: equatorial radius A in
// metres and flattening F (0 for a sphere).
type Ellipsoid struct {
	A, F float64
}

// WGS84 is the ellipsoid of the World Geodetic System 1984:
// a = 6378137 m, 1/f = 298.257223563 (NIMA TR8350.2, 3rd ed., table 3.1).
var WGS84 = Ellipsoid{A: 6378137, F: 1 / 298.257223563}

// B returns the polar radius in metres.
func (e Ellipsoid) B() float64 { return e.A * (1 - e.F) }

// E2 returns the first eccentricity squared.
func (e Ellipsoid) E2() float64 { return e.F * (2 - e.F) }

// N returns the third flattening.
func (e Ellipsoid) N() float64 { return e.F / (2 - e.F) }
