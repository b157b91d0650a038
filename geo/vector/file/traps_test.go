package file_test

import (
	"iter"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/vector"
	"holdfast/geo/vector/csvfile"
	"holdfast/geo/vector/file"
)

// gdalRead is what testdata/gdal_reads.txt says of each file: the geometries of
// its records, layer by layer, as well-known text.
func gdalRead(t *testing.T) map[string][]string {
	t.Helper()
	b, err := os.ReadFile("testdata/gdal_reads.txt")
	require.NoError(t, err)
	record := regexp.MustCompile(`^    \d+ \{.*\} ([A-Z].*)$`)
	out := map[string][]string{}
	name := ""
	for _, line := range strings.Split(string(b), "\n") {
		if rest, is := strings.CutPrefix(line, "## "); is {
			name = rest
			out[name] = nil
		} else if m := record.FindStringSubmatch(line); m != nil {
			out[name] = append(out[name], m[1])
		}
	}
	require.Len(t, out, 46)
	return out
}

var nan = math.NaN()

const refused = "refused" // a record that is refused, in place of its geometry

// better are the files that are read otherwise than GDAL reads them, and why.
var better = map[string][]string{
	// Routes and tracks once, not their positions again; elevations kept; a
	// segment of one position is no line.
	"awkward.gpx": {
		"POINT Z (-79.9959 40.4406 230.5)", "POINT (-79.996 40.4407)", "LINESTRING (-79.99 40.44,-79.98 40.45)",
		"LINESTRING Z (-79.99 40.44 1,-79.98 40.45 -9999)",
	},
	// One layer in the order of the file; altitudes of 0 are not recorded ones.
	"awkward.kml": {
		"POINT Z (-79.9959 40.4406 230)", "GEOMETRYCOLLECTION (POINT (-79.99 40.44),LINESTRING (-79.99 40.44,-79.98 40.45))",
		"POINT (-79.99 40.44)", "LINESTRING Z (-79.99 40.44 230,-79.98 40.45 231)", "NULL",
	},
	"dms.csv":     {"POINT (-79.99588888888889 40.44061111111111)", "POINT (-79.99588888888889 40.44061111111111)"}, // 79 + 59/60 + 45.2/3600, 40 + 26/60 + 26.2/3600
	"nan.geojson": {refused},                                                                                        // RFC 8259 §6: NaN is no number
	"no_shx.shp":  {"POINT (-79.9959 40.4406)"},                                                                     // the records follow one another
	"pointzm.shp": {"POINT Z (-79.9959 40.4406 230.5)"},                                                             // without the measure
	// Cells that have no name in the first row may have moved; a blank row is none.
	"ragged.csv":        {"POINT (-79.9959 40.4406)", refused, refused},
	"truncated.geojson": {"POINT (1 2)", refused}, // what comes before the break
	"utf16.csv":         {"POINT (-79.9959 40.4406)"},
	"wkt.csv":           {"POINT Z (-79.9959 40.4406 230)", "LINESTRING (-79.9959 40.4406,-79.996 40.4407)", "NULL", "NULL"}, // an empty point has no place
}

// source: testdata/gdal_reads.txt, and the reasons above.
func TestTraps(t *testing.T) {
	better["awkward.kmz"] = better["awkward.kml"]
	for name, want := range gdalRead(t) {
		t.Run(name, func(t *testing.T) {
			if other, is := better[name]; is {
				want = other
			}
			s, err := file.Open(filepath.Join("testdata/traps", name), vector.Options{})
			require.NoError(t, err)
			defer func() { require.NoError(t, s.Close()) }()
			var got []vector.Record
			for i := range s.Layers() {
				for r := range s.Read(i) {
					if r.Number != 0 || r.Err != nil {
						got = append(got, r)
					}
				}
			}
			require.Len(t, got, len(want), "%v", got)
			for i, r := range got {
				if want[i] == refused {
					require.Error(t, r.Err)
					assert.Nil(t, r.Geometry.Geometry)
					continue
				}
				require.NoError(t, r.Err)
				assert.Equal(t, rounded(fromWKT(t, want[i])), rounded(nested(r.Geometry)))
			}
		})
	}
}

