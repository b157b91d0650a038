package atlas

import (
	"context"
	"fmt"
	"io"
	"iter"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo/cql2"
	"holdfast/geo/crs"
	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/file"
	"holdfast/geo/vector/gpkg"
	"holdfast/survey"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

// Export says what is taken out of an atlas, and how.
type Export struct {
	Collection string     // "sites", "points", or the id or title of a layer
	Bound      *orb.Bound // keeps what meets the box in longitude and latitude; nil is all
	Where      string     // CQL2 text that keeps what it is true of; "" is all
	Format     vector.Format
	// CRS is a name such as EPSG:26915 or well-known text, "" for longitude and
	// latitude on WGS 84. GeoPackage, Shapefile and CSV take any, the others no
	// other than WGS 84.
	CRS string
	// Each, when not nil, is called for every record written with how many there
	// were; its error ends the writing.
	Each func(done int) error
}

// Exported says what was written.
type Exported struct {
	Collection string        `json:"collection"`
	Format     vector.Format `json:"format"`
	CRS        string        `json:"crs"`
	Records    int           `json:"records"`
	Losses     []string      `json:"losses,omitempty"` // what the format could not carry
}

// Export writes a collection to w record by record. GeoJSON keeps the shape of
// the contract; the properties of sites and points come flattened in the other
// formats, under names such as ground.class. The formats that hold tables are
// read twice: once for their columns.
func (a Atlas) Export(ctx context.Context, w io.Writer, e Export) (Exported, error) {
	out := Exported{Format: e.Format, CRS: vector.WGS84}
	layer, records, err := a.take(ctx, e)
	if err != nil {
		return out, err
	}
	out.Collection = layer.Name
	if e.CRS != "" {
		to, err := vector.ParseCRS(e.CRS)
		if err != nil {
			return out, fmt.Errorf("read coordinate system: %w", err)
		}
		records, layer.CRS, out.CRS = vector.FromWGS84(records, to), e.CRS, nameOf(to, e.CRS)
	}
	if !nests(e.Format) {
		d := vector.Describe(records)
		layer.Fields, layer.Geometry, layer.Z, layer.Count, layer.Extent = d.Fields, d.Geometry, d.Z, d.Count, d.Extent
	}
	to, err := file.NewWriter(w, e.Format)
	if err != nil {
		return out, err
	}
	if g, is := to.(*gpkg.Writer); is {
		to = &withLists{Writer: g}
	}
	err = to.Begin(layer)
	if err == nil {
		out.Records, err = vector.Copy(to, watched(records, e.Each))
	}
	if cerr := to.Close(); err == nil {
		err = cerr
	}
	for _, l := range to.Losses() {
		out.Losses = append(out.Losses, l.String())
	}
	return out, err
}

func nameOf(c *crs.CRS, given string) string {
	if c.Code != "" {
		return c.Code
	}
	return given
}

// nests tells the formats whose properties may be objects.
func nests(f vector.Format) bool { return f == vector.GeoJSON || f == vector.TextSequence }

func watched(records iter.Seq[vector.Record], each func(int) error) iter.Seq[vector.Record] {
	if each == nil {
		return records
	}
	return func(yield func(vector.Record) bool) {
		for r := range records {
			if r.Err == nil && r.Number > 0 {
				r.Err = each(r.Number)
			}
			if !yield(r) {
				return
			}
		}
	}
}

// take finds the collection and what of it is asked for.
func (a Atlas) take(ctx context.Context, e Export) (vector.Layer, iter.Seq[vector.Record], error) {
	layer := vector.Layer{Name: e.Collection, CRS: vector.WGS84, Count: -1, IDField: exchange.IDField}
	f := sqlite.Filter{Bound: e.Bound}
	id := func(f geojson.Feature) string { return f.ID }
	var err error
	switch flatten := !nests(e.Format); e.Collection {
	case sqlite.Sites:
		f.Where, err = where(e.Where, surveyed(exchange.SiteFields()))
		return layer, exchange.SiteRecords(pages(f, a.items(ctx, e.Collection), id), flatten), err
	case sqlite.Points:
		f.Where, err = where(e.Where, surveyed(exchange.PointFields()))
		return layer, exchange.PointRecords(pages(f, a.items(ctx, e.Collection), id), flatten), err
	}
	l, err := a.find(ctx, e.Collection)
	if err != nil {
		return layer, nil, err
	}
	layer.Name, layer.IDField = l.ID, ""
	_, held, _, err := a.Store.LayerContents(ctx, l.ID)
	if err != nil {
		return layer, nil, err
	}
	f.Where, err = where(e.Where, layered(held))
	get := func(f sqlite.Filter) ([]survey.LayerFeature, error) { return a.Store.Features(ctx, l.ID, f) }
	records := exchange.LayerRecords(pages(f, get, func(f survey.LayerFeature) string { return f.ID }))
	if !nests(e.Format) && e.Format != vector.GeoPackage {
		records = withoutIDs(records) // they only count, and there is no place for them
	}
	return layer, records, err
}

// find returns the layer with an id or, failing that, a title.
func (a Atlas) find(ctx context.Context, name string) (survey.Layer, error) {
	layers, err := a.Store.Layers(ctx)
	if err != nil {
		return survey.Layer{}, err
	}
	known := []string{sqlite.Sites, sqlite.Points}
	for _, l := range layers {
		if l.ID == name {
			return l, nil
		}
		known = append(known, l.ID)
	}
	for _, l := range layers {
		if strings.EqualFold(l.Title, name) {
			return l, nil
		}
	}
	return survey.Layer{}, fmt.Errorf("%w; there are %s", survey.NotFound("collection", name), strings.Join(known, ", "))
}

func withoutIDs(records iter.Seq[vector.Record]) iter.Seq[vector.Record] {
	return func(yield func(vector.Record) bool) {
		for r := range records {
			if r.ID = ""; !yield(r) {
				return
			}
		}
	}
}

// page is how many items are in memory at a time.
const page = 1000

// pages yields all the items that a filter chooses.
func pages[T any](f sqlite.Filter, get func(sqlite.Filter) ([]T, error), id func(T) string) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		f := f
		for f.Limit = page; ; {
			some, err := get(f)
			if err != nil {
				var none T
				yield(none, err)
				return
			}
			for _, item := range some {
				if !yield(item, nil) {
					return
				}
			}
			if len(some) < page {
				return
			}
			f.After = id(some[len(some)-1])
		}
	}
}

