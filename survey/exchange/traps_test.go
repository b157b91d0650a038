package exchange_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/exchange"
)

// source: the geometries are what GDAL 3.6.2 reads from the same files
// (ogrinfo), unless the row says otherwise; refusals follow RFC 7946 and RFC
// 4180 as noted.
func TestTraps(t *testing.T) {
	pump := orb.Point{-79.9959, 40.4406}
	for file, want := range map[string]struct {
		accepted, repaired, refused int
		first                       orb.Geometry
		note                        string // in the report
		fails                       string // in the error: the file as a whole is refused
	}{
		"antimeridian_cut.geojson":              {accepted: 1, first: orb.MultiLineString{{{179.9, -17.7}, {180, -17.65}}, {{-180, -17.65}, {-179.9, -17.6}}}},
		"antimeridian_line.geojson":             {refused: 1, note: "crosses the 180° meridian"}, // RFC 7946 §3.1.9
		"bare_geometry.geojson":                 {accepted: 1, first: pump},
		"bom.geojson":                           {accepted: 1, first: pump},
		"bom_crlf.csv":                          {accepted: 2, first: pump},
		"dms.csv":                               {refused: 2, note: "line 2, character 14: a quotation mark is out of place"}, // RFC 4180 §2.5
		"dup_header.csv":                        {fails: `columns 4 and 5 are both called "slope"`},
		"geometrycollection.geojson":            {accepted: 1, first: orb.Collection{pump, orb.LineString{{-79.9959, 40.4406}, {-79.996, 40.4407}}}},
		"ids_mixed.geojson":                     {accepted: 3, first: orb.Point{-79.99, 40.44}},
		"latin1.csv":                            {refused: 1, note: "column 4 (name): is not UTF-8 text"},
		"left_hand_rings.geojson":               {repaired: 1, note: "2 rings were turned round", first: orb.Polygon{{{-80, 40}, {-79.9, 40}, {-79.9, 40.1}, {-80, 40.1}, {-80, 40}}, {{-79.96, 40.04}, {-79.96, 40.06}, {-79.94, 40.06}, {-79.94, 40.04}, {-79.96, 40.04}}}}, // RFC 7946 §3.1.6
		"lines.geojsonl":                        {accepted: 3, first: pump},
		"mixed_eol.csv":                         {accepted: 3, first: pump},
		"nan.geojson":                           {fails: "not valid JSON"}, // RFC 8259 §6
		"null_geometry_null_properties.geojson": {accepted: 1, refused: 1, note: "/geometry: is null: it has no place", first: pump},
		"old_crs_member.geojson":                {fails: `the coordinate system "urn:ogc:def:crs:EPSG::28992"`},
		"out_of_range.geojson":                  {refused: 1, note: "latitude 140.4 is beyond ±90"},
		"ragged.csv":                            {repaired: 1, refused: 2, note: `record 3, line 5: column 2 (lat): "n/a" is not a number`, first: pump},
		"rs.geojsons":                           {accepted: 2, first: pump},
		"semicolon_decimal_comma.csv":           {accepted: 2, first: pump},
		"single_feature.geojson":                {accepted: 1, first: pump},
		"swapped.csv":                           {accepted: 2, first: orb.Point{40.4406, -79.9959}}, // both are places on Earth
		"swapped.geojson":                       {accepted: 1, first: orb.Point{40.4406, -79.9959}},
		"tab.csv":                               {accepted: 1, first: pump},
		"truncated.geojson":                     {accepted: 1, fails: "the file breaks after record 1: the file ends in the middle of a record"},
		"types_change.geojson":                  {accepted: 3, first: orb.Point{0, 0}},
		"utf16.csv":                             {accepted: 1, first: pump, note: "the file is UTF-16 text"},
		"wkt.csv":                               {accepted: 2, refused: 2, note: "record 3, line 4: column 2 (WKT): is empty", first: pump},
		"z_and_extra_ordinate.geojson":          {accepted: 2, first: pump},
	} {
		t.Run(file, func(t *testing.T) {
			b, err := os.ReadFile(filepath.Join("testdata/traps", file))
			require.NoError(t, err)
			features, report, err := exchange.ReadLayer(strings.NewReader(string(b)), survey.RoleOther, exchange.Options{File: file})
			assert.Equal(t, []int{want.accepted, want.repaired, want.refused}, []int{report.Accepted, report.Repaired, report.Refused}, "%s", report)
			if want.fails != "" {
				require.ErrorIs(t, err, survey.ErrInvalid)
				assert.ErrorContains(t, err, want.fails)
				assert.Nil(t, features)
				return
			}
			require.NoError(t, err)
			assert.Len(t, features, report.Taken())
			assert.Contains(t, report.String(), want.note)
			if want.first != nil {
				assert.Equal(t, want.first, features[0].Geometry)
			}
		})
	}
}

func TestTrapDetails(t *testing.T) {
	read := func(file string, o exchange.Options) ([]survey.LayerFeature, *exchange.Report) {
		t.Helper()
		f, err := os.Open(filepath.Join("testdata/traps", file))
		require.NoError(t, err)
		defer f.Close()
		features, report, err := exchange.ReadLayer(f, survey.RoleOther, o)
		require.NoError(t, err)
		return features, report
	}
	fs, _ := read("bom_crlf.csv", exchange.Options{})
	assert.JSONEq(t, `{"id":1,"note":"first, with comma"}`, string(fs[0].Properties))
	assert.JSONEq(t, `{"id":2,"note":"two\nlines"}`, string(fs[1].Properties))
	fs, _ = read("semicolon_decimal_comma.csv", exchange.Options{})
	assert.JSONEq(t, `{"id":1,"slope":12.5}`, string(fs[0].Properties))
	assert.JSONEq(t, `{"id":2}`, string(fs[1].Properties), "an empty cell is not a zero")
	fs, _ = read("ids_mixed.geojson", exchange.Options{})
	assert.Equal(t, []string{"a-1", "2", "2"}, []string{fs[0].ID, fs[1].ID, fs[2].ID})
	fs, _ = read("wkt.csv", exchange.Options{})
	assert.Equal(t, []float64{230}, fs[0].Heights)
	assert.Nil(t, fs[1].Heights)
	fs, _ = read("z_and_extra_ordinate.geojson", exchange.Options{})
	assert.Equal(t, []float64{230.5}, fs[0].Heights)
	fs, report := read("rs.geojsons", exchange.Options{})
	assert.Equal(t, exchange.TextSequence, report.Format)
	assert.Len(t, fs, 2)

	pittsburgh := &orb.Bound{Min: orb.Point{-80, 40}, Max: orb.Point{-79, 41}}
	for _, file := range []string{"swapped.csv", "swapped.geojson"} {
		fs, report = read(file, exchange.Options{Extent: pittsburgh})
		assert.Empty(t, fs)
		assert.Contains(t, report.Records[0].Notes[0], "they look swapped")
	}
	fs, _ = read("bom_crlf.csv", exchange.Options{Extent: pittsburgh})
	assert.Len(t, fs, 2, "what lies in the atlas is not suspected")
}