// rounded rounds numbers to the 15 digits that GDAL prints.
func rounded(v any) any {
	switch v := v.(type) {
	case float64:
		return math.Round(v*1e12) / 1e12
	case []any:
		for i := range v {
			v[i] = rounded(v[i])
		}
	case map[string]any:
		for k := range v {
			v[k] = rounded(v[k])
		}
	}
	return v
}

// fromWKT reads the geometry of gdal_reads.txt. -9999 stands for no height.
func fromWKT(t *testing.T, text string) map[string]any {
	t.Helper()
	if text == "NULL" {
		return nil
	}
	g, _, _, err := csvfile.ParseWKT(text)
	require.NoError(t, err)
	for i, z := range g.Z {
		if z == csvfile.NoHeight {
			g.Z[i] = nan
		}
	}
	return nested(g)
}

// source: testdata/gdal_reads.txt for the values, unless said otherwise.
func TestTrapProperties(t *testing.T) {
	for name, want := range map[string][]vector.Properties{
		"bom_crlf.csv":    {{{Name: "id", Value: int64(1)}, {Name: "note", Value: "first, with comma"}}, {{Name: "id", Value: int64(2)}, {Name: "note", Value: "two\r\nlines"}}},
		"cp1252.shp":      {{{Name: "name", Value: "Río Peñón €"}}},
		"utf8.shp":        {{{Name: "name", Value: "Střítež 川"}}},
		"latin1.csv":      {{{Name: "id", Value: int64(1)}, {Name: "name", Value: "Río Peñón"}}}, // GDAL gives the bytes as they are
		"deleted_rec.shp": {{{Name: "name", Value: "a"}}, {{Name: "name", Value: "c"}}},
		"dates_nulls.shp": {
			{{Name: "surveyed", Value: vector.Date{Year: 2026, Month: 5, Day: 1}}, {Name: "n", Value: int64(1)}, {Name: "v", Value: 1.5}},
			{{Name: "surveyed"}, {Name: "n"}, {Name: "v"}},
		},
		"dup_header.csv":              {{{Name: "id", Value: int64(1)}, {Name: "slope", Value: int64(10)}, {Name: "slope_2", Value: int64(11)}}}, // GDAL loses the first
		"semicolon_decimal_comma.csv": {{{Name: "id", Value: int64(1)}, {Name: "slope", Value: 12.5}}, {{Name: "id", Value: int64(2)}, {Name: "slope"}}},
		"long_names.shp": {{
			{Name: "ground_cla", Value: "x"}, {Name: "ground_c_1", Value: "y"}, {Name: "verylongte", Value: strings.Repeat("z", 254)}, {Name: "anchor_cap"},
		}},
		"awkward.kml": {
			{{Name: "folder", Value: "A/B"}, {Name: "name", Value: "Oak & rock"}, {Name: "description", Value: "<b>bold</b>"}, {Name: "slope", Value: 31.5}, {Name: "ground", Value: "clay"}}, // GDAL drops ground
		},
	} {
		t.Run(name, func(t *testing.T) {
			got, _ := reads(t, filepath.Join("testdata/traps", name), vector.Options{}, 0)
			require.GreaterOrEqual(t, len(got), len(want))
			for i := range want {
				assert.Equal(t, want[i], got[i].Properties)
			}
		})
	}
}

