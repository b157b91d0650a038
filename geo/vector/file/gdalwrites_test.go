package file_test

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/file"
)

// asGeoJSON writes records with encoding/json, so that what GDAL is given does
// not come from the writers under test. A coordinate system makes it the old
// format with a "crs" member.
func asGeoJSON(t *testing.T, path, crs string, records []vector.Record) {
	t.Helper()
	var all []any
	for _, r := range records {
		props := map[string]any{}
		for _, p := range r.Properties {
			switch v := p.Value.(type) {
			case vector.Date:
				props[p.Name] = fmt.Sprintf("%04d/%02d/%02d", v.Year, v.Month, v.Day)
			case time.Time:
				props[p.Name] = v.Format("2006/01/02 15:04:05.000+00")
			default:
				props[p.Name] = v
			}
		}
		all = append(all, map[string]any{"type": "Feature", "properties": props, "geometry": nested(r.Geometry)})
	}
	c := map[string]any{"type": "FeatureCollection", "features": all}
	if crs != "" {
		c["crs"] = map[string]any{"type": "name", "properties": map[string]any{"name": crs}}
	}
	b, err := json.Marshal(c)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, b, 0o644))
}

// reads opens a file and returns the records of a layer and the notes on it.
func reads(t *testing.T, path string, o vector.Options, layer int) ([]vector.Record, vector.Layer) {
	t.Helper()
	s, err := file.Open(path, o)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	require.Greater(t, len(s.Layers()), layer)
	l := s.Layers()[layer]
	var out []vector.Record
	for r := range s.Read(layer) {
		if r.Number == 0 {
			require.NoError(t, r.Err)
			l.Notes = append(l.Notes, r.Notes...)
			continue
		}
		out = append(out, r)
	}
	if l.Count >= 0 {
		assert.LessOrEqual(t, len(out), l.Count)
	}
	return out, l
}

// sameRead tells whether a value that was read is the one that GDAL was given,
// allowing for formats that have fewer types.
func sameRead(want, got any) bool {
	switch w := want.(type) {
	case nil:
		return got == nil || got == ""
	case bool:
		return got == want || sameValue(w, got)
	case int64:
		switch g := got.(type) {
		case int64:
			return g == w
		case float64:
			return g == float64(w)
		}
		return got == strconv.FormatInt(w, 10)
	case float64:
		switch g := got.(type) {
		case float64:
			return g == w
		case int64:
			return float64(g) == w
		}
		f, err := strconv.ParseFloat(fmt.Sprint(got), 64)
		return err == nil && f == w
	case vector.Date:
		if g, is := got.(vector.Date); is {
			return g == w
		}
		if g, is := got.(time.Time); is {
			return g.Equal(w.Time())
		}
		return sameValue(w, got)
	case time.Time:
		if g, is := got.(time.Time); is {
			return g.Equal(w)
		}
		return sameValue(w, got)
	}
	return got == want
}

// layers says of which kinds of geometry a format's layers are. Where a layer
// tells its kind, each is tried by itself; where it does not, one layer with
// all of them shows the same.
type layers int

const (
	anyKind layers = iota
	oneKind
	eitherWay
)

func (l layers) groups() [][]string {
	var out [][]string
	if l != oneKind {
		out = append(out, kinds)
	}
	if l != anyKind {
		for _, k := range kinds {
			out = append(out, []string{k})
		}
	}
	return out
}

