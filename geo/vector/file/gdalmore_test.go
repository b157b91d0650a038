package file_test

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/file"
)

// Positions of a declared coordinate system come out on WGS 84 where GDAL with
// PROJ 9.1.1 puts them, within 2 cm.
func TestReprojectionAgreesWithGDAL(t *testing.T) {
	t.Parallel()
	for code, at := range map[string]orb.Point{
		"EPSG:2272":  {-79.9959, 40.4406}, // NAD83 / Pennsylvania South in US survey feet
		"EPSG:32617": {-80.5, 40.1},       // WGS 84 / UTM zone 17N
		"EPSG:26715": {-91.2, 44.6},       // NAD27 / UTM zone 15N, with a datum shift
		"EPSG:28992": {5.7585, 50.9915},   // RD New, oblique stereographic
		"EPSG:3857":  {-91.2, 44.6},
	} {
		for _, format := range []string{"shp", "gpkg", "geojson"} {
			dir := t.TempDir()
			from, to := filepath.Join(dir, "from.geojson"), filepath.Join(dir, "to."+format)
			var records []vector.Record
			for n := range 20 {
				records = append(records, vector.Record{Number: n + 1, Geometry: geojson.Geometry{Geometry: orb.Point{at[0] + float64(n)/100, at[1] + float64(n)/150}}})
			}
			asGeoJSON(t, from, "", records)
			tool(t, "ogr2ogr", to, from, "-t_srs", code, "-lco", "COORDINATE_PRECISION=10")
			want := gdalReads(t, to, "-t_srs", "OGC:CRS84")
			got, l := reads(t, to, vector.Options{}, 0)
			c, err := vector.ParseCRS(l.CRS)
			require.NoError(t, err, l.CRS)
			i := 0
			for r := range vector.ToWGS84(slices.Values(got), c) {
				require.NoError(t, r.Err)
				w := floats(want[i].Geometry).(map[string]any)["coordinates"].([]any)
				p := r.Geometry.Geometry.(orb.Point)
				const cm = 1e-2 / 111_000 // degrees
				assert.InDelta(t, w[0], p[0], 2*cm, "%s %s", code, format)
				assert.InDelta(t, w[1], p[1], 2*cm, "%s %s", code, format)
				i++
			}
			assert.Equal(t, len(want), i)
		}
	}
}

// Every version of GeoPackage that GDAL writes is read, tables without geometry
// too.
func TestGeoPackageVersions(t *testing.T) {
	s := newSampler(t, 400)
	s.round = true
	for _, version := range []string{"1.0", "1.1", "1.2", "1.3"} {
		s.n = 0
		want := s.records(30, kinds...)
		dir := t.TempDir()
		from, to := filepath.Join(dir, "from.geojson"), filepath.Join(dir, "b.gpkg")
		asGeoJSON(t, from, "", want)
		tool(t, "ogr2ogr", "-f", "GPKG", to, from, "-nln", "b", "-dsco", "VERSION="+version)
		tool(t, "ogr2ogr", "-f", "GPKG", to, from, "-nln", "second table", "-nlt", "NONE", "-update")
		got, l := reads(t, to, vector.Options{}, 0)
		require.Len(t, got, len(want))
		assert.Equal(t, "b", l.Name)
		for i := range want {
			compare(t, want[i], got[i], true)
		}
		got, l = reads(t, to, vector.Options{}, 1)
		require.Len(t, got, len(want))
		assert.Equal(t, "second table", l.Name)
		assert.Equal(t, vector.NoGeometry, l.Geometry)
		for i := range want {
			want[i].Geometry = geojson.Geometry{}
			compare(t, want[i], got[i], true)
		}
	}
}

// Shapes with measures are read without them, as GDAL reads them with -dim.
func TestMeasuresAreLeftOut(t *testing.T) {
	for shape, wkt := range map[string]string{
		"POINTM": "POINT M (1 2 9)", "POINTZM": "POINT ZM (1 2 3 9)", "MULTIPOINTZM": "MULTIPOINT ZM ((1 2 3 9),(4 5 6 9))",
		"ARCM": "LINESTRING M (1 2 9,3 4 9)", "ARCZM": "MULTILINESTRING ZM ((1 2 3 9,3 4 5 9),(5 6 7 9,8 9 10 9))",
		"POLYGONM": "POLYGON M ((0 0 9,0 1 9,1 1 9,0 0 9))", "POLYGONZM": "POLYGON ZM ((0 0 3 9,0 1 3 9,1 1 3 9,0 0 3 9))",
	} {
		dir := t.TempDir()
		csv, to := filepath.Join(dir, "from.csv"), filepath.Join(dir, "m.shp")
		require.NoError(t, os.WriteFile(csv, []byte("id,wkt\n1,\""+wkt+"\"\n"), 0o644))
		tool(t, "ogr2ogr", to, csv, "-oo", "GEOM_POSSIBLE_NAMES=wkt", "-oo", "KEEP_GEOM_COLUMNS=NO", "-lco", "SHPT="+shape)
		got, _ := reads(t, to, vector.Options{}, 0)
		require.Len(t, got, 1, shape)
		require.NoError(t, got[0].Err, shape)
		assert.Equal(t, []string{"the measures (M) of the positions were left out"}, got[0].Notes, shape)
		dim := "XY"
		if strings.HasSuffix(shape, "ZM") {
			dim = "XYZ"
		}
		checkFeatures(t, got, gdalReads(t, to, "-dim", dim), asIs)
	}
}

