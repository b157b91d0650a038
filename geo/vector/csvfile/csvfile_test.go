package csvfile_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/peterstace/simplefeatures/geom"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/csvfile"
)

func read(t require.TestingT, text string, o vector.Options) ([]vector.Record, vector.Layer, error) {
	s, err := csvfile.Open(strings.NewReader(text), int64(len(text)), "a", o)
	if err != nil {
		return nil, vector.Layer{}, err
	}
	var out []vector.Record
	for r := range s.Read(0) {
		out = append(out, r)
	}
	require.NoError(t, s.Close())
	return out, s.Layers()[0], nil
}

// source: RFC 4180 §2, and what is said of each case.
func TestRows(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want []any // values of column a, or an error
		note string
	}{
		"quoted":                       {"x,y,a\n1,2,\"b,\"\"c\"\"\n d\"\n", []any{"b,\"c\"\n d"}, ""},
		"no newline at the end":        {"x,y,a\n1,2,b", []any{"b"}, ""},
		"empty last cell":              {"x,y,a\n1,2,", []any{nil}, ""},
		"carriage returns":             {"x,y,a\r1,2,b\r3,4,c\r", []any{"b", "c"}, ""},
		"a quotation mark in the cell": {"x,y,a\n1,2,5\"\n3,4,6\" pipe\n", []any{"5\"", "6\" pipe"}, ""},
		"quotation mark out of place":  {"x,y,a\n1,2,\"b\"c\n3,4,d\n", []any{"line 2: a quotation mark is out of place", "d"}, ""},
		"spaces behind the quotation":  {"x,y,a\n1,2,\"b\"  \n", []any{"b"}, ""},
		"two quotations":               {"x,y,a\n1,2,\"b\" \"c\"\n", []any{"line 2: a quotation mark is out of place"}, ""},
		"quotation not closed":         {"x,y,a\n1,2,\"b\n3,4,c\n", []any{"the quotation mark opened on line 2 is not closed; lines 2 to 4 were taken as one row"}, ""},
		"blank lines":                  {"x,y,a\n\n1,2,b\n , ,\n\n3,4,c\n", []any{"b", "c"}, "blank rows passed over: 3, the first on line 2"},
		"semicolons":                   {"x;y;a\n1,5;2,5;3,25\n", []any{3.25}, ""},
		"semicolons with points":       {"x;y;a\n1.5;2.5;3.25\n", []any{3.25}, ""},
		"tabs":                         {"x\ty\ta\n1\t2\tb,c\n", []any{"b,c"}, ""},
		"bars":                         {"x|y|a\n1|2|b,c\n", []any{"b,c"}, ""},
		"leading zeros":                {"x,y,a\n1,2,007\n", []any{"007"}, ""},
		"blanks of text are kept":      {"x,y,a\n1,2, b \n", []any{" b "}, ""},
		"blanks of numbers are not":    {"x,y,a\n1,2, 5 \n", []any{int64(5)}, ""},
		"x is empty":                   {"x,y,a\n,2,b\n", []any{"line 2: column 1 (x) is empty"}, ""},
		"x is text":                    {"x,y,a\nwest,2,b\n", []any{`line 2: column 1 (x): "west" is not a number`}, ""},
		"x is infinite":                {"x,y,a\nInf,2,b\n", []any{`line 2: column 1 (x): "Inf" is not a number`}, ""},
		"cell beyond the names":        {"x,y,a\n1,2,b,c\n", []any{`line 2: column 4 has no name in the first row but holds "c"; the cells may have moved`}, ""},
		"empty cell beyond the names":  {"x,y,a\n1,2,b,\n", []any{"b"}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			got, _, err := read(t, c.text, vector.Options{})
			require.NoError(t, err)
			if c.note != "" {
				require.NotEmpty(t, got)
				assert.Equal(t, []string{c.note}, got[len(got)-1].Notes)
				got = got[:len(got)-1]
			}
			require.Len(t, got, len(c.want))
			for i, r := range got {
				assert.Equal(t, i+1, r.Number)
				if r.Err != nil {
					assert.EqualError(t, r.Err, fmt.Sprint(c.want[i]))
					continue
				}
				v, _ := r.Properties.Get("a")
				assert.Equal(t, c.want[i], v)
			}
		})
	}
}

