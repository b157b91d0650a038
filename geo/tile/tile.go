// Package tile writes vector tiles: Mapbox Vector Tile 2.1 in the tile matrix
// set WebMercatorQuad (OGC 17-083r4 Annex D.1), from features in longitude and
// latitude.
//
// Geometry is cut to the tile and a margin round it, simplified to what the
// tile's grid can show and put on that grid. What the grid cannot show, lines
// shorter and areas thinner than one unit, is left out; what is left is valid
// as the specification's version 2 asks: rings are simple, holes lie within
// their polygon and touch nothing. The same input gives the same bytes.
package tile

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/maptile"
)

const (
	// MaxZoom is the last tile matrix offered, that of WebMercatorQuad. Its
	// grid has units of 0.6 mm at the equator.
	MaxZoom = 24
	// Extent is the number of units of the grid along a tile.
	Extent = 4096
	// Margin is how far geometry reaches beyond the tile, in units, so that
	// symbols and outlines are drawn whole across the edge: a sixteenth of a
	// tile, as other makers of tiles have it.
	Margin = 256
)

// ErrNoTile is the error for an address that names no tile.
var ErrNoTile = errors.New("there is no such tile")

// Parse reads the address of a tile as OGC API - Tiles has it in a path: tile
// matrix, row and column, plain decimal numbers.
func Parse(matrix, row, column string) (maptile.Tile, error) {
	z, err := number(matrix, MaxZoom)
	if err != nil {
		return maptile.Tile{}, fmt.Errorf("%w: tile matrix %w", ErrNoTile, err)
	}
	last := uint32(1)<<z - 1
	y, err := number(row, last)
	if err != nil {
		return maptile.Tile{}, fmt.Errorf("%w: row of tile matrix %d %w", ErrNoTile, z, err)
	}
	x, err := number(column, last)
	if err != nil {
		return maptile.Tile{}, fmt.Errorf("%w: column of tile matrix %d %w", ErrNoTile, z, err)
	}
	return maptile.New(x, y, maptile.Zoom(z)), nil
}

func number(s string, last uint32) (uint32, error) {
	v, err := strconv.ParseUint(s, 10, 32)
	if err != nil || uint32(v) > last || strconv.FormatUint(v, 10) != s {
		return 0, fmt.Errorf("must be a number from 0 to %d, not %.20q", last, s)
	}
	return uint32(v), nil
}

// Reach returns the tile and its margin in degrees: where features have to be
// looked for. At the edges of the map it ends there.
func Reach(t maptile.Tile) orb.Bound {
	b := t.Bound(float64(Margin) / Extent)
	b.Min[0], b.Max[0] = max(b.Min[0], -180), min(b.Max[0], 180)
	return b
}

// check refuses a tile that Parse would not have made.
func check(t maptile.Tile) error {
	if t.Z > MaxZoom || !t.Valid() {
		return fmt.Errorf("%w: %d/%d/%d", ErrNoTile, t.Z, t.Y, t.X)
	}
	return nil
}

// grid takes positions to units of a tile, x to the right and y down from its
// upper left corner.
type grid struct{ scale, left, top float64 }

func newGrid(t maptile.Tile) grid {
	return grid{
		scale: Extent * float64(uint32(1)<<t.Z),
		left:  Extent * float64(t.X),
		top:   Extent * float64(t.Y),
	}
}

// steepest keeps the projection finite towards the poles, far outside every
// tile: the map ends at 85.0511°.
const steepest = 89.9

// project is the spherical Mercator projection of EPSG:3857.
func (g grid) project(p orb.Point) orb.Point {
	lat := max(-steepest, min(steepest, p[1])) * math.Pi / 180
	return orb.Point{
		(p[0]/360+0.5)*g.scale - g.left,
		(0.5-math.Asinh(math.Tan(lat))/(2*math.Pi))*g.scale - g.top,
	}
}

// Square places a position on the square map of the world: 0 to 1 eastward and
// southward.
func Square(p orb.Point) orb.Point { return grid{scale: 1}.project(p) }

// FromSquare is the inverse of Square.
func FromSquare(p orb.Point) orb.Point {
	return orb.Point{(p[0] - 0.5) * 360, math.Atan(math.Sinh(math.Pi*(1-2*p[1]))) * 180 / math.Pi}
}

// window is the tile with its margin, in units.
var window = orb.Bound{Min: orb.Point{-Margin, -Margin}, Max: orb.Point{Extent + Margin, Extent + Margin}}
