package crs

// Transformer carries positions from one system to another by way of WGS 84,
// or directly where both stand on the same datum. The zero value is not
// usable. It allocates nothing per position and is safe for concurrent use.
type Transformer struct {
	from, to *CRS
	direct   bool
}

// NewTransformer returns the transformation between two systems.
func NewTransformer(from, to *CRS) Transformer {
	a, b := from.frame, to.frame
	return Transformer{from: from, to: to, direct: a.datum != 0 && a.datum == b.datum && a.grid == nil && b.grid == nil}
}

// Transform carries x, y of the first system to the second. It fails as
// ToWGS84 and FromWGS84 do.
func (t Transformer) Transform(x, y float64) (float64, float64, error) {
	if !t.direct {
		p, err := t.from.ToWGS84(x, y)
		if err != nil {
			return 0, 0, err
		}
		return t.to.FromWGS84(p)
	}
	lon, lat, err := t.from.toGeographic(x, y)
	if err != nil {
		return 0, 0, err
	}
	if !t.from.covers(lon, lat) || t.from.looksGeographic(x, y, lon, lat) {
		return 0, 0, t.from.outside(x, y, lon, lat)
	}
	if !t.to.covers(lon, lat) {
		return 0, 0, t.to.outside(lon, lat, lon, lat)
	}
	return t.to.fromGeographic(lon, lat)
}
