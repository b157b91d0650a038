package exchange_test

import (
	"bytes"
	"encoding/json"
	"io"
	"math/rand/v2"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/exchange"
)

func collection(features ...string) string {
	return `{"type":"FeatureCollection","features":[` + strings.Join(features, ",") + `]}`
}

func feature(geometry, properties string) string {
	return `{"type":"Feature","geometry":` + geometry + `,"properties":` + properties + `}`
}

const pump = `{"type":"Point","coordinates":[-91.2,44.65,231.5]}`

func TestReadPoints(t *testing.T) {
	points, report, err := exchange.ReadPoints(strings.NewReader(collection(
		feature(pump, `{"site":"KB","label":"P1","terrain":{"slope_deg":0},"ground":{"disturbed":"no"}}`),
		feature(pump, `{"site":"KB","label":"P2","terrain":{"slope":31}}`),
		feature(pump, `{"site":"KB","label":"P3","ground":{"class":"D"}}`),
		feature(pump, `{"site":"KB","label":"p1"}`),
		feature(pump, `{"site":"KC","label":"P1"}`),
		feature(`null`, `{"site":"KB","label":"P4"}`),
		feature(`{"type":"Point","coordinates":[44.65,-91.2]}`, `{"site":"KB","label":"P5"}`),
		feature(`{"type":"LineString","coordinates":[[0,0],[1,1]]}`, `{"site":"KB","label":"P6"}`),
		feature(`{"type":"Point","coordinates":[-91.2,44.65,-9999]}`, `{"site":"KB","label":"P7"}`),
		`{"type":"Feature","id":"a","geometry":`+pump+`,"properties":{"site":"KB","label":"P8"}}`,
		`{"type":"Feature","id":"a","geometry":`+pump+`,"properties":{"site":"KB","label":"P9"}}`,
		`{"type":"Thing"}`,
		`7`,
	)), exchange.Options{File: "points.geojson"})
	require.NoError(t, err)
	require.Len(t, points, 4)
	z, known := points[0].ElevationM.Get()
	assert.True(t, known)
	assert.Equal(t, geo.Length(231.5), z)
	slope, known := points[0].Terrain.SlopeDeg.Get()
	assert.True(t, known && slope == 0, "a recorded 0 is a 0")
	assert.Equal(t, survey.No, points[0].Ground.Disturbed)
	assert.False(t, points[2].ElevationM.Known(), "a no-data mark is no elevation")

	got := map[int]string{}
	for _, r := range report.Records {
		got[r.Number] = string(r.Status) + " " + strings.Join(r.Notes, "; ")
	}
	for number, says := range map[int]string{
		1:  "accepted ",
		2:  "refused /properties/terrain/slope: is not a known key; did you mean slope_deg?",
		3:  `refused /properties/ground/class: "D" is not one of: rock, A, B, C, unknown`,
		4:  "refused the label p1 of site KB was used by record 1 of this file already",
		5:  "accepted ",
		6:  "refused /geometry: is null: it has no place",
		7:  "refused /geometry/coordinates: latitude -91.2 is beyond ±90: longitude comes first, so latitude and longitude look swapped",
		8:  "refused /geometry/type: a survey point is a Point, not a LineString",
		9:  "repaired heights that are no-data marks such as -9999 are taken as not recorded (1)",
		10: "accepted ",
		11: "refused the id a was used by record 10 of this file already",
	} {
		assert.Equal(t, says, got[number], "record %d", number)
	}
	assert.Contains(t, got[12], `refused type is "Thing", not Feature`)
	assert.Contains(t, got[13], "refused ")
	assert.Equal(t, []int{3, 1, 9}, []int{report.Accepted, report.Repaired, report.Refused})
	assert.Contains(t, report.String(), "points.geojson: 3 accepted, 1 repaired, 9 refused (GeoJSON, OGC:CRS84)\n")
	assert.Contains(t, report.String(), `  refused record 2 "P2": /properties/terrain/slope`)
	b, err := json.Marshal(report)
	require.NoError(t, err)
	assert.Contains(t, string(b), `{"number":1,"label":"P1","status":"accepted"}`)
}

