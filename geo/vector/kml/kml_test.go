package kml_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/kml"
)

func open(texts ...string) vector.Source {
	var parts []kml.Part
	for i, text := range texts {
		parts = append(parts, kml.Part{Name: fmt.Sprint("part ", i), Open: func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }})
	}
	return kml.Open(func() error { return nil }, parts...)
}

func read(text string) (out []vector.Record) {
	for r := range open(text).Read(0) {
		out = append(out, r)
	}
	return out
}

// placemark reads one placemark.
func placemark(t *testing.T, inner string) vector.Record {
	t.Helper()
	got := read(`<kml xmlns="http://www.opengis.net/kml/2.2" xmlns:gx="http://www.google.com/kml/ext/2.2"><Placemark>` + inner + `</Placemark></kml>`)
	require.Len(t, got, 1)
	return got[0]
}

const ring = "<LinearRing><coordinates>0,0 1,0 1,1 0,0</coordinates></LinearRing>"

// source: OGC 07-147r2 §9 and §10 for the elements, §16.10 for coordinates.
func TestGeometry(t *testing.T) {
	square := orb.Ring{{0, 0}, {1, 0}, {1, 1}, {0, 0}}
	clamped := "altitudes of 0 of a geometry that is clamped to the ground were left out"
	for inner, want := range map[string]struct {
		g    geojson.Geometry
		note string
	}{
		"<Point><coordinates>1,2</coordinates></Point>":                                                {geojson.Geometry{Geometry: orb.Point{1, 2}}, ""},
		"<Point><coordinates>\n 1,2,0 </coordinates></Point>":                                          {geojson.Geometry{Geometry: orb.Point{1, 2}}, clamped},
		"<Point><coordinates>1,2,3</coordinates></Point>":                                              {geojson.Geometry{Geometry: orb.Point{1, 2}, Z: []float64{3}}, "altitudes are kept although the file clamps the geometry to the ground"},
		"<Point><altitudeMode>absolute</altitudeMode><coordinates>1,2,0</coordinates></Point>":         {geojson.Geometry{Geometry: orb.Point{1, 2}, Z: []float64{0}}, ""},
		"<Point><coordinates>1,2,3</coordinates><altitudeMode>relativeToGround</altitudeMode></Point>": {geojson.Geometry{Geometry: orb.Point{1, 2}}, "altitudes that are relativeToGround were left out"},
		"<LineString><coordinates>1,2 3, 4, 5\t6 ,7,8,9 10,11</coordinates></LineString>":              {geojson.Geometry{Geometry: orb.LineString{{1, 2}, {3, 4}, {6, 7}, {10, 11}}, Z: []float64{nan, 5, 8, nan}}, "altitudes are kept although the file clamps the geometry to the ground"},
		ring: {geojson.Geometry{Geometry: orb.LineString(square)}, ""},
		"<Polygon><innerBoundaryIs>" + ring + "</innerBoundaryIs><outerBoundaryIs>" + ring + "</outerBoundaryIs></Polygon>":         {geojson.Geometry{Geometry: orb.Polygon{square, square}}, ""},
		"<MultiGeometry><Point><coordinates>1,2</coordinates></Point><Point><coordinates>3,4</coordinates></Point></MultiGeometry>": {geojson.Geometry{Geometry: orb.MultiPoint{{1, 2}, {3, 4}}}, ""},
		"<MultiGeometry><Point><coordinates>1,2</coordinates></Point>" + ring + "</MultiGeometry>":                                  {geojson.Geometry{Geometry: orb.Collection{orb.Point{1, 2}, orb.LineString(square)}}, ""},
		"<MultiGeometry><Point><coordinates>1,2</coordinates></Point><Model><Location/></Model></MultiGeometry>":                    {geojson.Geometry{Geometry: orb.MultiPoint{{1, 2}}}, "a Model was left out"},
		"<gx:Track><gx:coord>1 2 3</gx:coord><gx:coord/><gx:coord>4 5 6</gx:coord><altitudeMode>absolute</altitudeMode></gx:Track>": {geojson.Geometry{Geometry: orb.LineString{{1, 2}, {4, 5}}, Z: []float64{3, 6}}, ""},
		"<Point><coordinates/></Point>":   {geojson.Geometry{}, "the geometry is empty"},
		"<MultiGeometry></MultiGeometry>": {geojson.Geometry{}, "the geometry is empty"},
		"<Point><coordinates>1,2</coordinates></Point><Point><coordinates>3,4</coordinates></Point>": {geojson.Geometry{Geometry: orb.MultiPoint{{1, 2}, {3, 4}}}, "the placemark has several geometries, which were put together"},
		"": {},
	} {
		r := placemark(t, inner)
		require.NoError(t, r.Err, inner)
		assert.Equal(t, string(geojson.AppendGeometry(nil, want.g)), string(geojson.AppendGeometry(nil, r.Geometry)), inner)
		assert.Equal(t, want.g.Z == nil, r.Geometry.Z == nil, inner)
		if want.note == "" {
			assert.Empty(t, r.Notes, inner)
		} else {
			assert.Equal(t, []string{want.note}, r.Notes, inner)
		}
	}
	for inner, why := range map[string]string{
		"<Point><coordinates>1,2 3,4</coordinates></Point>":                            "a point has 2 positions",
		"<Point><coordinates>1 2</coordinates></Point>":                                `"1 2" is no position`,
		"<LineString><coordinates>1,2 x,4</coordinates></LineString>":                  `"x,4" is no position`,
		"<LineString><coordinates>1,2 NaN,4</coordinates></LineString>":                "is no position",
		"<Polygon><innerBoundaryIs>" + ring + "</innerBoundaryIs></Polygon>":           "a polygon has 0 outer rings",
		"<gx:Track><gx:coord>1,2,3</gx:coord></gx:Track>":                              "is no position",
		strings.Repeat("<MultiGeometry>", 20) + strings.Repeat("</MultiGeometry>", 20): "nested too deep",
	} {
		assert.ErrorContains(t, placemark(t, inner).Err, why, inner)
	}
}

