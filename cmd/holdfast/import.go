package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

type importCmd struct {
	File    []string `arg:"" help:"Files to read, told apart by their content: GeoJSON, Shapefile (also zipped or a folder), GeoPackage, KML, KMZ, GPX or CSV; GeoTIFF or ESRI ASCII for elevation." placeholder:"FILE"`
	Sites   bool     `help:"The files hold sites." xor:"what"`
	Points  bool     `help:"The files hold survey points." xor:"what"`
	Layer   string   `help:"The files hold a GIS layer of this name; one of the same name is replaced." xor:"what" placeholder:"NAME"`
	Role    string   `help:"How the layer takes part: bank crest, bank toe, water, road, buried utility, overhead line, parcel, building, access, elevation or other." placeholder:"ROLE"`
	AsOf    string   `help:"Date the layer's data describe, like 2026-05-04." placeholder:"DATE"`
	Licence string   `help:"Licence of the layer's data." placeholder:"TEXT"`
	Table   string   `help:"Table to read of a file that holds several." placeholder:"NAME"`
	Map     string   `help:"Which columns and values of foreign points or sites are which of ours: a JSON file, or the name of a mapping that was saved." placeholder:"FILE|NAME"`
	SaveMap string   `name:"save-map" help:"Keep that mapping in the atlas under this name." placeholder:"NAME"`
	CRS     string   `help:"Coordinate system of a file that names none, like EPSG:26915." placeholder:"NAME"`
	Unit    string   `help:"Unit of an elevation grid's heights, when the file does not say." enum:",m,ft,ftUS" default:""`

	Key           string  `help:"Column by which the features of two editions of a layer are told apart; their ids if left out." placeholder:"COLUMN"`
	Near          float64 `help:"Metres within which two sites or points of about the same name are called duplicates." default:"3" placeholder:"M"`
	RemoveMissing bool    `help:"Delete the sites, or the points of the sites named, that the file does not have. They are only listed otherwise."`

	DryRun        bool   `help:"Say what would be taken and changed, and write nothing."`
	AcceptPartial bool   `help:"Take what is right even when some records are refused."`
	JSON          bool   `help:"The report as JSON."`
	Report        string `help:"Write the extent, and whatever the report has something to say of, as GeoJSON to this file." type:"path" placeholder:"FILE"`
}

func (importCmd) Help() string {
	return `Examples:
  holdfast import --sites sites.geojson
  holdfast import --points points.csv --dry-run
  holdfast import --points survey.gpkg --map county.json --save-map "County soils"
  holdfast import --points newer.gpkg --map "County soils" --dry-run
  holdfast import mains.zip --layer "Gas mains" --role "buried utility" --as-of 2026-03-01
  holdfast import dem.tif --layer Ground --role elevation

An import is all or nothing unless --accept-partial is given. The atlas is made
if there is none. What a newer edition adds, changes and removes is said before
it is written; holdfast imports lists what came in, and undoes it. A property
that no record of the file has stays as it is. A mapping is a file like
  {"columns": {"SOIL_CLS": "ground.class", "REMARKS": ""},
   "values":  {"ground.class": {"Type B": "B"}}}
where a column that becomes "" is left out.`
}

// mostHeap keeps the peak of a large import, with the 64 MB that SQLite caches,
// below 200 MB.
const mostHeap = 96 << 20

func (c *importCmd) Run(ctx context.Context, g *globals, s *streams) error {
	layer, err := c.wanted()
	if err != nil {
		return err
	}
	in := atlas.Intake{
		Of: c.of(), Layer: layer, CRS: c.CRS, Table: c.Table, Unit: atlas.HeightUnits[c.Unit], Key: c.Key,
		Within: geo.Length(c.Near), Partial: c.AcceptPartial, Remove: c.RemoveMissing, Each: counting(ctx, s.err, "read"),
	}
	if in.Map, err = c.mapping(ctx, g, s); err != nil {
		return err
	}
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(min(mostHeap, debug.SetMemoryLimit(-1))))
	if err := c.allReadable(ctx, g, s, in); err != nil {
		return err
	}
	var reports []*exchange.Report
	for _, name := range c.File {
		in.Path = name
		r, err := c.one(ctx, g, s, in)
		if r != nil {
			reports = append(reports, r)
			err = errors.Join(c.print(s, r), c.explain(name, err))
		} else {
			err = c.explain(name, err)
		}
		if err != nil {
			return errors.Join(err, c.onMap(reports))
		}
	}
	return c.onMap(reports)
}

