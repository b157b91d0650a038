package atlas

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/crs"
	"holdfast/geo/terrain"
	"holdfast/geo/terrain/raster"
)

// Grid is an open elevation file with what places it on the ground.
type Grid struct {
	File   *os.File
	Name   string
	Raster *raster.Raster
	System *crs.CRS
	Named  string     // the system as it was named: a code, a name or well-known text
	Unit   geo.Length // of the heights, 0 when the file says
}

// HeightUnits are the units that an elevation file's heights may be said to be
// in.
var HeightUnits = map[string]geo.Length{"m": geo.Metre, "ft": geo.Foot, "ftUS": 1200.0 / 3937}

// ErrGridCRS says that an elevation file names no coordinate system.
var ErrGridCRS = errors.New("the grid names no coordinate system and there is no .prj file beside it")

// OpenGrid opens an elevation file. Its coordinate system is the one named by
// the caller, else the file's own, else that of a .prj file beside it.
func OpenGrid(path, system string, unit geo.Length) (g *Grid, err error) {
	g = &Grid{Name: filepath.Base(path), Unit: unit, Named: system}
	if g.File, err = os.Open(path); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("read %s: %w", g.Name, err), g.File.Close())
		}
	}()
	info, err := g.File.Stat()
	if err != nil {
		return g, err
	}
	if g.Raster, err = raster.Open(g.File, info.Size()); err != nil {
		return g, err
	}
	if code := g.Raster.CRS().EPSG; g.Named == "" && code != 0 {
		g.Named = fmt.Sprintf("EPSG:%d", code)
	}
	if g.Named == "" {
		wkt, err := os.ReadFile(strings.TrimSuffix(path, filepath.Ext(path)) + ".prj")
		switch {
		case err == nil:
			g.Named = string(wkt)
		case !errors.Is(err, os.ErrNotExist):
			return g, err
		case g.Raster.CRS().Model == raster.ModelGeographic:
			g.Named = "EPSG:4326"
		default:
			return g, ErrGridCRS
		}
	}
	g.System, err = System(g.Named)
	return g, err
}

// Close closes the file.
func (g *Grid) Close() error { return g.File.Close() }

// Surface returns the ground that the grid describes.
func (g *Grid) Surface() (*terrain.Surface, error) {
	s, err := terrain.NewSurface(g.Raster, g.System, g.Unit)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", g.Name, err)
	}
	return s, nil
}

// Covers is the outline of the grid on the ground, with enough vertices on
// each side that its curve shows.
func (g *Grid) Covers() (orb.Polygon, error) {
	const steps = 32
	cols, rows := g.Raster.Size()
	w, h := float64(cols), float64(rows)
	var ring orb.Ring
	add := func(col, row float64) error {
		lon, lat, err := g.System.Inverse(g.Raster.Affine().Plane(col, row))
		ring = append(ring, orb.Point{lon, lat})
		return err
	}
	for _, side := range [][4]float64{{0, h, w, h}, {w, h, w, 0}, {w, 0, 0, 0}, {0, 0, 0, h}} {
		for i := range steps {
			t := float64(i) / steps
			if err := add(side[0]+t*(side[2]-side[0]), side[1]+t*(side[3]-side[1])); err != nil {
				return nil, fmt.Errorf("place %s: %w", g.Name, err)
			}
		}
	}
	ring = append(ring, ring[0])
	if ring.Orientation() == orb.CW {
		ring.Reverse()
	}
	return orb.Polygon{ring}, nil
}