// dbf makes a Shapefile of one point with one text, by hand.
func dbf(t *testing.T, dir, name string, driver byte, text []byte) string {
	t.Helper()
	le := binary.LittleEndian
	h := make([]byte, 32)
	h[0], h[1], h[2], h[3], h[29] = 3, 126, 1, 1, driver
	le.PutUint32(h[4:], 1)
	le.PutUint16(h[8:], 65)
	le.PutUint16(h[10:], 1+40)
	field := make([]byte, 32)
	copy(field, "name")
	field[11], field[16] = 'C', 40
	table := append(append(h, field...), 0x0d, ' ')
	table = append(append(table, text...), strings.Repeat(" ", 40-len(text))...)

	point := le.AppendUint32(nil, 1)
	point = le.AppendUint64(le.AppendUint64(point, math.Float64bits(-79)), math.Float64bits(40))
	head := func(size uint32) []byte {
		b := binary.BigEndian.AppendUint32(nil, 9994)
		b = binary.BigEndian.AppendUint32(append(b, make([]byte, 20)...), size/2)
		b = le.AppendUint32(le.AppendUint32(b, 1000), 1)
		return append(b, make([]byte, 64)...)
	}
	record := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, 1), 10)
	index := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, 50), 10)
	for ending, b := range map[string][]byte{"dbf": table, "shp": append(append(head(128), record...), point...), "shx": append(head(108), index...)} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name+"."+ending), b, 0o644))
	}
	return filepath.Join(dir, name+".shp")
}

// Text in each encoding that a dBase table or a .cpg file may name is read as
// GDAL 3.6.2 reads it.
func TestEncodings(t *testing.T) {
	t.Parallel()
	// Bytes that stand for letters in all one-byte code pages.
	letters := []byte{0xc1, 0xc5, 0xc9, 0xd1, 0xd3, 0xe0, 0xe1, 0xe2, 0xe3, 0xe4, 0xe5}
	double := map[byte][]byte{
		0x13: {0x8a, 0xbf}, 0x7b: {0x8a, 0xbf}, 0x4d: {0xba, 0xba}, 0x7a: {0xba, 0xba}, 0x4e: {0xb0, 0xa1}, 0x79: {0xb0, 0xa1}, 0x4f: {0xa4, 0xa4}, 0x78: {0xa4, 0xa4},
	}
	drivers := []byte{ // but 0x09, whose text GDAL does not convert
		0x01, 0x02, 0x03, 0x08, 0x0a, 0x0b, 0x0d, 0x0e, 0x0f, 0x10, 0x11, 0x12, 0x13, 0x14, 0x15, 0x16, 0x17, 0x18, 0x19, 0x1a, 0x1b, 0x1d, 0x1f,
		0x22, 0x23, 0x24, 0x25, 0x26, 0x37, 0x40, 0x4d, 0x4e, 0x4f, 0x50, 0x57, 0x58, 0x59, 0x64, 0x65, 0x66, 0x6c, 0x78, 0x79, 0x7a, 0x7b, 0x7c,
		0x87, 0xc8, 0xc9, 0xca, 0xcb, 0xcc,
	}
	// GDAL reads a folder of Shapefiles in one run.
	dir, n := t.TempDir(), 0
	titles := map[string]string{}
	add := func(title string, driver byte, text []byte, cpg string) {
		n++
		name := fmt.Sprintf("a%02d", n)
		dbf(t, dir, name, driver, text)
		if titles[name] = title; cpg != "" {
			require.NoError(t, os.WriteFile(filepath.Join(dir, name+".cpg"), []byte(cpg), 0o644))
		}
	}
	for _, id := range drivers {
		text := double[id]
		if text == nil {
			text = letters
		}
		add(fmt.Sprintf("language driver %#02x", id), id, text, "")
	}
	for _, cpg := range []string{"UTF-8", "1250", "1252", "CP1250", "ISO-8859-2", "88592", "437", "852", "ANSI 1251"} {
		text := letters
		if cpg == "UTF-8" {
			text = []byte("Střítež 川")
		}
		add("cpg "+cpg, 0, text, cpg)
	}
	out := filepath.Join(t.TempDir(), "out")
	tool(t, "ogr2ogr", "-f", "CSV", out, dir)
	for name, title := range titles {
		table, err := os.ReadFile(filepath.Join(out, name+".csv"))
		require.NoError(t, err)
		r := csv.NewReader(bytes.NewReader(table))
		r.FieldsPerRecord = -1 // GDAL ends the rows of a single column with a comma
		rows, err := r.ReadAll()
		require.NoError(t, err)
		require.Len(t, rows, 2, title)
		got, _ := reads(t, filepath.Join(dir, name+".shp"), vector.Options{}, 0)
		require.NotEmpty(t, rows[1][0], title)
		value, _ := got[0].Properties.Get("name")
		assert.Equal(t, rows[1][0], value, "%s: %v", title, got[0].Notes)
	}
	// A wrong .cpg is overruled by the option, as by GDAL's.
	path := dbf(t, dir, "b", 0, []byte("St\xf8\xedte\x9e"))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "b.cpg"), []byte("852"), 0o644))
	want := gdalReads(t, path, "-oo", "ENCODING=CP1250")[0].Properties["name"]
	got, _ := reads(t, path, vector.Options{Encoding: "windows-1250"}, 0)
	name, _ := got[0].Properties.Get("name")
	assert.Equal(t, want, name)
	assert.Equal(t, "Střítež", name) // Windows code page 1250: f8 ř, ed í, 9e ž
}

