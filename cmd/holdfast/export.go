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

	formats "holdfast/geo/vector/file"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

type exportCmd struct {
	Collection string    `help:"What to take out: sites, points, or a layer by its id or title." required:"" placeholder:"NAME"`
	To         string    `help:"File to write; its ending is the format: .geojson, .geojsonl (one Feature a line), .gpkg, .zip (Shapefile), .kml, .gpx or .csv." required:"" type:"path" placeholder:"FILE"`
	BBox       []float64 `name:"bbox" help:"Only what meets this box: west,south,east,north in degrees." placeholder:"W,S,E,N"`
	Filter     string    `help:"Only what this condition in CQL2 text is true of." placeholder:"CQL2"`
	CRS        string    `help:"Coordinate system of the file, like EPSG:26915, or a .prj file; longitude and latitude on WGS 84 if left out." placeholder:"NAME"`
	JSON       bool      `help:"A summary as JSON."`
}

func (exportCmd) Help() string {
	return `Examples:
  holdfast export --collection points --to points.geojson
  holdfast export --collection sites --to sites.gpkg --bbox -91.3,44.6,-91.1,44.7
  holdfast export --collection points --to class-b.csv --filter "ground.class = 'B'"
  holdfast export --collection gas-mains --to mains.gpkg --crs EPSG:26915
  holdfast export --collection gas-mains --to mains.zip --crs county.prj

What the format cannot carry is listed on standard error. GeoJSON keeps
everything. GeoPackage, Shapefile and CSV take any coordinate system; GeoJSON,
KML and GPX are longitude and latitude on WGS 84 by their standards.`
}

func (c *exportCmd) Run(ctx context.Context, g *globals, s *streams) error {
	e, err := c.asked()
	if err != nil {
		return err
	}
	e.Each = counting(ctx, s.err, "written")
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	var r atlas.Exported
	err = beside(c.To, c.To, func(w io.Writer) error {
		var err error
		r, err = a.Export(ctx, w, e)
		return err
	})
	if err != nil {
		return fmt.Errorf("nothing was written: %w", err)
	}
	for _, l := range r.Losses {
		fmt.Fprintf(s.err, "not carried by %s: %s\n", r.Format, l)
	}
	if c.JSON {
		return printJSON(s.out, struct {
			File string `json:"file"`
			atlas.Exported
		}{c.To, r})
	}
	_, err = fmt.Fprintf(s.out, "%s: %d records of %s (%s, %s)\n", c.To, r.Records, r.Collection, r.Format, r.CRS)
	return err
}

// asked checks the flags.
func (c *exportCmd) asked() (e atlas.Export, err error) {
	e = atlas.Export{Collection: c.Collection, Where: c.Filter, CRS: c.CRS}
	var ok bool
	if e.Format, ok = formats.FormatOf(c.To); !ok {
		return e, misuse("--to %q: end the name in .geojson, .geojsonl, .gpkg, .zip, .kml, .gpx or .csv", c.To)
	}
	if strings.EqualFold(filepath.Ext(c.CRS), ".prj") {
		text, err := os.ReadFile(c.CRS)
		if err != nil {
			return e, plainOpen(c.CRS, err)
		}
		e.CRS = string(text)
	}
	switch b := c.BBox; {
	case len(b) == 0:
	case len(b) != 4 || !(b[1] <= b[3]) || !(-180 <= b[0] && b[0] <= 180 && -180 <= b[2] && b[2] <= 180 && -90 <= b[1] && b[3] <= 90):
		return e, misuse("--bbox is west,south,east,north in degrees")
	default:
		e.Bound = &orb.Bound{Min: orb.Point{b[0], b[1]}, Max: orb.Point{b[2], b[3]}}
	}
	return e, nil
}

// beside has a file written under another name in its folder and moved to its
// place when it is whole. What names it in errors.
func beside(to, what string, write func(io.Writer) error) (err error) {
	f, err := os.CreateTemp(filepath.Dir(to), ".export-*")
	if err != nil {
		return fmt.Errorf("write %s: %w", what, err)
	}
	defer func() {
		if err != nil {
			_ = f.Close() // what went wrong first is what is said
			err = errors.Join(err, os.Remove(f.Name()))
		}
	}()
	if err := write(f); err != nil {
		return err
	}
	if err := errors.Join(f.Chmod(0o644), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", what, err)
	}
	if err := os.Rename(f.Name(), to); err != nil {
		return fmt.Errorf("write %s: %w", what, err)
	}
	return nil
}