var nan = func() float64 { z := 0.0; return z / z }()

func TestProperties(t *testing.T) {
	got := read(`<kml><Document><name>d</name>
		<Schema id="s"><SimpleField name="i" type="int"/><SimpleField name="f" type="double"/><SimpleField name="b" type="bool"/><SimpleField name="t" type="string"/></Schema>
		<Style id="x"><LineStyle/></Style>
		<Folder><name>A/B</name><Document><name>C</name><Placemark id="p1"><name>n</name><TimeSpan><begin>2026-05-01</begin><end>2026-05-02T10:00:00Z</end></TimeSpan>
			<ExtendedData><Data name="name"><displayName>x</displayName><value>own</value></Data><Data name="e"><value/></Data>
			<SchemaData schemaUrl="#s"><SimpleData name="i">5</SimpleData><SimpleData name="f">2.5</SimpleData><SimpleData name="b">1</SimpleData><SimpleData name="t">7</SimpleData><SimpleData name="u">8</SimpleData></SchemaData>
			<x:own xmlns:x="urn:x">z</x:own></ExtendedData></Placemark></Document></Folder>
		<Placemark><TimeStamp><when>2026-05</when></TimeStamp><ExtendedData><SchemaData schemaUrl="#s"><SimpleData name="i">five</SimpleData></SchemaData></ExtendedData></Placemark>
		<NetworkLink/><GroundOverlay><Icon/></GroundOverlay></Document></kml>`)
	require.Len(t, got, 3)
	assert.Equal(t, "p1", got[0].ID)
	assert.Equal(t, vector.Properties{
		{Name: "folder", Value: "A∕B/C"},
		{Name: "name", Value: "n"},
		{Name: "begin", Value: vector.Date{Year: 2026, Month: 5, Day: 1}},
		{Name: "end", Value: time.Date(2026, 5, 2, 10, 0, 0, 0, time.UTC)},
		{Name: "name_2", Value: "own"},
		{Name: "e"},
		{Name: "i", Value: int64(5)},
		{Name: "f", Value: 2.5},
		{Name: "b", Value: true},
		{Name: "t", Value: "7"},
		{Name: "u", Value: "8"},
		{Name: "own", Value: "z"},
	}, got[0].Properties)
	assert.Equal(t, vector.Properties{{Name: "when", Value: "2026-05"}, {Name: "i", Value: "five"}}, got[1].Properties)
	assert.Equal(t, []string{"elements NetworkLink passed over: 1", "elements GroundOverlay passed over: 1"}, got[2].Notes)
}