// source: the coordinate systems of testdata/gdal_reads.txt; GDAL gives none for
// CSV, where columns called lon and lat are taken as WGS 84 here.
func TestTrapCRS(t *testing.T) {
	for name, code := range map[string]string{
		"old_crs_member.geojson": "EPSG:28992", "stateplane_ftus.shp": "EPSG:2272", "pointz.shp": "EPSG:4326",
		"bare_geometry.geojson": "OGC:CRS84", "bom_crlf.csv": "OGC:CRS84", "awkward.kml": "OGC:CRS84", "awkward.gpx": "OGC:CRS84",
	} {
		_, l := reads(t, filepath.Join("testdata/traps", name), vector.Options{}, 0)
		c, err := vector.ParseCRS(l.CRS)
		require.NoError(t, err, name)
		assert.Equal(t, code, c.Code, name)
	}
	for _, name := range []string{"no_prj.shp", "wkt.csv"} {
		_, l := reads(t, filepath.Join("testdata/traps", name), vector.Options{}, 0)
		_, err := vector.ParseCRS(l.CRS)
		assert.ErrorIs(t, err, vector.ErrNoCRS, name)
	}
}

func TestTrapNotes(t *testing.T) {
	for name, note := range map[string]string{
		"latin1.csv": vector.FixedText, "pointzm.shp": "the measures (M) of the positions were left out",
		"z_and_extra_ordinate.geojson": "the numbers after the third of a position were left out",
		"ragged.csv":                   "line 2 has 3 of 4 cells", "wkt.csv": "the geometry is empty",
		"awkward.kml": "the times of a track's positions were left out",
	} {
		got := ""
		s, err := file.Open(filepath.Join("testdata/traps", name), vector.Options{})
		require.NoError(t, err)
		for r := range s.Read(0) {
			got += strings.Join(r.Notes, "\n") + "\n"
		}
		assert.Contains(t, got, note, name)
		require.NoError(t, s.Close())
	}
	for name, note := range map[string]string{
		"deleted_rec.shp": "records marked as deleted and passed over: 1", "no_shx.shp": "there is no .shx beside it",
		"utf16.csv": "the text is UTF-16", "dup_header.csv": `is called "slope_2"`,
	} {
		_, l := reads(t, filepath.Join("testdata/traps", name), vector.Options{}, 0)
		assert.Contains(t, strings.Join(l.Notes, "\n"), note, name)
	}
}

// Real layers are read as GDAL reads them.
func TestRealLayers(t *testing.T) {
	got, l := reads(t, "testdata/layers/fylk-val.shp", vector.Options{}, 0)
	require.Len(t, got, 97) // source: ogrinfo of GDAL 3.6.2
	assert.Empty(t, l.CRS)
	checkFeatures(t, got, gdalReads(t, "testdata/layers/fylk-val.shp"), asIs)

	got, l = reads(t, "testdata/layers/cycle_hire_xy.csv", vector.Options{}, 0)
	require.Len(t, got, 742) // source: ogrinfo of GDAL 3.6.2
	assert.Empty(t, l.CRS)
	checkFeatures(t, got, gdalReads(t, "testdata/layers/cycle_hire_xy.csv", "-oo", "AUTODETECT_TYPE=YES", "-oo", "KEEP_GEOM_COLUMNS=NO", "-oo", "X_POSSIBLE_NAMES=X", "-oo", "Y_POSSIBLE_NAMES=Y"),
		asIs)
}

// A folder gives every Shapefile in it as a layer.
func TestFolder(t *testing.T) {
	s, err := file.Open("testdata/traps", vector.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	names, err := filepath.Glob("testdata/traps/*.shp")
	require.NoError(t, err)
	require.Len(t, s.Layers(), len(names))
	for i, l := range s.Layers() {
		assert.Equal(t, strings.TrimSuffix(filepath.Base(names[i]), ".shp"), l.Name)
		n, err := drain(&only{s, i})
		require.NoError(t, err, l.Name)
		assert.Positive(t, n)
	}
}

// only is one layer of a source.
type only struct {
	vector.Source
	layer int
}

func (o *only) Layers() []vector.Layer { return o.Source.Layers()[o.layer : o.layer+1] }

func (o *only) Read(int) iter.Seq[vector.Record] { return o.Source.Read(o.layer) }
