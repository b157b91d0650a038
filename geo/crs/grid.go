package crs

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
)

// ErrGrid reports a grid shift file that cannot be read.
var ErrGrid = errors.New("not a readable grid shift file")

// maxGrid bounds the bytes read from one grid shift file; the largest
// national NTv2 files are below it.
const maxGrid = 256 << 20

// Grid is a datum shift given at the nodes of one or more grids and
// interpolated between them, linearly in each direction.
type Grid struct {
	Name     string // as the reader was told
	From, To string // datums as the file names them; empty where it does not
	patches  []patch
}

// patch is one grid of nodes, in degrees with longitude to the east.
type patch struct {
	south, west float64
	dlat, dlon  float64
	rows, cols  int
	scale       float64      // degrees in a unit of shift
	shift       [][2]float32 // east and north; rows from the south, in each from the west
}

// newGrid orders the patches so that the finest comes first.
func newGrid(g Grid) (*Grid, error) {
	if len(g.patches) == 0 {
		return nil, fmt.Errorf("%w: it holds no grid", ErrGrid)
	}
	slices.SortStableFunc(g.patches, func(a, b patch) int { return cmp.Compare(a.dlat*a.dlon, b.dlat*b.dlon) })
	return &g, nil
}

// at returns the shift at a position on the source datum.
func (g *Grid) at(lon, lat float64) (dlon, dlat float64, ok bool) {
	for i := range g.patches {
		p := &g.patches[i]
		u, v := (lon-p.west)/p.dlon, (lat-p.south)/p.dlat
		// Positions on the edge count as inside in spite of rounding.
		const eps = 1e-9
		if !(u >= -eps && v >= -eps && u <= float64(p.cols-1)+eps && v <= float64(p.rows-1)+eps) {
			continue
		}
		col := max(0, min(int(u), p.cols-2))
		row := max(0, min(int(v), p.rows-2))
		u, v = u-float64(col), v-float64(row)
		a, b := p.shift[row*p.cols+col:], p.shift[(row+1)*p.cols+col:]
		mix := func(k int) float64 {
			return (1-v)*((1-u)*float64(a[0][k])+u*float64(a[1][k])) + v*((1-u)*float64(b[0][k])+u*float64(b[1][k]))
		}
		return mix(0) * p.scale, mix(1) * p.scale, true
	}
	return 0, 0, false
}

func (g *Grid) forward(lon, lat float64) (float64, float64, error) {
	dlon, dlat, ok := g.at(lon, lat)
	if !ok {
		return 0, 0, g.uncovered(lon, lat)
	}
	return lon + dlon, lat + dlat, nil
}

// backward finds the position whose shift leads to lon, lat.
func (g *Grid) backward(lon, lat float64) (float64, float64, error) {
	sl, sp := lon, lat
	for range 20 {
		dlon, dlat, ok := g.at(sl, sp)
		if !ok {
			return 0, 0, g.uncovered(lon, lat)
		}
		el, ep := lon-dlon-sl, lat-dlat-sp
		sl, sp = sl+el, sp+ep
		if math.Abs(el) < 1e-13 && math.Abs(ep) < 1e-13 {
			break
		}
	}
	return sl, sp, nil
}

func (g *Grid) uncovered(lon, lat float64) error {
	return fmt.Errorf("longitude %.4f, latitude %.4f is not covered by grid %s: %w", lon, lat, g.Name, ErrNoShift)
}

// readGrid reads a file whole, within the bound.
func readGrid(r io.Reader) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxGrid+1))
	if err != nil {
		return nil, fmt.Errorf("read grid shift file: %w", err)
	}
	if len(data) > maxGrid {
		return nil, fmt.Errorf("%w: longer than %d MB", ErrGrid, maxGrid>>20)
	}
	return data, nil
}