func TestColumns(t *testing.T) {
	at := func(text string, o vector.Options) (geojson.Geometry, vector.Layer) {
		got, l, err := read(t, text, o)
		require.NoError(t, err)
		require.NoError(t, got[0].Err)
		return got[0].Geometry, l
	}
	g, l := at("Latitude,LNG,Elevation,n\n1,2,3,4\n", vector.Options{})
	assert.Equal(t, geojson.Geometry{Geometry: orb.Point{2, 1}, Z: []float64{3}}, g)
	assert.Equal(t, vector.WGS84, l.CRS)
	assert.Equal(t, []vector.Field{{Name: "n"}}, l.Fields)
	g, l = at("x,y,lat,lon\n1,2,3,4\n", vector.Options{})
	assert.Equal(t, orb.Point{4, 3}, g.Geometry, "lon and lat go before x and y")
	assert.Len(t, l.Fields, 2)
	g, l = at("geom,x,y\n\"SRID=2264;LINESTRING Z (1 2 3,4 5 6)\",8,9\n", vector.Options{})
	assert.Equal(t, geojson.Geometry{Geometry: orb.LineString{{1, 2}, {4, 5}}, Z: []float64{3, 6}}, g)
	assert.Equal(t, "EPSG:2264", l.CRS)
	g, l = at("east,north,up\n1,2,3\n", vector.Options{X: "east", Y: "north", Height: "up"})
	assert.Equal(t, geojson.Geometry{Geometry: orb.Point{1, 2}, Z: []float64{3}}, g)
	assert.Empty(t, l.CRS)
	got, _, err := read(t, "x,y,n\xe4me\n1,2,\xdfa\n", vector.Options{Encoding: "CP1250"})
	require.NoError(t, err)
	assert.Equal(t, vector.Properties{{Name: "näme", Value: "ßa"}}, got[0].Properties)
	got, _, err = read(t, "feature_id,x,y\nP-1,1,2\n", vector.Options{})
	require.NoError(t, err)
	assert.Equal(t, "P-1", got[0].ID)
	for text, why := range map[string]string{
		"x,y,x\n": "mean the same", "a,b\n": "none are called lon and lat", "\n1,2\n": "its first line is empty", "\"lon,lat\n": "is not closed",
	} {
		_, _, err := read(t, text, vector.Options{})
		require.ErrorIs(t, err, vector.ErrFormat)
		assert.ErrorContains(t, err, why)
	}
	_, _, err = read(t, "a,b\n", vector.Options{X: "c", Y: "b"})
	assert.ErrorContains(t, err, `there is no column "c"`)
	_, _, err = read(t, "x,y\n", vector.Options{Encoding: "klingon"})
	assert.ErrorContains(t, err, "is not known")
}

// source: OGC 06-103r4 §7.2.6 for the forms, and what PostGIS and ESRI write.
func TestParseWKT(t *testing.T) {
	line := geojson.Geometry{Geometry: orb.LineString{{1, 2}, {3, 4}}}
	for text, want := range map[string]geojson.Geometry{
		"POINT (1 2)":                        {Geometry: orb.Point{1, 2}},
		"point(1 -2e1)":                      {Geometry: orb.Point{1, -20}},
		"POINT Z (1 2 3)":                    {Geometry: orb.Point{1, 2}, Z: []float64{3}},
		"POINTZ(1 2 3)":                      {Geometry: orb.Point{1, 2}, Z: []float64{3}},
		"POINT(1 2 3)":                       {Geometry: orb.Point{1, 2}, Z: []float64{3}},
		"POINT M (1 2 3)":                    {Geometry: orb.Point{1, 2}},
		"POINT ZM (1 2 3 4)":                 {Geometry: orb.Point{1, 2}, Z: []float64{3}},
		"SRID=4326;POINT(1 2)":               {Geometry: orb.Point{1, 2}},
		"  LINESTRING(1 2,3 4) ":             line,
		"MULTIPOINT (1 2,3 4)":               {Geometry: orb.MultiPoint{{1, 2}, {3, 4}}},
		"MULTIPOINT ((1 2),EMPTY,(3 4))":     {Geometry: orb.MultiPoint{{1, 2}, {3, 4}}},
		"MULTILINESTRING ((1 2,3 4))":        {Geometry: orb.MultiLineString{{{1, 2}, {3, 4}}}},
		"POLYGON ((0 0,1 0,1 1,0 0))":        {Geometry: orb.Polygon{{{0, 0}, {1, 0}, {1, 1}, {0, 0}}}},
		"MULTIPOLYGON (((0 0,1 0,1 1,0 0)))": {Geometry: orb.MultiPolygon{{{{0, 0}, {1, 0}, {1, 1}, {0, 0}}}}},
		"GEOMETRYCOLLECTION (POINT (1 2),LINESTRING (1 2,3 4))": {Geometry: orb.Collection{orb.Point{1, 2}, orb.LineString{{1, 2}, {3, 4}}}},
		"POINT EMPTY": {}, "MULTIPOLYGON Z EMPTY": {}, "GEOMETRYCOLLECTION (POINT EMPTY)": {},
	} {
		g, _, _, err := csvfile.ParseWKT(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, g, text)
	}
	for text, why := range map[string]string{
		"": "is no type of geometry", "CIRCULARSTRING (1 2,3 4,5 6)": "is no type of geometry", "POINT (1)": "a position has 1 numbers", "POINT (1 2,3 4)": "one position",
		"POINT (1 2": "closing bracket", "POINT (1 2))": "text after the end", "POINT Z (1 2)": "a position has 2 numbers", "POINT (nan 2)": "0 numbers",
		"POINT (1e400 2)": "is not a number", "LINESTRING (1 2;3 4)": "a comma or a closing bracket", "SRID=x;POINT(1 2)": "the SRID is not a number",
		strings.Repeat("GEOMETRYCOLLECTION(", 20): "nested too deep",
	} {
		_, _, _, err := csvfile.ParseWKT(text)
		assert.ErrorContains(t, err, why, text)
	}
}