func TestReadPointsCSV(t *testing.T) {
	points, report, err := exchange.ReadPoints(strings.NewReader(
		"id,lon,lat,elevation_m,site,label,surveyed_at,ground.class,ground/disturbed,terrain.slope_deg,pull.bearing_deg,pull.north,anchors.0.id,anchors.0.kind,anchors.1.id,anchors.1.kind,ground.tests,photos\n"+
			`p1,-91.2,44.65,0,KB,P1,2026-05-04T08:00:00Z,B,no,0,214,true,T1,tree,T2,rock,"[{""kind"":""thumb"",""reading"":""stiff""},{""kind"":""pocket penetrometer"",""reading"":1.5,""unit"":""tsf""}]",bank.jpg`+"\n"+
			"p2,-91.2,44.65,,KB,P2,,,unknown,,,,,,,,,\n"+
			"p3,-91.2,44.65,x,KB,P3,yesterday,,maybe,95,,,T1,,,,,\n"+
			"p4,-91.2,,,KB,P4\n"+
			"p5,\"-91,2\",44.65,,KB,P5,,,,,,,,,,,,\n"+
			"p6,-91.2,44.65,,KB,\"P6\n\"\"b\"\"\",,,,,,,,,,,,\n"+
			"p7,-91.2,44.65,,KB,P\"7,,,,,,,,,,,,\n"+
			"p8,-91.2,44.65,,KB,P8,,,,,,,,,,,[1,\n"+
			"p9,-91.2,44.65,,KB,P9,,,,,,,,,,,,\n",
	), exchange.Options{})
	require.NoError(t, err)
	require.Len(t, points, 4, "%s", report)
	p := points[0]
	assert.Equal(t, "p1", p.ID)
	assert.Equal(t, survey.Known(geo.Length(0)), p.ElevationM)
	assert.Equal(t, survey.Known(0.0), p.Terrain.SlopeDeg)
	assert.Equal(t, []survey.Anchor{{ID: "T1", Kind: survey.KindTree}, {ID: "T2", Kind: survey.KindRock}}, p.Anchors)
	assert.Equal(t, []survey.GroundTest{
		{Kind: survey.Thumb, Reading: survey.Word("stiff")},
		{Kind: survey.PocketPenetrometer, Reading: survey.Num(1.5), Unit: "tsf"},
	}, p.Ground.Tests)
	assert.Equal(t, []string{"bank.jpg"}, p.Photos)
	assert.Equal(t, survey.Known(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)), p.SurveyedAt)
	assert.Equal(t, survey.AnswerUnknown, points[1].Ground.Disturbed)
	assert.False(t, points[1].Terrain.SlopeDeg.Known())
	assert.False(t, points[1].ElevationM.Known())
	assert.Equal(t, "P6\n\"b\"", points[2].Label)

	type line struct {
		at    int
		notes string
	}
	got := map[int]line{}
	for _, r := range report.Records {
		got[r.Number] = line{r.Line, strings.Join(r.Notes, "; ")}
	}
	assert.Equal(t, line{4, `column 4 (elevation_m): "x" is not a number`}, got[3])
	assert.Equal(t, 5, got[4].at)
	assert.Contains(t, got[4].notes, "column 3 (lat): is empty: the record has no place")
	assert.Contains(t, got[4].notes, "the row has 6 of 18 cells")
	assert.Equal(t, line{6, `column 2 (lon): "-91,2" has a decimal comma: write a decimal point, or separate the columns by semicolons`}, got[5])
	assert.Equal(t, 9, got[7].at)
	assert.Contains(t, got[7].notes, "line 9, character 21: a quotation mark is out of place")
	assert.Equal(t, line{10, `column 17 (ground.tests): is not a JSON list`}, got[8])

	_, report, err = exchange.ReadPoints(strings.NewReader("lon,lat,site,label,surveyed_at,ground.disturbed,terrain.slope_deg,anchors\n"+
		"-91.2,44.65,KB,P1,yesterday,,,\n-91.2,44.65,KB,P2,,maybe,95,\"[{\"\"id\"\":\"\"T1\"\",\"\"kind\"\":\"\"oak\"\"}]\"\n"), exchange.Options{})
	require.NoError(t, err)
	assert.Equal(t, []string{`column 5 (surveyed_at): "yesterday" is not a date and time like 2026-05-04T08:00:00Z`}, report.Records[0].Notes)
	assert.Equal(t, []string{
		`column 6 (ground.disturbed): "maybe" is not one of: yes, no, unknown`,
		`column 7 (terrain.slope_deg): 95 is outside 0 to 90 degrees from the horizontal`,
		`column 8 (anchors): "oak" is not one of: tree, structure, rock, vehicle, deadman`,
	}, report.Records[1].Notes)
}