// items reads sites or points as they are stored.
func (a Atlas) items(ctx context.Context, collection string) func(sqlite.Filter) ([]geojson.Feature, error) {
	return func(f sqlite.Filter) ([]geojson.Feature, error) {
		rows, err := a.Store.Items(ctx, collection, f)
		out := make([]geojson.Feature, len(rows))
		for i, r := range rows {
			out[i] = r.Item
		}
		return out, err
	}
}

// where reads a condition in CQL2 text.
func where(text string, q cql2.Queryables) (*cql2.Filter, error) {
	if text == "" {
		return nil, nil
	}
	e, err := cql2.ParseText(text)
	if err != nil {
		return nil, survey.Invalid("", "the filter is not understood: %s", err)
	}
	f, err := cql2.Compile(e, q)
	if err != nil {
		return nil, survey.Invalid("", "the filter cannot be used: %s", err)
	}
	return f, nil
}

// surveyed are the properties of sites or points that a filter may name.
func surveyed(fields []vector.Field) cql2.Queryables {
	q := cql2.Queryables{sqlite.GeometryName: cql2.GeometryType, sqlite.IDName: cql2.StringType, sqlite.UpdatedName: cql2.TimestampType}
	types := map[vector.Type]cql2.Type{vector.Real: cql2.NumberType, vector.DateTime: cql2.TimestampType, vector.JSON: cql2.ArrayType, vector.Text: cql2.StringType}
	for _, f := range fields {
		q[f.Name] = types[f.Type]
	}
	return q
}

// layered are those of a layer.
func layered(held []sqlite.Property) cql2.Queryables {
	q := cql2.Queryables{sqlite.GeometryName: cql2.GeometryType}
	types := map[sqlite.Type]cql2.Type{
		sqlite.Text: cql2.StringType, sqlite.Integer: cql2.NumberType, sqlite.Real: cql2.NumberType, sqlite.Boolean: cql2.BooleanType,
		sqlite.Date: cql2.DateType, sqlite.Timestamp: cql2.TimestampType, sqlite.List: cql2.ArrayType,
	}
	for _, p := range held {
		if t, ok := types[p.Type]; ok && p.Name != sqlite.GeometryName {
			q[p.Name] = t
		}
	}
	return q
}
