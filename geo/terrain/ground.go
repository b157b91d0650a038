package terrain

import (
	"fmt"
	"math"

	"github.com/paulmach/orb"

	"holdfast/geo"
)

// metresPerDegree returns the length of a degree of longitude and of latitude
// on the WGS 84 ellipsoid at a latitude: N·cosφ and M, the radii of curvature.
func metresPerDegree(lat float64) (lon, latitude float64) {
	sin, cos := math.Sincos(lat * math.Pi / 180)
	w := 1 - geo.WGS84.E2()*sin*sin
	n := geo.WGS84.A / math.Sqrt(w)
	return n * cos * math.Pi / 180, n * (1 - geo.WGS84.E2()) / w * math.Pi / 180
}

// offset returns how far b lies east and north of a, metres, in the direction
// that the line has at its middle. Taken at the middle latitude it is good to
// a millimetre over a kilometre.
func offset(a, b orb.Point) (east, north float64) {
	perLon, perLat := metresPerDegree((a.Lat() + b.Lat()) / 2)
	return math.Remainder(b.Lon()-a.Lon(), 360) * perLon, (b.Lat() - a.Lat()) * perLat
}

// moved returns the point at a distance, metres, along the straight line that
// leaves p in a direction given by its sine and cosine. The direction at the
// line's middle, where it is measured, differs by half the convergence of the
// meridians at its ends; both are found by going there a few times.
func moved(p orb.Point, distance, sin, cos float64) orb.Point {
	to := p
	for range 3 {
		middle := (p.Lat() + to.Lat()) / 2
		turn, turnCos := math.Sincos((to.Lon() - p.Lon()) / 2 * math.Sin(middle*math.Pi/180) * math.Pi / 180)
		perLon, perLat := metresPerDegree(middle)
		to[0] = p.Lon() + distance*(sin*turnCos+cos*turn)/perLon
		to[1] = p.Lat() + distance*(cos*turnCos-sin*turn)/perLat
	}
	to[0] = math.Remainder(to[0], 360)
	return to
}

// matrix turns metres east and north into columns and rows.
type matrix struct{ colE, colN, rowE, rowN float64 }

// unscaled stands where there is no scale: it makes all unknown.
var unscaled = matrix{math.NaN(), math.NaN(), math.NaN(), math.NaN()}

// mix returns the matrix a part t of the way to n.
func (m matrix) mix(n matrix, t float64) matrix {
	return matrix{mix(m.colE, n.colE, t), mix(m.colN, n.colN, t), mix(m.rowE, n.rowE, t), mix(m.rowN, n.rowN, t)}
}

// minus returns k times the difference to n.
func (m matrix) minus(n matrix, k float64) matrix {
	return matrix{(m.colE - n.colE) * k, (m.colN - n.colN) * k, (m.rowE - n.rowE) * k, (m.rowN - n.rowN) * k}
}

// gradient turns a height change per column and per row into one per metre
// east and north.
func (m matrix) gradient(perCol, perRow float64) (east, north float64) {
	return m.colE*perCol + m.rowE*perRow, m.colN*perCol + m.rowN*perRow
}

// cells turns a distance in metres into columns and rows.
func (m matrix) cells(east, north float64) (cols, rows float64) {
	return m.colE*east + m.colN*north, m.rowE*east + m.rowN*north
}

// cellSize returns the shorter side of a cell in metres.
func (m matrix) cellSize() float64 {
	d := math.Abs(m.colE*m.rowN - m.colN*m.rowE)
	return min(math.Hypot(m.rowN, m.rowE), math.Hypot(m.colN, m.colE)) / d
}

// scale measures on the ellipsoid the cell at a position counted from the
// first centre, by the middles of its sides. Grid convergence and scale
// factor of a projection are in it.
func (s *Surface) scale(u, v float64) (matrix, error) {
	var side [4]orb.Point // west, east, north and south in a north-up raster
	for i, d := range [4][2]float64{{-0.5, 0}, {0.5, 0}, {0, -0.5}, {0, 0.5}} {
		p, err := s.point(u+d[0], v+d[1])
		if err != nil {
			return matrix{}, err
		}
		side[i] = p
	}
	e1, n1 := offset(side[0], side[1]) // of one column
	e2, n2 := offset(side[2], side[3]) // of one row
	d := e1*n2 - e2*n1
	if lat := (side[2].Lat() + side[3].Lat()) / 2; math.Abs(lat) > 89.99 || d == 0 || math.IsNaN(d) {
		return matrix{}, fmt.Errorf("no direction at latitude %v", lat)
	}
	return matrix{colE: n2 / d, colN: -e2 / d, rowE: -n1 / d, rowN: e1 / d}, nil
}