func TestReadSites(t *testing.T) {
	ring := func(ps string) string { return `{"type":"Polygon","coordinates":[[` + ps + `]]}` }
	sites, report, err := exchange.ReadSites(strings.NewReader(collection(
		feature(ring(`[0,0,10],[1,0,11],[1,1,12],[0,1,13]`), `{"name":"Open","code":"A"}`),
		feature(ring(`[0,0,10],[0,1,11],[1,1,12],[1,0,13],[0,0,10]`), `{"name":"Clockwise","code":"B"}`),
		feature(ring(`[0,0],[1,1],[1,0],[0,1],[0,0]`), `{"name":"Bow tie","code":"C"}`),
		feature(`{"type":"Polygon","coordinates":[[[0,0],[4,0],[4,4],[0,4],[0,0]],[[5,5],[5,6],[6,6],[6,5],[5,5]]]}`, `{"name":"Hole outside","code":"D"}`),
		feature(ring(`[0,0],[1,1],[0,0]`), `{"name":"Two places","code":"E"}`),
		feature(`{"type":"LineString","coordinates":[[2,2],[2,2]]}`, `{"name":"No length","code":"F"}`),
		feature(`{"type":"MultiPolygon","coordinates":[]}`, `{"name":"Empty","code":"G"}`),
		feature(`{"type":"LineString","coordinates":[[2,2],[3,2]]}`, `{"name":"Line","code":"a"}`),
		feature(`{"type":"LineString","coordinates":[[2,2],[3,2]]}`, `{"name":"Line","cod":"H"}`),
		feature(ring(`[181072,333611],[181073,333611],[181073,333612],[181072,333611]`), `{"name":"Metres","code":"I"}`),
		feature(ring(`[0,0],[1,0],[1,0],[1,1],[0,0]`), `{"name":"Stutter","code":"J"}`),
	)), exchange.Options{})
	require.NoError(t, err)
	require.Len(t, sites, 3, "%s", report)
	// source: RFC 7946 §3.1.6: closed, exterior rings counter-clockwise. Each
	// height stays with its position.
	assert.Equal(t, orb.Polygon{{{0, 0}, {1, 0}, {1, 1}, {0, 1}, {0, 0}}}, sites[0].Geometry)
	assert.Equal(t, []float64{10, 11, 12, 13, 10}, sites[0].Heights)
	assert.Equal(t, orb.Polygon{{{0, 0}, {1, 0}, {1, 1}, {0, 1}, {0, 0}}}, sites[1].Geometry)
	assert.Equal(t, []float64{10, 13, 12, 11, 10}, sites[1].Heights)
	for i, says := range []string{
		"1 ring was closed", "1 ring was turned round", "the ring that begins at 0 0 crosses or touches itself", "a hole lies outside its outer ring",
		"a ring has 2 different positions; at least 3 are needed", "a line has no length", "is empty: there is no position",
		"the code a was used by record 1", "did you mean code?", "look like metres or feet of a projected coordinate system", "",
	} {
		assert.Contains(t, strings.Join(report.Records[i].Notes, "; "), says, "record %d", i+1)
	}
}

