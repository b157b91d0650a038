package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

type importCmd struct {
	File    []string `arg:"" help:"Files to read: GeoJSON or CSV, told apart by their content; GeoTIFF or ESRI ASCII for elevation." placeholder:"FILE"`
	Sites   bool     `help:"The files hold sites." xor:"what"`
	Points  bool     `help:"The files hold survey points." xor:"what"`
	Layer   string   `help:"The files hold a GIS layer of this name; one of the same name is replaced." xor:"what" placeholder:"NAME"`
	Role    string   `help:"How the layer takes part: bank crest, bank toe, water, road, buried utility, overhead line, parcel, building, access, elevation or other." placeholder:"ROLE"`
	AsOf    string   `help:"Date the layer's data describe, like 2026-05-04." placeholder:"DATE"`
	Licence string   `help:"Licence of the layer's data." placeholder:"TEXT"`
	CRS     string   `help:"Coordinate system of an elevation grid that names none, like EPSG:26915." placeholder:"NAME"`
	Unit    string   `help:"Unit of an elevation grid's heights, when the file does not say." enum:",m,ft,ftUS" default:""`

	DryRun        bool `help:"Say what would be taken and write nothing."`
	AcceptPartial bool `help:"Take what is right even when some records are refused."`
	JSON          bool `help:"The report as JSON."`
}

func (importCmd) Help() string {
	return `Examples:
  holdfast import --sites sites.geojson
  holdfast import --points points.csv --dry-run
  holdfast import mains.geojson --layer "Gas mains" --role "buried utility" --as-of 2026-03-01
  holdfast import dem.tif --layer Ground --role elevation

An import is all or nothing unless --accept-partial is given. The atlas is made
if there is none.`
}

func (c *importCmd) Run(ctx context.Context, g *globals, s *streams) error {
	if !c.Sites && !c.Points && c.Layer == "" {
		return misuse("say what the files hold: --sites, --points, or --layer NAME --role ROLE")
	}
	if c.Layer != "" && len(c.File) > 1 {
		return misuse("a layer is read from one file")
	}
	var layer survey.Layer
	if c.Layer != "" {
		var err error
		if layer, err = c.layer(); err != nil {
			return err
		}
	} else if c.Role != "" || c.AsOf != "" || c.Licence != "" {
		return misuse("--role, --as-of and --licence go with --layer")
	}
	if layer.Role == survey.RoleElevation {
		return c.elevation(ctx, g, s, layer)
	}
	if c.CRS != "" || c.Unit != "" {
		return misuse("--crs and --unit go with --role elevation")
	}
	// Every file is read and judged before the atlas is opened, so that a bad
	// file leaves no trace, not even a new atlas.
	read, err := c.read(ctx, s, layer)
	if err != nil || c.DryRun {
		return err
	}
	a, done, err := g.open(ctx, s, sqlite.Options{Create: true})
	if err != nil {
		return err
	}
	defer done()
	if err := c.store(ctx, a, read, layer); err != nil {
		return fmt.Errorf("nothing was written: %w", err)
	}
	fmt.Fprintf(s.err, "%d records written to %s\n", read.taken, g.Atlas)
	return nil
}

func (c *importCmd) layer() (survey.Layer, error) {
	l := survey.Layer{ID: slug(c.Layer), Title: c.Layer, Role: survey.Role(c.Role), SourceFile: filepath.Base(c.File[0]), SourceCRS: "OGC:CRS84", Licence: c.Licence}
	if c.AsOf != "" {
		t, err := time.Parse(time.DateOnly, c.AsOf)
		if err != nil {
			return l, misuse("--as-of %q is not a date like 2026-05-04", c.AsOf)
		}
		l.AsOf = survey.Known(t)
	}
	if err := l.Validate(); err != nil {
		return l, usageError{err}
	}
	return l, nil
}

// slug makes the id a layer has in addresses from its name.
func slug(name string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(name) {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	return strings.TrimSuffix(b.String(), "-")
}

// taken is what was read from the files.
type taken struct {
	sites   []survey.Site
	points  []survey.Point
	refused int
	taken   int
}

// read reads and reports every file. It fails when a file cannot be read, or
// holds a refused record and partial imports are not allowed.
func (c *importCmd) read(ctx context.Context, s *streams, layer survey.Layer) (taken, error) {
	var all taken
	for _, name := range c.File {
		f, err := os.Open(name)
		if err != nil {
			return all, plainOpen(name, err)
		}
		report, err := c.readOne(ctx, f, name, layer, &all)
		if cerr := f.Close(); err == nil {
			err = cerr
		}
		if report != nil {
			all.refused += report.Refused
			all.taken += report.Taken()
			if perr := c.print(s, report); perr != nil {
				return all, perr
			}
		}
		if err != nil {
			return all, err
		}
	}
	if all.refused > 0 && !c.AcceptPartial {
		return all, fmt.Errorf("%d records are refused, so nothing is written: mend them, or take the rest with --accept-partial", all.refused)
	}
	return all, nil
}

func (c *importCmd) readOne(ctx context.Context, r io.Reader, name string, layer survey.Layer, all *taken) (*exchange.Report, error) {
	o := exchange.Options{File: filepath.Base(name)}
	switch {
	case c.Sites:
		items, report, err := exchange.ReadSites(r, o)
		all.sites = append(all.sites, items...)
		return report, err
	case c.Points:
		items, report, err := exchange.ReadPoints(r, o)
		all.points = append(all.points, items...)
		return report, err
	}
	features, report := exchange.StreamLayer(r, layer.Role, o)
	for _, err := range features {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return report, err
		}
	}
	return report, nil
}

func (c *importCmd) print(s *streams, r *exchange.Report) error {
	if c.JSON {
		return printJSON(s.out, r)
	}
	_, err := fmt.Fprint(s.out, r.String())
	return err
}

func (c *importCmd) store(ctx context.Context, a atlas.Atlas, read taken, layer survey.Layer) (err error) {
	if c.Layer == "" {
		return a.Store.ImportAll(ctx, read.sites, read.points, author())
	}
	f, err := os.Open(c.File[0])
	if err != nil {
		return plainOpen(c.File[0], err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	layer.Refused = read.refused
	features, _ := exchange.StreamLayer(f, layer.Role, exchange.Options{})
	_, err = a.Store.AddLayer(ctx, layer, features, author())
	return err
}
