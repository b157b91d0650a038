package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/paulmach/orb"

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
	Map     string   `help:"JSON file that says which columns and values of foreign points or sites are which of ours." placeholder:"FILE"`
	CRS     string   `help:"Coordinate system of a file that names none, like EPSG:26915." placeholder:"NAME"`
	Unit    string   `help:"Unit of an elevation grid's heights, when the file does not say." enum:",m,ft,ftUS" default:""`

	DryRun        bool `help:"Say what would be taken and write nothing."`
	AcceptPartial bool `help:"Take what is right even when some records are refused."`
	JSON          bool `help:"The report as JSON."`
}

func (importCmd) Help() string {
	return `Examples:
  holdfast import --sites sites.geojson
  holdfast import --points points.csv --dry-run
  holdfast import --points survey.gpkg --map county.json
  holdfast import mains.zip --layer "Gas mains" --role "buried utility" --as-of 2026-03-01
  holdfast import dem.tif --layer Ground --role elevation

An import is all or nothing unless --accept-partial is given. The atlas is made
if there is none. A mapping is a file like
  {"columns": {"SOIL_CLS": "ground.class", "REMARKS": ""},
   "values":  {"ground.class": {"Type B": "B"}}}
where a column that becomes "" is left out.`
}

func (c *importCmd) Run(ctx context.Context, g *globals, s *streams) error {
	layer, err := c.wanted()
	if err != nil {
		return err
	}
	if layer.Role == survey.RoleElevation {
		return c.elevation(ctx, g, s, layer)
	}
	o := exchange.Options{CRS: c.CRS, Table: c.Table, Each: counting(ctx, s.err, "read")}
	if o.Map, err = c.mapping(); err != nil {
		return err
	}
	if o.Extent, err = g.extent(ctx, s); err != nil {
		return err
	}
	if c.Layer != "" {
		return c.importLayer(ctx, g, s, layer, o)
	}
	return c.importItems(ctx, g, s, o)
}

// wanted checks that the flags go together and returns the layer to import.
func (c *importCmd) wanted() (layer survey.Layer, err error) {
	switch {
	case !c.Sites && !c.Points && c.Layer == "":
		return layer, misuse("say what the files hold: --sites, --points, or --layer NAME --role ROLE")
	case c.Layer == "" && (c.Role != "" || c.AsOf != "" || c.Licence != ""):
		return layer, misuse("--role, --as-of and --licence go with --layer")
	case c.Layer != "" && len(c.File) > 1:
		return layer, misuse("a layer is read from one file")
	case c.Layer != "" && c.Map != "":
		return layer, misuse("--map goes with --points and --sites: a layer keeps its columns as they are")
	case c.Layer != "":
		layer, err = c.layer()
	}
	if err == nil && c.Unit != "" && layer.Role != survey.RoleElevation {
		err = misuse("--unit goes with --role elevation")
	}
	return layer, err
}

