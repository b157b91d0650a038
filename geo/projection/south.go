package projection

import "holdfast/geo"

// SouthOrientated is the transverse Mercator of southern Africa, EPSG method
// 9808: x is the westing and y the southing.
type SouthOrientated struct {
	tm     *TransverseMercator
	fe, fn float64
}

// NewTransverseMercatorSouth returns EPSG method 9808; fe and fn, in metres,
// are added to the westing and the southing.
func NewTransverseMercatorSouth(e geo.Ellipsoid, lon0, lat0, k0, fe, fn float64) *SouthOrientated {
	return &SouthOrientated{tm: NewTransverseMercator(e, lon0, lat0, k0, 0, 0), fe: fe, fn: fn}
}

// Forward implements Projection.
func (p *SouthOrientated) Forward(lon, lat float64) (x, y float64, err error) {
	e, n, err := p.tm.Forward(lon, lat)
	return p.fe - e, p.fn - n, err
}

// Inverse implements Projection.
func (p *SouthOrientated) Inverse(x, y float64) (lon, lat float64, err error) {
	return p.tm.Inverse(p.fe-x, p.fn-y)
}