func TestFilesRefused(t *testing.T) {
	crs := func(value string) string {
		return `{"type":"FeatureCollection","crs":` + value + `,"features":[` + feature(pump, `{"site":"KB","label":"P1"}`) + `]}`
	}
	for _, c := range []struct{ name, file, says string }{
		{"nothing", "", "the file is empty"},
		{"blanks", " \r\n\t\n", "the file is empty"},
		{"a byte order mark alone", "\xef\xbb\xbf", "the file is empty"},
		{"a letter", "Dear chief,\nthe bank is steep.\n", "neither GeoJSON nor a CSV file"},
		{"XML", "<?xml version='1.0'?><kml/>", "neither GeoJSON nor a CSV file"},
		{"a ZIP archive", "PK\x03\x04\x14\x00\x00\x00", "neither GeoJSON nor a CSV file"},
		{"a picture", "\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "neither GeoJSON nor a CSV file"},
		{"Latin-1 in the header", "lon,lat,gr\xf6\xdfe\n1,2,3\n", "in UTF-8 text"},
		{"other JSON", `{"answer":42}`, ""},
		{"a JSON list", `[1,2,3]`, "the file is not GeoJSON: found [ where an object was expected"},
		{"JSON cut short", `{"type":"FeatureCollection","features":[`, "the file ends in the middle of a record"},
		{"no position", "site,label\nKB,P1\n", "neither GeoJSON nor a CSV file whose first row names lon and lat, or wkt"},
		{"half a position", "lon,site,label\n1,KB,P1\n", "neither GeoJSON nor a CSV file"},
		{"a misspelt column", "lon,lat,site,label,slope\n", `column 5 "slope" is not known: did you mean terrain.slope_deg?`},
		{"an elevation without unit", "lon,lat,elevation,site,label\n", `column 3 "elevation" is not known: did you mean elevation_m?`},
		{"a foreign column", "lon,lat,site,label,colour\n", `column 5 "colour" is not known`},
		{"two ways to a place", "lon,lat,wkt,site,label\n", "the place is given twice"},
		{"two longitudes", "lon,x,lat,site,label\n", "columns 1 and 2 (lon and x) mean the same"},
		{"another coordinate system", crs(`{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::32615"}}`), `"urn:ogc:def:crs:EPSG::32615", not in longitude and latitude`},
		{"an unknown coordinate system", crs(`null`), "crs: is null"},
		{"a linked coordinate system", crs(`{"type":"link","properties":{"href":"http://example.com/crs"}}`), "not in longitude and latitude"},
	} {
		t.Run(c.name, func(t *testing.T) {
			points, report, err := exchange.ReadPoints(strings.NewReader(c.file), exchange.Options{})
			if c.says == "" {
				require.NoError(t, err)
				assert.Equal(t, 1, report.Refused)
				return
			}
			require.ErrorIs(t, err, survey.ErrInvalid)
			assert.ErrorContains(t, err, c.says)
			assert.NotContains(t, err.Error(), "\n")
			assert.Nil(t, points)
			assert.NotNil(t, report)
		})
	}
	for _, name := range []string{"urn:ogc:def:crs:OGC:1.3:CRS84", "urn:ogc:def:crs:OGC::CRS84", "EPSG:4326", "urn:ogc:def:crs:EPSG::4326", "http://www.opengis.net/def/crs/OGC/1.3/CRS84"} {
		points, report, err := exchange.ReadPoints(strings.NewReader(crs(`{"type":"name","properties":{"name":"`+name+`"}}`)), exchange.Options{})
		require.NoError(t, err, name)
		assert.Len(t, points, 1)
		assert.Equal(t, name, report.CRS)
	}
	points, _, err := exchange.ReadPoints(strings.NewReader("\n\r\nlon;lat;site;label\n-91,2;44,65;KB;P1\n"), exchange.Options{})
	require.NoError(t, err)
	assert.Equal(t, orb.Point{-91.2, 44.65}, points[0].Position, "empty lines before the first row")
	decoy := `{"type":"FeatureCollection","name":"crs","features":[` +
		feature(pump, `{"site":"KB","label":"P1","surveyed_by":"\"crs\":null"}`) + `],"note":"crs"}`
	_, _, err = exchange.ReadPoints(strings.NewReader(decoy), exchange.Options{})
	assert.NoError(t, err, "the word in a text is no declaration")
}

// repeat reads the same bytes over and over, up to so many in all.
type repeat struct {
	head, body string
	left       int
	read       int
}

func (r *repeat) Read(p []byte) (int, error) {
	if r.left <= 0 {
		return 0, io.EOF
	}
	n := 0
	if r.head != "" {
		n = copy(p, r.head)
		r.head = r.head[n:]
	}
	for n < len(p) && r.left > 0 {
		k := copy(p[n:], r.body)
		n, r.left = n+k, r.left-k
	}
	r.read += n
	return n, nil
}

// Half a gigabyte of rubbish is turned away early and in little memory.
func TestGarbageIsTurnedAway(t *testing.T) {
	const size = 500 << 20
	noise := make([]byte, 1<<16)
	_, _ = rand.NewChaCha8([32]byte{7}).Read(noise)
	for i, b := range noise {
		if b == 0 {
			noise[i] = 1
		}
	}
	for _, c := range []struct {
		name       string
		head, body string
		mostRead   int
		says       string
	}{
		{"zeros", "", strings.Repeat("\x00", 4096), 1 << 20, "neither"},
		{"noise", "", string(noise), 1 << 20, ""},
		{"one endless line", "", strings.Repeat("x", 4096), 1 << 20, "neither"},
		{"an endless text in GeoJSON", `{"type":"FeatureCollection","features":["`, strings.Repeat("x", 4096), 80 << 20, "one record is longer than 64 MB"},
		{"endless nesting", ``, strings.Repeat("[", 4096), 80 << 20, "not GeoJSON"},
		{"endless blanks in GeoJSON", `{"type":"FeatureCollection","features":[`, strings.Repeat(" ", 4096), 80 << 20, "one record is longer than 64 MB"},
		{"a quotation never closed", "lon,lat,site,label\n1,2,KB,\"", strings.Repeat("x\n", 4096), 80 << 20, "a closing quotation mark may be missing"},
		{"rows of nonsense", "lon,lat,site,label\n", strings.Repeat("a,b,c,d\n", 4096), 1 << 20, "none of the first 10000 records can be used; the first: column 1 (lon)"},
		{"records of nonsense", `{"type":"FeatureCollection","features":[0`, strings.Repeat(",0", 4096), 1 << 20, "none of the first 10000 records"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&before)
			r := &repeat{head: c.head, body: c.body, left: size}
			_, _, err := exchange.ReadPoints(r, exchange.Options{})
			runtime.ReadMemStats(&after)
			require.ErrorIs(t, err, survey.ErrInvalid)
			assert.ErrorContains(t, err, c.says)
			assert.LessOrEqual(t, r.read, c.mostRead)
			assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(600<<20))
		})
	}
}