// What GDAL 3.6.2 writes is read here with the same geometry and values.
func TestWhatGDALWritesIsRead(t *testing.T) {
	dayOnly := func(r *vector.Record) { // a dBase table has no times; GDAL keeps the day
		at, _ := r.Properties.Get("at")
		if at, is := at.(time.Time); is {
			r.Properties.Set("at", vector.DateOf(at))
		}
	}
	for stream, c := range []struct {
		title  string
		name   string
		args   []string
		layers layers
		change func(*vector.Record)
		types  bool // whether the format keeps all types
	}{
		{"GeoJSON", "b.geojson", []string{"-f", "GeoJSON", "-lco", "COORDINATE_PRECISION=17"}, anyKind, nil, false},
		{"lines", "b.geojsonl", []string{"-f", "GeoJSONSeq", "-lco", "COORDINATE_PRECISION=17"}, anyKind, nil, false},
		{"text sequence", "b.geojsons", []string{"-f", "GeoJSONSeq", "-lco", "RS=YES", "-lco", "COORDINATE_PRECISION=17"}, anyKind, nil, false},
		{"Shapefile", "b.shp", []string{"-f", "ESRI Shapefile", "-lco", "ENCODING=UTF-8"}, oneKind, dayOnly, false},
		{"zipped Shapefile", "b.shz", []string{"-f", "ESRI Shapefile", "-lco", "ENCODING=UTF-8"}, oneKind, dayOnly, false},
		{"GeoPackage", "b.gpkg", []string{"-f", "GPKG"}, eitherWay, nil, true},
		{"LIBKML", "b.kml", []string{"-f", "LIBKML", "-lco", "NAMEFIELD=name"}, anyKind, nil, false},
		{"KMZ", "b.kmz", []string{"-f", "LIBKML"}, anyKind, nil, false},
		{"CSV", "b.csv", []string{"-f", "CSV", "-lco", "GEOMETRY=AS_WKT"}, anyKind, nil, false},
		{"CSV with semicolons", "b.csv", []string{"-f", "CSV", "-lco", "GEOMETRY=AS_WKT", "-lco", "SEPARATOR=SEMICOLON"}, anyKind, nil, false},
		{"CSV with tabs", "b.csv", []string{"-f", "CSV", "-lco", "GEOMETRY=AS_WKT", "-lco", "SEPARATOR=TAB", "-lco", "WRITE_BOM=YES"}, anyKind, nil, false},
	} {
		t.Run(c.title, func(t *testing.T) {
			s := newSampler(t, 100+uint64(stream))
			s.round = true
			// GDAL's Shapefile writer takes a ring within another for a hole only when
			// both are of one height.
			s.level = c.change != nil
			t.Parallel()
			for _, group := range c.layers.groups() {
				for _, s.z = range []bool{false, true} {
					s.n = 0
					want := s.records(40*len(group), group...)
					dir := t.TempDir()
					from, to := filepath.Join(dir, "from.geojson"), filepath.Join(dir, c.name)
					asGeoJSON(t, from, "", want)
					tool(t, "ogr2ogr", append(c.args, to, from, "-nln", "b")...)
					got, layer := reads(t, to, vector.Options{}, 0)
					require.Len(t, got, len(want))
					for i := range want {
						if c.change != nil {
							c.change(&want[i])
						}
						compare(t, want[i], got[i], c.types)
					}
					if c.title != "CSV" && !strings.HasPrefix(c.title, "CSV ") {
						assert.True(t, vector.IsWGS84(layer.CRS), layer.CRS)
					}
				}
			}
		})
	}
}

// compare holds a record that was read against what GDAL was given. The rings
// of areas may have been turned.
func compare(t *testing.T, want, got vector.Record, types bool) {
	t.Helper()
	require.NoError(t, got.Err)
	wound := func(g geojson.Geometry) map[string]any {
		return nested(vector.Wind(g, true))
	}
	require.Equal(t, wound(want.Geometry), wound(got.Geometry), "record %d %v", want.Number, got.Notes)
	for _, p := range want.Properties {
		v, has := got.Properties.Get(p.Name)
		require.True(t, has || p.Value == nil, "record %d has no %s", want.Number, p.Name)
		if types && p.Value != nil {
			require.Equal(t, vector.TypeOf(p.Value), vector.TypeOf(v), "record %d, %s", want.Number, p.Name)
		}
		require.True(t, sameRead(p.Value, v), "record %d, %s: want %v, got %v", want.Number, p.Name, p.Value, v)
	}
}

// A Shapefile gives the same polygons here as in GDAL, also where holes are hard
// to tell from areas.
func TestShapefileGivesThePolygonsThatGDALSees(t *testing.T) {
	s := newSampler(t, 200)
	for _, s.z = range []bool{false, true} {
		s.n = 0
		dir := t.TempDir()
		from, to := filepath.Join(dir, "from.geojson"), filepath.Join(dir, "c.shp")
		asGeoJSON(t, from, "", s.records(300, "Polygon", "MultiPolygon"))
		tool(t, "ogr2ogr", "-f", "ESRI Shapefile", to, from)
		got, _ := reads(t, to, vector.Options{}, 0)
		for i := range got {
			got[i].Properties = nil
		}
		checkFeatures(t, got, gdalReads(t, to), asIs)
	}
}