func TestBrokenFiles(t *testing.T) {
	got := read("<kml><Placemark/><Placemark><name>a</Placemark></kml>")
	require.Len(t, got, 2)
	assert.ErrorIs(t, got[1].Err, vector.ErrFormat)
	assert.ErrorContains(t, got[1].Err, "beyond record 1: it is not valid XML: line 1")
	got = read("<kml><Placemark/><Placemark>")
	assert.ErrorContains(t, got[1].Err, "beyond record 1: it ends in the middle of a record")
	got = read("<?xml version='1.0' encoding='windows-1252'?><kml><Placemark><name>R\xedo \x80</name></Placemark></kml>")
	assert.Equal(t, vector.Properties{{Name: "name", Value: "Río €"}}, got[0].Properties)
	got = read("<?xml version='1.0' encoding='klingon'?><kml/>")
	assert.ErrorContains(t, got[0].Err, `the encoding "klingon" is not known`)
	failing := errors.New("gone")
	s := kml.Open(func() error { return failing }, kml.Part{Open: func() (io.ReadCloser, error) { return nil, failing }})
	for r := range s.Read(0) {
		assert.ErrorIs(t, r.Err, failing)
	}
	assert.ErrorIs(t, s.Close(), failing)
}

func TestParts(t *testing.T) {
	link, full := "<kml><Document><NetworkLink/></Document></kml>", "<kml><Placemark/></kml>"
	s := open(link, full, full)
	require.Len(t, s.Layers(), 2)
	assert.Equal(t, "part 1", s.Layers()[0].Name)
	assert.Len(t, open(link).Layers(), 1)
	assert.Len(t, open(link, link).Layers(), 1)
	assert.Len(t, open(link, "<kml").Layers(), 1, "a broken part is there to be refused")
}

func TestWriter(t *testing.T) {
	var b bytes.Buffer
	w := kml.NewWriter(&b)
	assert.ErrorContains(t, w.Begin(vector.Layer{CRS: "EPSG:2264"}), "longitude and latitude on WGS 84")
	require.NoError(t, w.Begin(vector.Layer{Name: "a & b", Fields: []vector.Field{{Name: "name", Type: vector.Text}, {Name: "n<", Type: vector.Integer, Width: 3}}}))
	assert.ErrorContains(t, w.Begin(vector.Layer{}), "one layer")
	require.NoError(t, w.Write(vector.Record{
		Number: 1, ID: "17", Geometry: geojson.Geometry{Geometry: orb.MultiPoint{{1, 2}, {3, 4}}, Z: []float64{nan, 5}},
		Properties: vector.Properties{{Name: "name", Value: "x\x01"}, {Name: "n<", Value: int64(7)}, {Name: "extra", Value: 1.0}},
	}))
	assert.Error(t, w.Write(vector.Record{Number: 2, Err: errors.New("refused")}))
	require.NoError(t, w.Close())
	assert.Contains(t, b.String(), `<Placemark><name>x`+"\uFFFD"+`</name><ExtendedData><SchemaData schemaUrl="#fields"><SimpleData name="n&lt;">7</SimpleData></SchemaData></ExtendedData>`+
		`<MultiGeometry><Point><coordinates>1,2</coordinates></Point><Point><altitudeMode>absolute</altitudeMode><coordinates>3,4,5</coordinates></Point></MultiGeometry></Placemark>`)
	assert.Equal(t, "[the ID: KML's are XML names, which begin with a letter (record 1) control characters in text, which XML does not allow (record 1) extra: it is not among the fields (record 1)]", fmt.Sprint(w.Losses()))
}
