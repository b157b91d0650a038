package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/crs"
	"holdfast/geo/terrain"
	"holdfast/geo/terrain/raster"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

// grid is an open elevation file with what places it on the ground.
type grid struct {
	file   *os.File
	name   string
	raster *raster.Raster
	system *crs.CRS
	named  string     // the system as it was named: a code, a name or well-known text
	unit   geo.Length // of the heights, 0 when the file says
}

// openGrid opens an elevation file. Its coordinate system is the one named by
// the caller, else the file's own, else that of a .prj file beside it.
func openGrid(name, system, unit, shift string) (g grid, err error) {
	g = grid{name: filepath.Base(name), unit: map[string]geo.Length{"m": geo.Metre, "ft": geo.Foot, "ftUS": 1200.0 / 3937}[unit]}
	if g.file, err = os.Open(name); err != nil {
		return g, plainOpen(name, err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("read %s: %w", g.name, err), g.file.Close())
		}
	}()
	info, err := g.file.Stat()
	if err != nil {
		return g, err
	}
	if g.raster, err = raster.Open(g.file, info.Size()); err != nil {
		return g, err
	}
	g.named = system
	if code := g.raster.CRS().EPSG; g.named == "" && code != 0 {
		g.named = fmt.Sprintf("EPSG:%d", code)
	}
	if g.named == "" {
		wkt, err := os.ReadFile(strings.TrimSuffix(name, filepath.Ext(name)) + ".prj")
		switch {
		case err == nil:
			g.named = string(wkt)
		case !errors.Is(err, os.ErrNotExist):
			return g, err
		case g.raster.CRS().Model == raster.ModelGeographic:
			g.named = "EPSG:4326"
		default:
			return g, errors.New("the grid names no coordinate system and there is no .prj file beside it: name it with --crs")
		}
	}
	if g.system, err = atlas.System(g.named); err != nil || shift == "" {
		return g, err
	}
	nodes, err := readShift(shift)
	if err != nil {
		return g, err
	}
	g.system = g.system.WithGrid(nodes)
	return g, nil
}

// readShift reads a datum shift grid: an NTv2 .gsb file, or a NADCON .las file
// with its .los beside it.
func readShift(name string) (*crs.Grid, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, plainOpen(name, err)
	}
	defer f.Close()
	stem, isNADCON := strings.CutSuffix(name, ".las")
	if !isNADCON {
		return crs.ReadNTv2(f, filepath.Base(name))
	}
	los, err := os.Open(stem + ".los")
	if err != nil {
		return nil, plainOpen(stem+".los", err)
	}
	defer los.Close()
	return crs.ReadNADCON(f, los, filepath.Base(name))
}

func (g grid) surface() (*terrain.Surface, error) {
	s, err := terrain.NewSurface(g.raster, g.system, g.unit)
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", g.name, err)
	}
	return s, nil
}

// covers is the outline of the grid on the ground, with enough vertices on
// each side that its curve shows.
func (g grid) covers() (orb.Polygon, error) {
	const steps = 32
	cols, rows := g.raster.Size()
	w, h := float64(cols), float64(rows)
	var ring orb.Ring
	add := func(col, row float64) error {
		lon, lat, err := g.system.Inverse(g.raster.Affine().Plane(col, row))
		ring = append(ring, orb.Point{lon, lat})
		return err
	}
	for _, side := range [][4]float64{{0, h, w, h}, {w, h, w, 0}, {w, 0, 0, 0}, {0, 0, 0, h}} {
		for i := range steps {
			t := float64(i) / steps
			if err := add(side[0]+t*(side[2]-side[0]), side[1]+t*(side[3]-side[1])); err != nil {
				return nil, fmt.Errorf("place %s: %w", g.name, err)
			}
		}
	}
	ring = append(ring, ring[0])
	if ring.Orientation() == orb.CW {
		ring.Reverse()
	}
	return orb.Polygon{ring}, nil
}

// elevation imports a grid of heights as a layer.
func (c *importCmd) elevation(ctx context.Context, gl *globals, s *streams, layer survey.Layer) error {
	g, err := openGrid(c.File[0], c.CRS, c.Unit, "")
	if err != nil {
		return err
	}
	defer g.file.Close()
	covers, err := g.covers()
	if err != nil {
		return err
	}
	if _, err := g.surface(); err != nil { // a grid that cannot be asked is not worth keeping
		return err
	}
	layer.SourceCRS = g.named
	if g.unit != 0 {
		layer.HeightUnitM = survey.Known(g.unit.Metres())
	}
	cols, rows := g.raster.Size()
	fmt.Fprintf(s.out, "%s: %s, %d × %d cells, %s\n", g.name, g.raster.Describe(), cols, rows, g.system)
	if c.DryRun {
		return nil
	}
	a, done, err := gl.open(ctx, s, sqlite.Options{Create: true})
	if err != nil {
		return err
	}
	defer done()
	if _, err := g.file.Seek(0, io.SeekStart); err != nil {
		return fmt.Errorf("read %s: %w", g.name, err)
	}
	if _, err := a.Store.AddRaster(ctx, layer, covers, g.file, author()); err != nil {
		return fmt.Errorf("nothing was written: %w", err)
	}
	fmt.Fprintf(s.err, "elevation layer %s written to %s\n", layer.ID, gl.Atlas)
	return nil
}