func TestReaderError(t *testing.T) {
	broken := io.MultiReader(strings.NewReader("lon,lat,site,label\n-91.2,44.65,KB,P1\n"+strings.Repeat(" ", 1<<16)), &failing{})
	_, _, err := exchange.ReadPoints(broken, exchange.Options{})
	require.ErrorIs(t, err, io.ErrNoProgress)
	_, _, err = exchange.ReadPoints(&failing{}, exchange.Options{})
	require.ErrorIs(t, err, io.ErrNoProgress)
}

type failing struct{}

func (*failing) Read([]byte) (int, error) { return 0, io.ErrNoProgress }

// The report of a great file stays small, and still counts everything.
func TestReportIsBounded(t *testing.T) {
	var b bytes.Buffer
	b.WriteString("lon,lat\n")
	const rows = 120_000
	for i := range rows {
		b.WriteString("-91.2,44.65\n")
		if i%2 == 0 {
			b.WriteString("-91.2,\n")
		}
	}
	_, report, err := exchange.ReadLayer(&b, survey.RoleOther, exchange.Options{})
	require.NoError(t, err)
	assert.Equal(t, rows, report.Accepted)
	assert.Equal(t, rows/2, report.Refused)
	assert.Equal(t, rows*3/2, len(report.Records)+report.Unlisted)
	refused := 0
	for _, r := range report.Records {
		if r.Status == exchange.Refused {
			refused++
		}
	}
	assert.Equal(t, rows/2, refused, "every refusal is listed")
}