// allReadable looks at every one of several files before the first is written:
// each is an import of its own, but none is made when one is refused.
func (c *importCmd) allReadable(ctx context.Context, g *globals, s *streams, in atlas.Intake) error {
	for _, name := range c.File {
		if _, err := os.Stat(name); err != nil {
			return plainOpen(name, err)
		}
	}
	if len(c.File) == 1 || c.DryRun {
		return nil
	}
	look := *c
	look.DryRun = true
	for _, name := range c.File {
		in.Path = name
		if r, err := look.one(ctx, g, s, in); err != nil {
			if r != nil {
				err = errors.Join(c.print(s, r), c.explain(name, err))
			}
			return err
		}
	}
	return nil
}

// wanted checks that the flags go together and returns the layer to import.
func (c *importCmd) wanted() (layer survey.Layer, err error) {
	switch {
	case !c.Sites && !c.Points && c.Layer == "":
		return layer, misuse("say what the files hold: --sites, --points, or --layer NAME --role ROLE")
	case c.Layer == "" && (c.Role != "" || c.AsOf != "" || c.Licence != "" || c.Key != ""):
		return layer, misuse("--role, --as-of, --licence and --key go with --layer")
	case len(c.File) > 1 && c.Layer != "":
		return layer, misuse("a layer is read from one file")
	case len(c.File) > 1 && c.RemoveMissing:
		return layer, misuse("--remove-missing goes with one file, which then is the whole edition")
	case c.Layer != "" && (c.Map != "" || c.RemoveMissing):
		return layer, misuse("--map goes with --points and --sites, and so does --remove-missing: a layer keeps its columns as they are and is replaced as a whole")
	case c.SaveMap != "" && c.Map == "":
		return layer, misuse("--save-map keeps the mapping that --map names")
	case !(c.Near >= 0 && c.Near <= 1000):
		return layer, misuse("--near is a distance from 0 to 1000 m")
	case c.Layer != "":
		layer, err = c.layer()
	}
	if err == nil && c.Unit != "" && layer.Role != survey.RoleElevation {
		err = misuse("--unit goes with --role elevation")
	}
	return layer, err
}

// of is the collection the files go to, "" for a layer.
func (c *importCmd) of() string {
	switch {
	case c.Sites:
		return sqlite.Sites
	case c.Points:
		return sqlite.Points
	}
	return ""
}

// mapping reads the mapping that is named: a file, else one that was saved.
func (c *importCmd) mapping(ctx context.Context, g *globals, s *streams) (*exchange.Mapping, error) {
	if c.Map == "" {
		return nil, nil
	}
	text, err := os.ReadFile(c.Map)
	if errors.Is(err, os.ErrNotExist) {
		if text, err = c.savedMapping(ctx, g, s); err != nil {
			return nil, err
		}
	} else if err != nil {
		return nil, plainOpen(c.Map, err)
	}
	read := exchange.MapPoints
	if c.Sites {
		read = exchange.MapSites
	}
	m, err := read(text)
	if err != nil {
		return nil, fmt.Errorf("read mapping %s: %w", filepath.Base(c.Map), err)
	}
	if c.SaveMap == "" || c.DryRun {
		return m, nil
	}
	return m, g.fill(ctx, s, func(a atlas.Atlas) error {
		return a.Store.SaveMapping(ctx, sqlite.Mapping{Name: c.SaveMap, Of: c.of(), Body: text}, author())
	})
}

func (c *importCmd) savedMapping(ctx context.Context, g *globals, s *streams) (json.RawMessage, error) {
	nowhere := fmt.Errorf("there is no file %s, and no mapping of that name is saved: holdfast imports mappings lists them", c.Map)
	if _, err := os.Stat(g.Atlas); errors.Is(err, os.ErrNotExist) {
		return nil, nowhere
	}
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer done()
	m, err := a.Store.Mapping(ctx, c.Map)
	switch {
	case errors.Is(err, survey.ErrNotFound):
		return nil, nowhere
	case err == nil && m.Of != c.of():
		return nil, fmt.Errorf("the mapping %s is for %s, not for %s", m.Name, m.Of, c.of())
	}
	return m.Body, err
}

// counting shows on a terminal how many records were read or written, and ends
// that when the program is told to stop.
func counting(ctx context.Context, w io.Writer, what string) func(int) error {
	f, ok := terminal(w)
	begun := time.Now()
	return func(done int) error {
		if ok && done%10_000 == 0 {
			fmt.Fprintf(f, "%d records %s, %.0f a second\r", done, what, float64(done)/time.Since(begun).Seconds())
		}
		return ctx.Err()
	}
}

