package crs

import "github.com/paulmach/orb"

// Forward is FromWGS84 with plain numbers, so that a system can serve as the
// plane of a raster.
func (c *CRS) Forward(lon, lat float64) (x, y float64, err error) {
	return c.FromWGS84(orb.Point{lon, lat})
}

// Inverse is ToWGS84 with plain numbers.
func (c *CRS) Inverse(x, y float64) (lon, lat float64, err error) {
	p, err := c.ToWGS84(x, y)
	return p.Lon(), p.Lat(), err
}
