package file_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/file"
)

// tool runs an outside program; without it the test is skipped, except in CI.
func tool(t *testing.T, name string, args ...string) []byte {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is needed here: install gdal-bin and python3-gdal", name)
		}
		t.Skipf("%s is not installed (packages gdal-bin, python3-gdal)", name)
	}
	cmd := exec.Command(path, args...)
	var out, complaints bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &complaints
	require.NoError(t, cmd.Run(), "%s %v: %s%s", name, args, &out, &complaints)
	return out.Bytes()
}

// feature is a GeoJSON Feature as encoding/json reads it.
type feature struct {
	ID         any            `json:"id"`
	Geometry   map[string]any `json:"geometry"`
	Properties map[string]any `json:"properties"`
}

// gdalReads has GDAL read a file and write what it found as GeoJSON.
// The name of a KML placemark is its field Name, and is called name here.
func gdalReads(t *testing.T, path string, args ...string) []feature {
	t.Helper()
	args = append([]string{"-f", "GeoJSON", "/vsistdout/", path, "-lco", "RFC7946=NO", "-lco", "COORDINATE_PRECISION=17"}, args...)
	var c struct{ Features []feature }
	dec := json.NewDecoder(bytes.NewReader(tool(t, "ogr2ogr", args...)))
	dec.UseNumber()
	require.NoError(t, dec.Decode(&c))
	for _, f := range c.Features {
		if name, has := f.Properties["Name"]; has {
			f.Properties["name"] = name
		}
	}
	return c.Features
}

// floats turns the numbers of a geometry into float64.
func floats(v any) any {
	switch v := v.(type) {
	case json.Number:
		f, err := v.Float64()
		if err != nil {
			panic(err)
		}
		return f
	case []any:
		for i := range v {
			v[i] = floats(v[i])
		}
	case map[string]any:
		for k := range v {
			v[k] = floats(v[k])
		}
	}
	return v
}

// flat leaves out heights of 0, which GDAL gives to positions of KML without.
func flat(v any) any {
	switch v := v.(type) {
	case []any:
		if len(v) == 3 && v[2] == 0.0 {
			if _, is := v[0].(float64); is {
				return v[:2]
			}
		}
		for i := range v {
			v[i] = flat(v[i])
		}
	case map[string]any:
		for k := range v {
			v[k] = flat(v[k])
		}
	}
	return v
}

// sameValue tells whether what GDAL wrote as JSON is a value. GDAL gives truth
// values of some formats as 0 and 1, and dates and times with slashes.
func sameValue(want, got any) bool {
	text := fmt.Sprint(got)
	switch want := want.(type) {
	case nil:
		return got == nil || got == ""
	case bool:
		return slices.Contains(map[bool][]string{true: {"true", "1", "T"}, false: {"false", "0", "F"}}[want], text)
	case int64:
		return text == strconv.FormatInt(want, 10)
	case float64:
		f, err := strconv.ParseFloat(text, 64)
		return err == nil && f == want
	case string:
		return got == want
	case vector.Date:
		return strings.ReplaceAll(text, "/", "-") == want.String()
	case time.Time:
		for _, layout := range []string{"2006/01/02 15:04:05.999Z07", "2006/01/02 15:04:05.999", time.RFC3339Nano} {
			if at, err := time.Parse(layout, text); err == nil {
				return at.Equal(want)
			}
		}
	}
	return false
}

func checkFeatures(t *testing.T, want []vector.Record, got []feature, geometry func(geojson.Geometry) geojson.Geometry) {
	t.Helper()
	require.Len(t, got, len(want))
	for i, f := range got {
		expected := nested(geometry(want[i].Geometry))
		found := floats(f.Geometry)
		if want[i].Geometry.Z == nil {
			found = flat(found)
		}
		require.Equal(t, any(expected), found, "geometry of record %d", want[i].Number)
		for _, p := range want[i].Properties {
			require.True(t, sameValue(p.Value, f.Properties[p.Name]), "record %d, %s: want %v, got %v", want[i].Number, p.Name, p.Value, f.Properties[p.Name])
		}
	}
}

func asIs(g geojson.Geometry) geojson.Geometry { return g }

// write writes one layer of records to a file and returns the losses.
func write(t *testing.T, path string, format vector.Format, layer vector.Layer, records []vector.Record) []vector.Loss {
	t.Helper()
	f, err := os.Create(path)
	require.NoError(t, err)
	defer f.Close()
	w, err := file.NewWriter(f, format)
	require.NoError(t, err)
	require.NoError(t, w.Begin(layer))
	n, err := vector.Copy(w, slices.Values(records))
	require.NoError(t, err)
	require.Equal(t, len(records), n)
	require.NoError(t, w.Close())
	return w.Losses()
}

func describe(name string, records []vector.Record) vector.Layer {
	l := vector.Describe(slices.Values(records))
	l.Name = name
	return l
}

// What is written here GDAL reads with the same geometry and values, whatever
// the format: GDAL 3.6.2 is the reference reader.
func TestGDALReadsWhatIsWritten(t *testing.T) {
	csv := []string{
		"-oo", "AUTODETECT_TYPE=YES", "-oo", "KEEP_GEOM_COLUMNS=NO", "-oo", "X_POSSIBLE_NAMES=lon", "-oo", "Y_POSSIBLE_NAMES=lat",
		"-oo", "Z_POSSIBLE_NAMES=elevation_m", "-oo", "GEOM_POSSIBLE_NAMES=wkt",
	}
	for stream, c := range []struct {
		format vector.Format
		name   string
		args   []string
		layers layers
		turn   func(geojson.Geometry) geojson.Geometry
	}{
		{vector.GeoJSON, "a.geojson", nil, anyKind, asIs},
		{vector.TextSequence, "a.geojsons", nil, anyKind, asIs},
		{vector.Shapefile, "a.shz", []string{"a"}, oneKind, func(g geojson.Geometry) geojson.Geometry { return vector.Wind(g, false) }},
		{vector.GeoPackage, "a.gpkg", []string{"a"}, eitherWay, asIs},
		{vector.KML, "a.kml", nil, anyKind, asIs},
		{vector.CSV, "a.csv", csv, eitherWay, asIs},
	} {
		t.Run(string(c.format), func(t *testing.T) {
			s := newSampler(t, uint64(stream))
			t.Parallel()
			for i, group := range c.layers.groups() {
				for _, s.z = range []bool{false, true} {
					s.n = 0
					records := s.records(60*len(group), group...)
					path := filepath.Join(t.TempDir(), c.name)
					for _, l := range write(t, path, c.format, describe("a", records), records) {
						if i == 0 {
							t.Log("lost: ", l)
						}
					}
					checkFeatures(t, records, gdalReads(t, path, c.args...), c.turn)
				}
			}
		})
	}
}