func (c *importCmd) layer() (survey.Layer, error) {
	l := survey.Layer{ID: survey.LayerID(c.Layer), Title: c.Layer, Role: survey.Role(c.Role), Licence: c.Licence}
	var err error
	if l.AsOf, err = asOf(c.AsOf); err != nil {
		return l, err
	}
	if err := l.Validate(); err != nil {
		return l, usageError{err}
	}
	return l, nil
}

// one looks at a file or takes it in.
func (c *importCmd) one(ctx context.Context, g *globals, s *streams, in atlas.Intake) (r *exchange.Report, err error) {
	if c.DryRun {
		a := atlas.Atlas{Now: s.now}
		if _, err := os.Stat(g.Atlas); err == nil {
			var done func()
			if a, done, err = g.open(ctx, s, sqlite.Options{ReadOnly: true}); err != nil {
				return nil, err
			}
			defer done()
		}
		return a.Look(ctx, in)
	}
	var made sqlite.Import
	err = g.fill(ctx, s, func(a atlas.Atlas) error {
		r, made, err = a.Take(ctx, in, author())
		return err
	})
	if err == nil {
		fmt.Fprintf(s.err, "%s written to %s: import %d, which holdfast imports undo %d takes back\n", wrote(r), g.Atlas, made.Number, made.Number)
	}
	return r, err
}

func wrote(r *exchange.Report) string {
	n := r.Taken()
	if c := r.Changes; c != nil && c.Unchanged > 0 {
		n = c.Added + c.Changed
	}
	if n == 1 {
		return "1 record"
	}
	return fmt.Sprintf("%d records", n)
}

// explain says, where a file leaves something open, which flag helps.
func (c *importCmd) explain(name string, err error) error {
	var refused *atlas.RefusedError
	file := filepath.Base(name)
	switch {
	case err == nil:
		return nil
	case errors.As(err, &refused) && refused.Taken > 0:
		return fmt.Errorf("%w: mend them, or take the rest with --accept-partial", err)
	case errors.As(err, &refused):
		return err
	case errors.Is(err, exchange.ErrTables):
		return fmt.Errorf("%s: %w: name one with --table", file, err)
	case errors.Is(err, exchange.ErrNoCRS):
		return fmt.Errorf("%s: %w with --crs, like --crs EPSG:26915; whoever made the file knows it", file, err)
	case errors.Is(err, atlas.ErrGridCRS):
		return fmt.Errorf("%w: name it with --crs", err)
	}
	return fmt.Errorf("%s: nothing was written: %w", file, err)
}

func (c *importCmd) print(s *streams, r *exchange.Report) error {
	if c.JSON {
		return printJSON(s.out, r)
	}
	_, err := fmt.Fprint(s.out, r.String())
	return err
}

// onMap writes the file that --report names.
func (c *importCmd) onMap(reports []*exchange.Report) error {
	if c.Report == "" || len(reports) == 0 {
		return nil
	}
	return beside(c.Report, c.Report, func(w io.Writer) error { return exchange.WriteReportGeoJSON(w, reports...) })
}

// fill opens the atlas for put. Where there is none, one is made under another
// name and moved to its place when put has succeeded, so that a failure leaves
// nothing behind.
func (g *globals) fill(ctx context.Context, s *streams, put func(atlas.Atlas) error) (err error) {
	into := *g
	_, missing := os.Stat(g.Atlas)
	if fresh := errors.Is(missing, os.ErrNotExist); fresh {
		dir, err := os.MkdirTemp(filepath.Dir(g.Atlas), ".atlas-*")
		if err != nil {
			return fmt.Errorf("make the atlas: %w", err)
		}
		defer func() { _ = os.RemoveAll(dir) }() // after the move it is empty
		into.Atlas = filepath.Join(dir, filepath.Base(g.Atlas))
	}
	a, done, err := into.open(ctx, s, sqlite.Options{Create: true})
	if err != nil {
		return err
	}
	err = put(a)
	done()
	if err != nil || into.Atlas == g.Atlas {
		return err
	}
	if _, err := os.Stat(g.Atlas); err == nil {
		return fmt.Errorf("another program has made %s meanwhile: import again", g.Atlas)
	}
	if err := os.Rename(into.Atlas, g.Atlas); err != nil {
		return fmt.Errorf("make the atlas: %w", err)
	}
	return nil
}