func (c *importCmd) mapping() (*exchange.Mapping, error) {
	if c.Map == "" {
		return nil, nil
	}
	text, err := os.ReadFile(c.Map)
	if err != nil {
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
	return m, nil
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
	l := survey.Layer{ID: slug(c.Layer), Title: c.Layer, Role: survey.Role(c.Role), SourceFile: filepath.Base(c.File[0]), Licence: c.Licence}
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

// open opens a file and says, where it leaves something open, which flag helps.
func (c *importCmd) open(name string, o exchange.Options) (*exchange.Input, error) {
	o.File = filepath.Base(name)
	if _, err := os.Stat(name); err != nil {
		return nil, plainOpen(name, err)
	}
	in, err := exchange.Open(name, o)
	switch {
	case errors.Is(err, exchange.ErrTables):
		return nil, fmt.Errorf("%s: %w: name one with --table", o.File, err)
	case errors.Is(err, exchange.ErrNoCRS):
		return nil, fmt.Errorf("%s: %w with --crs, like --crs EPSG:26915; whoever made the file knows it", o.File, err)
	case err != nil:
		return nil, fmt.Errorf("%s: %w", o.File, err)
	}
	return in, nil
}

// importLayer reads the file once, into the atlas: what is refused in the end
// takes the rest back with it. When refused records are allowed they are counted
// first, for the layer's description.
func (c *importCmd) importLayer(ctx context.Context, g *globals, s *streams, layer survey.Layer, o exchange.Options) error {
	in, err := c.open(c.File[0], o)
	if err != nil {
		return err
	}
	defer in.Close() // it was only read
	layer.SourceCRS = in.System()
	if c.DryRun || c.AcceptPartial {
		r := c.read(in, layer.Role)
		for range r.features {
		}
		layer.Refused = r.report.Refused
		if c.DryRun || r.err != nil {
			return errors.Join(c.print(s, r.report), r.err)
		}
	}
	r := c.read(in, layer.Role)
	err = g.fill(ctx, s, func(a atlas.Atlas) error {
		_, err := a.Store.AddLayer(ctx, layer, r.features, author())
		return err
	})
	switch {
	case r.err != nil:
		err = r.err
	case err != nil:
		err = fmt.Errorf("nothing was written: %w", err)
	}
	if err := errors.Join(c.print(s, r.report), err); err != nil {
		return err
	}
	fmt.Fprintf(s.err, "%d records written to %s\n", r.report.Taken(), g.Atlas)
	return nil
}

// reading is a layer on its way in. When the features have ended, err says why
// they must not be kept.
type reading struct {
	features iter.Seq2[survey.LayerFeature, error]
	report   *exchange.Report
	err      error
}

func (c *importCmd) read(in *exchange.Input, role survey.Role) *reading {
	features, report := in.Layer(role)
	r := &reading{report: report}
	r.features = func(yield func(survey.LayerFeature, error) bool) {
		for f, err := range features {
			if r.err = err; !yield(f, err) {
				return
			}
		}
		if r.err == nil {
			r.err = c.judge(report.Taken(), report.Refused)
		}
		if r.err != nil {
			yield(survey.LayerFeature{}, r.err)
		}
	}
	return r
}

// judge refuses an import with refused records, unless told otherwise.
func (c *importCmd) judge(taken, refused int) error {
	switch {
	case refused > 0 && !c.AcceptPartial:
		return fmt.Errorf("%d records are refused, so nothing is written: mend them, or take the rest with --accept-partial", refused)
	case refused > 0 && taken == 0:
		return fmt.Errorf("all %d records are refused, so nothing is written", refused)
	}
	return nil
}

// importItems reads and judges every file before the atlas is opened.
func (c *importCmd) importItems(ctx context.Context, g *globals, s *streams, o exchange.Options) error {
	var sites []survey.Site
	var points []survey.Point
	refused := 0
	for _, name := range c.File {
		in, err := c.open(name, o)
		if err != nil {
			return err
		}
		var report *exchange.Report
		if c.Sites {
			var items []survey.Site
			items, report, err = in.Sites()
			sites = append(sites, items...)
		} else {
			var items []survey.Point
			items, report, err = in.Points()
			points = append(points, items...)
		}
		refused += report.Refused
		if err := errors.Join(c.print(s, report), err, in.Close()); err != nil {
			return err
		}
	}
	taken := len(sites) + len(points)
	if err := c.judge(taken, refused); err != nil || c.DryRun {
		return err
	}
	err := g.fill(ctx, s, func(a atlas.Atlas) error { return a.Store.ImportAll(ctx, sites, points, author()) })
	if err != nil {
		return fmt.Errorf("nothing was written: %w", err)
	}
	fmt.Fprintf(s.err, "%d records written to %s\n", taken, g.Atlas)
	return nil
}

func (c *importCmd) print(s *streams, r *exchange.Report) error {
	if c.JSON {
		return printJSON(s.out, r)
	}
	_, err := fmt.Fprint(s.out, r.String())
	return err
}

// extent is where the atlas lies; nil when there is none yet, or nothing in it.
func (g *globals) extent(ctx context.Context, s *streams) (*orb.Bound, error) {
	if _, err := os.Stat(g.Atlas); errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return nil, err
	}
	defer done()
	b, ok, err := a.Store.Bounds(ctx)
	if err != nil || !ok {
		return nil, err
	}
	return &b, nil
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