// simplefeatures reads the same from what is written here.
func TestWKTAgreesWithSimplefeatures(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.Float64Range(-1e6, 1e6)
		path := func(n int) (ps []orb.Point) {
			for range n {
				ps = append(ps, orb.Point{number.Draw(t, "x"), number.Draw(t, "y")})
			}
			return ps
		}
		ring := func() orb.Ring {
			ps := path(3)
			return append(ps, ps[0])
		}
		g := geojson.Geometry{Geometry: rapid.SampledFrom([]orb.Geometry{
			path(1)[0], orb.LineString(path(3)), orb.MultiPoint(path(2)),
			orb.Polygon{ring(), ring()},
			orb.MultiLineString{path(2), path(3)},
			orb.MultiPolygon{{ring()}, {ring(), ring()}},
			orb.Collection{path(1)[0], orb.LineString(path(2))},
		}).Draw(t, "geometry")}
		if rapid.Bool().Draw(t, "z") {
			for range vector.Count(g.Geometry) {
				g.Z = append(g.Z, number.Draw(t, "height"))
			}
		}
		text, padded := csvfile.AppendWKT(nil, g)
		require.Zero(t, padded)
		back, _, _, err := csvfile.ParseWKT(string(text))
		require.NoError(t, err)
		require.Equal(t, g, back)
		other, err := geom.UnmarshalWKT(string(text), geom.NoValidate{})
		require.NoError(t, err)
		raw, err := other.MarshalJSON()
		require.NoError(t, err)
		theirs, err := geojson.ParseGeometry(raw)
		require.NoError(t, err)
		require.Equal(t, g, theirs)
	})
}

func TestWriter(t *testing.T) {
	var b bytes.Buffer
	w := csvfile.NewWriter(&b)
	assert.ErrorContains(t, w.Begin(vector.Layer{Geometry: "Point", Fields: []vector.Field{{Name: "lon"}}}), `two columns would be called "lon"`)
	b.Reset()
	w = csvfile.NewWriter(&b)
	require.NoError(t, w.Begin(vector.Layer{Geometry: "Point", Fields: []vector.Field{{Name: "a", Type: vector.Text}}, IDField: "id"}))
	assert.ErrorContains(t, w.Begin(vector.Layer{}), "one layer")
	require.NoError(t, w.Write(vector.Record{Number: 1, ID: "x", Geometry: geojson.Geometry{Geometry: orb.Point{1.5, 2}, Z: []float64{3}}, Properties: vector.Properties{{Name: "a", Value: "b,\"c\""}, {Name: "extra", Value: true}}}))
	require.NoError(t, w.Write(vector.Record{Number: 2}))
	assert.Error(t, w.Write(vector.Record{Number: 3, Geometry: geojson.Geometry{Geometry: orb.LineString{{1, 2}, {3, 4}}}}))
	require.NoError(t, w.Close())
	assert.Equal(t, "lon,lat,elevation_m,id,a\n1.5,2,3,x,\"b,\"\"c\"\"\"\n,,,,\n", b.String())
	assert.Equal(t, "[extra: it is not among the fields (record 1)]", fmt.Sprint(w.Losses()))
	b.Reset()
	w = csvfile.NewWriter(&b)
	require.NoError(t, w.Begin(vector.Layer{Geometry: "Point", CRS: "EPSG:2264"}))
	require.NoError(t, w.Close())
	assert.Equal(t, "x,y,z\n", b.String())
	assert.Equal(t, "[the coordinate system: CSV does not say which it is]", fmt.Sprint(w.Losses()))
}

func FuzzWKT(f *testing.F) {
	for _, s := range []string{"POINT Z (1 2 3)", "SRID=4326;MULTIPOINT((1 2),EMPTY)", "GEOMETRYCOLLECTION(POLYGON((0 0,1 1,1 0,0 0)),POINT M(1 2 3))"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		g, _, _, err := csvfile.ParseWKT(s)
		if err != nil || g.Geometry == nil {
			return
		}
		text, padded := csvfile.AppendWKT(nil, g)
		back, _, _, err := csvfile.ParseWKT(string(text))
		require.NoError(t, err, "%s", text)
		if padded == 0 && back.Geometry != nil {
			require.Equal(t, vector.Count(g.Geometry), vector.Count(back.Geometry))
		}
	})
}