// Records of all kinds with and without heights go into one archive, one
// Shapefile a kind.
func TestShapefileOfAllKinds(t *testing.T) {
	s := newSampler(t, 500)
	records := s.records(24, kinds...)
	s.z, s.level = true, true
	records = append(records, s.records(24, kinds...)...)
	records = append(records, vector.Record{Number: 100, Properties: vector.Properties{{Name: "name", Value: "nowhere"}}})
	records = append(records, vector.Record{Number: 101, Geometry: geojson.Geometry{Geometry: orb.Collection{orb.Point{1, 2}, orb.LineString{{3, 4}, {5, 6}}}, Z: []float64{7, 8, 9}}})
	path := filepath.Join(t.TempDir(), "all.zip")
	losses := fmt.Sprint(write(t, path, vector.Shapefile, describe("all kinds", records), records))
	assert.Contains(t, losses, "geometry collections: their members were written one by one (record 101)")

	z, err := zip.OpenReader(path)
	require.NoError(t, err)
	defer z.Close()
	var names []string
	for _, f := range z.File {
		if strings.HasSuffix(f.Name, ".shp") {
			names = append(names, f.Name)
		}
	}
	slices.Sort(names)
	assert.Equal(t, []string{
		"all kinds_areas.shp", "all kinds_areas_z.shp", "all kinds_lines.shp", "all kinds_lines_z.shp",
		"all kinds_multipoints.shp", "all kinds_multipoints_z.shp", "all kinds_points.shp", "all kinds_points_z.shp",
	}, names)
	cpg, err := z.Open("all kinds_points.cpg")
	require.NoError(t, err)
	text, err := io.ReadAll(cpg)
	require.NoError(t, err)
	assert.Equal(t, "UTF-8", string(text))

	src, err := file.Open(path, vector.Options{})
	require.NoError(t, err)
	defer src.Close()
	total := 0
	for i, l := range src.Layers() {
		var got []vector.Record
		for r := range src.Read(i) {
			require.NoError(t, r.Err)
			r.Properties = nil
			got = append(got, r)
		}
		total += len(got)
		checkFeatures(t, got, gdalReads(t, "/vsizip/"+path+"/"+l.Name+".shp"), asIs)
	}
	assert.Equal(t, 24+24+1+2, total)
}

// A layer in another coordinate system is written with it: GDAL takes the
// positions to where they belong.
func TestOtherSystemsAreWritten(t *testing.T) {
	prj, err := os.ReadFile("testdata/traps/stateplane_ftus.prj")
	require.NoError(t, err)
	records := []vector.Record{{Number: 1, Geometry: geojson.Geometry{Geometry: orb.Point{1343437.334258, 411311.879016}}}}
	layer := describe("a", records)
	for _, c := range []struct {
		name, crs string
		format    vector.Format
	}{
		{"a.gpkg", string(prj), vector.GeoPackage},
		{"a.shz", string(prj), vector.Shapefile},
		{"b.gpkg", "EPSG:2272", vector.GeoPackage},
		{"b.shz", "http://www.opengis.net/def/crs/EPSG/0/2272", vector.Shapefile},
	} {
		name, path := c.name, filepath.Join(t.TempDir(), c.name)
		layer.Name, layer.CRS = c.name[:1], c.crs
		write(t, path, c.format, layer, records)
		said := string(tool(t, "ogrinfo", "-so", "-al", path))
		assert.Contains(t, said, "NAD83 / Pennsylvania South (ftUS)", name) // source: testdata/gdal_reads.txt, srs=2272
		got := floats(gdalReads(t, path, layer.Name, "-t_srs", "OGC:CRS84")[0].Geometry).(map[string]any)["coordinates"].([]any)
		assert.InDelta(t, -79.9959, got[0], 1e-8, name) // source: cs2cs of PROJ 9.1.1
		assert.InDelta(t, 40.4406, got[1], 1e-8, name)
	}
	for _, format := range []vector.Format{vector.GeoJSON, vector.KML, vector.GPX} {
		w, err := file.NewWriter(io.Discard, format)
		require.NoError(t, err)
		assert.ErrorContains(t, w.Begin(layer), "WGS 84", "%s", format)
	}
}
