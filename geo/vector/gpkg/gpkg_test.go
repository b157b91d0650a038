package gpkg_test

import (
	"bytes"
	"database/sql"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	_ "github.com/mattn/go-sqlite3"
	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/gpkg"
)

// tool runs an outside program; without it the test is skipped, except in CI.
func tool(t *testing.T, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is needed here: install gdal-bin, python3 and python3-gdal", name)
		}
		t.Skipf("%s is not installed (packages gdal-bin, python3, python3-gdal)", name)
	}
	out, err := exec.Command(path, args...).CombinedOutput()
	require.NoError(t, err, "%s %v: %s", name, args, out)
	return string(out)
}

var points = vector.Layer{
	Name: "points", Geometry: "Point", Z: true,
	Fields: []vector.Field{
		{Name: "name", Type: vector.Text},
		{Name: "slope", Type: vector.Real},
		{Name: "n", Type: vector.Integer},
		{Name: "seeping", Type: vector.Boolean},
		{Name: "day", Type: vector.Day},
		{Name: "at", Type: vector.DateTime},
		{Name: "photo", Type: vector.Binary},
	},
}

func pointRecord(n int) vector.Record {
	r := vector.Record{Number: n, Properties: vector.Properties{
		{Name: "name", Value: "Größe 川"},
		{Name: "slope", Value: 31.5},
		{Name: "n", Value: int64(n)},
		{Name: "seeping", Value: n%2 == 0},
		{Name: "day", Value: vector.Date{Year: 2026, Month: 5, Day: 1}},
		{Name: "at", Value: time.Date(2026, 5, 1, 10, 0, 0, 5e6, time.UTC)},
		{Name: "photo", Value: []byte{0, 1, 2, 255}},
	}}
	switch n % 4 {
	case 0: // no geometry
	case 1:
		r.Geometry = geojson.Geometry{Geometry: orb.Point{-91 + float64(n)/1000, 44}}
	default:
		r.Geometry = geojson.Geometry{Geometry: orb.Point{-91, 44 + float64(n)/1000}, Z: []float64{230.5}}
	}
	return r
}

// sample writes a GeoPackage with every kind of table that there is, if asked
// for also with geometries that are empty.
func sample(t *testing.T, empty bool) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "sample.gpkg")
	out, err := os.Create(path)
	require.NoError(t, err)
	defer out.Close()
	w, err := gpkg.NewWriter(out)
	require.NoError(t, err)
	require.NoError(t, w.Begin(points))
	for n := 1; n <= 200; n++ {
		require.NoError(t, w.Write(pointRecord(n)))
	}
	lastPoint := w.LastID()
	require.NoError(t, w.Begin(vector.Layer{Name: "Bank \"edge\" lines", Fields: []vector.Field{{Name: "fid", Type: vector.Text}, {Name: "Name"}, {Name: "name"}, {Name: "geom"}}}))
	ring := orb.Ring{{0, 0}, {1, 0}, {1, 1}, {0, 0}}
	lines := []orb.Geometry{
		orb.LineString{{0, 0}, {1, 1}},
		orb.Polygon{ring},
		orb.MultiPolygon{{ring}},
		orb.MultiPoint{{3, 4}},
		orb.MultiLineString{{{0, 0}, {5, 5}}},
		orb.Collection{orb.Point{9, 9}, orb.LineString{{0, 0}, {1, 1}}},
	}
	if empty {
		lines = append(lines, orb.MultiPoint{}, orb.Polygon{})
	}
	for i, g := range lines {
		require.NoError(t, w.Write(vector.Record{Number: i + 1, Geometry: geojson.Geometry{Geometry: g}, Properties: vector.Properties{{Name: "fid", Value: "own"}, {Name: "name", Value: "a"}}}))
	}
	require.NoError(t, w.Begin(vector.Layer{Name: "pull_tests", Geometry: vector.NoGeometry, Fields: []vector.Field{{Name: "kn", Type: vector.Real}, {Name: "at", Type: vector.DateTime}, {Name: "ok", Type: vector.Boolean}, {Name: "day", Type: vector.Day}}}))
	require.NoError(t, w.Write(vector.Record{Number: 1, Properties: vector.Properties{
		{Name: "kn", Value: 4.2}, {Name: "at", Value: time.Date(2026, 5, 1, 6, 0, 0, 0, time.FixedZone("", -4*3600))}, {Name: "ok", Value: true}, {Name: "day", Value: vector.Date{Year: 2026, Month: 5, Day: 1}},
	}}))
	link, err := w.Relate("points", "pull_tests")
	require.NoError(t, err)
	require.NoError(t, link(lastPoint, w.LastID()))
	require.NoError(t, w.Close())
	assert.Contains(t, losses(w), "at: the time zone; times are kept in UTC (record 1)")
	assert.Contains(t, losses(w), "name: the column is called name_2")
	assert.Contains(t, losses(w), "its table is called Bank _edge_ lines")
	return path
}

func losses(w vector.Writer) string {
	var all []string
	for _, l := range w.Losses() {
		all = append(all, l.String())
	}
	return strings.Join(all, "\n")
}

// Three outside judges: a checker of the standard's requirements, GDAL 3.6.2's
// validator and GDAL's own reader, which warns of what it does not like.
func TestValid(t *testing.T) {
	said := tool(t, "python3", "testdata/gpkg_check.py", sample(t, true))
	assert.NotContains(t, said, "FAIL")
	assert.NotContains(t, said, "no R-tree")
	// This validator looks for the flag of emptiness in bit 3 of the flags, where
	// the standard has the envelope (§2.1.3, table 5), so it gets none that are empty.
	path := sample(t, false)
	if _, err := os.Stat("/usr/bin/python3"); err == nil { // the one that python3-gdal is for
		assert.Empty(t, strings.TrimSpace(tool(t, "/usr/bin/python3", "-m", "osgeo_utils.samples.validate_gpkg", "-k", "--warning-as-error", path)))
	}
	said = tool(t, "ogrinfo", "-ro", "-so", "-al", path)
	assert.NotContains(t, said, "Warning")
	assert.NotContains(t, said, "ERROR")
	for _, layer := range []string{"points", "Bank _edge_ lines", "pull_tests", "layer_styles"} {
		assert.Contains(t, said, "Layer name: "+layer+"\n")
	}
}

// The triggers keep the R-tree right when GDAL edits the file.
func TestEditsByGDALKeepTheIndex(t *testing.T) {
	path := sample(t, true)
	for _, sql := range []string{
		"UPDATE points SET geom = NULL WHERE fid = 1",
		"UPDATE points SET geom = (SELECT geom FROM points WHERE fid = 2) WHERE fid = 4",
		"UPDATE points SET geom = (SELECT geom FROM points WHERE fid = 3) WHERE fid = 2",
		"UPDATE points SET fid = 5000 WHERE fid = 5",
		"UPDATE points SET fid = 5001 WHERE fid = 8",
		"DELETE FROM points WHERE fid IN (10, 11, 12)",
		"INSERT INTO points (geom, name) SELECT geom, 'copy' FROM points WHERE fid < 30",
	} {
		tool(t, "ogrinfo", path, "-sql", sql)
	}
	said := tool(t, "python3", "testdata/gpkg_check.py", path)
	assert.NotContains(t, said, "FAIL")
	assert.Contains(t, tool(t, "ogrinfo", "-ro", path, "-sql", "SELECT count(*) AS c FROM points"), "c (Integer) = 221") // 200 - 3 deleted + 29 - 5 that were deleted or moved
}

// What is read back is what was written.
func TestReadBack(t *testing.T) {
	path := sample(t, true)
	s, err := gpkg.Open(path)
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	layers := s.Layers()
	require.Equal(t, []string{"points", "Bank _edge_ lines", "pull_tests", "layer_styles"}, []string{layers[0].Name, layers[1].Name, layers[2].Name, layers[3].Name})
	assert.Equal(t, points.Fields, layers[0].Fields)
	assert.Equal(t, 200, layers[0].Count)
	assert.Equal(t, "EPSG:4326", layers[0].CRS)
	n := 0
	for r := range s.Read(0) {
		n++
		want := pointRecord(n)
		want.ID, want.NumericID = r.ID, true
		require.Equal(t, want, r)
	}
	assert.Equal(t, 200, n)
	var got []orb.Geometry
	for r := range s.Read(1) {
		require.NoError(t, r.Err)
		got = append(got, r.Geometry.Geometry)
		if r.Geometry.Geometry == nil {
			assert.Equal(t, []string{"the geometry is empty"}, r.Notes)
		}
	}
	require.Len(t, got, 8)
	assert.Equal(t, orb.Collection{orb.Point{9, 9}, orb.LineString{{0, 0}, {1, 1}}}, got[5])
	assert.Nil(t, got[7])
}

// Related tables are as OGC 18-000 lays them out.
func TestRelatedTables(t *testing.T) {
	db, err := sql.Open("sqlite3", "file:"+sample(t, true)+"?mode=ro")
	require.NoError(t, err)
	defer db.Close()
	var base, baseKey, related, relatedKey, kind, mapping string
	require.NoError(t, db.QueryRow(`SELECT base_table_name, base_primary_column, related_table_name, related_primary_column, relation_name, mapping_table_name FROM gpkgext_relations`).
		Scan(&base, &baseKey, &related, &relatedKey, &kind, &mapping))
	assert.Equal(t, []string{"points", "fid", "pull_tests", "fid", "attributes"}, []string{base, baseKey, related, relatedKey, kind})
	var n int
	require.NoError(t, db.QueryRow(`SELECT count(*) FROM points p JOIN "`+mapping+`" m ON m.base_id = p.fid JOIN pull_tests t ON t.fid = m.related_id`).Scan(&n))
	assert.Equal(t, 1, n)
	require.NoError(t, db.QueryRow(`SELECT count(*) FROM gpkg_extensions WHERE extension_name = 'gpkg_related_tables' AND table_name IN ('gpkgext_relations', ?)`, mapping).Scan(&n))
	assert.Equal(t, 2, n)
}

func TestIDs(t *testing.T) {
	var b bytes.Buffer
	w, err := gpkg.NewWriter(&b)
	require.NoError(t, err)
	require.NoError(t, w.Begin(vector.Layer{Name: "a", Geometry: "Point"}))
	for i, id := range []string{"7", "7", "x", "-1", "9223372036854775807"} {
		r := vector.Record{Number: i + 1, ID: id, NumericID: id != "x", Geometry: geojson.Geometry{Geometry: orb.Point{1, 2}}}
		if i == 4 {
			r.ID = "12"
		}
		require.NoError(t, w.Write(r))
	}
	require.NoError(t, w.Close())
	assert.Contains(t, losses(w), "the ID: an earlier record has it (record 2)")
	assert.Contains(t, losses(w), "the ID (2 records, the first is 3)")
	path := filepath.Join(t.TempDir(), "a.gpkg")
	require.NoError(t, os.WriteFile(path, b.Bytes(), 0o644))
	s, err := gpkg.Open(path)
	require.NoError(t, err)
	defer s.Close()
	var ids []string
	for r := range s.Read(0) {
		ids = append(ids, r.ID)
	}
	slices.Sort(ids)
	assert.Equal(t, []string{"10", "12", "7", "8", "9"}, ids)
}

func TestRefuses(t *testing.T) {
	dir := t.TempDir()
	open := func(name, script string) error {
		path := filepath.Join(dir, name)
		db, err := sql.Open("sqlite3", "file:"+path)
		require.NoError(t, err)
		_, err = db.Exec(script)
		require.NoError(t, err)
		require.NoError(t, db.Close())
		s, err := gpkg.Open(path)
		if err == nil {
			require.NoError(t, s.Close())
		}
		return err
	}
	err := open("mbtiles.db", "CREATE TABLE tiles (a)")
	assert.ErrorIs(t, err, vector.ErrFormat)
	assert.ErrorContains(t, err, "no GeoPackage")
	core := `CREATE TABLE gpkg_spatial_ref_sys (srs_id INTEGER PRIMARY KEY, organization, organization_coordsys_id, definition);
		CREATE TABLE gpkg_contents (table_name, data_type, min_x, min_y, max_x, max_y);
		CREATE TABLE gpkg_geometry_columns (table_name, column_name, geometry_type_name, srs_id, z);`
	assert.ErrorContains(t, open("none.gpkg", core), "no table of features")
	assert.ErrorContains(t, open("gone.gpkg", core+`INSERT INTO gpkg_contents VALUES ('gone', 'attributes', 0, 0, 0, 0)`), "not there")
	assert.ErrorContains(t, open("lost.gpkg", core+`CREATE TABLE a (b); INSERT INTO gpkg_contents VALUES ('a', 'features', 0, 0, 0, 0)`), "does not say where its geometry is")
	path := filepath.Join(dir, "rubbish.gpkg")
	require.NoError(t, os.WriteFile(path, append([]byte("SQLite format 3\x00"), bytes.Repeat([]byte{7}, 5000)...), 0o644))
	_, err = gpkg.Open(path)
	assert.ErrorIs(t, err, vector.ErrFormat)

	w, err := gpkg.NewWriter(&bytes.Buffer{})
	require.NoError(t, err)
	assert.ErrorContains(t, w.Begin(vector.Layer{Name: "a", CRS: "EPSG:999999"}), "its well-known text")
	require.NoError(t, w.Begin(points))
	assert.ErrorContains(t, w.Write(vector.Record{Number: 1, Geometry: geojson.Geometry{Geometry: orb.LineString{{1, 2}, {3, 4}}}}), "it is a LineString in a layer of Point")
	assert.ErrorIs(t, w.Write(vector.Record{Number: 1, Err: os.ErrInvalid}), os.ErrInvalid)
	require.NoError(t, w.Close())
}

// A file that was left in write-ahead mode is read, and nothing comes to lie
// beside it.
func TestWriteAheadMode(t *testing.T) {
	path := sample(t, true)
	db, err := sql.Open("sqlite3", "file:"+path+"?_journal_mode=WAL")
	require.NoError(t, err)
	_, err = db.Exec(`DROP TABLE layer_styles; DELETE FROM gpkg_contents WHERE table_name = 'layer_styles'`)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	s, err := gpkg.Open(path)
	require.NoError(t, err)
	assert.Len(t, s.Layers(), 3)
	require.NoError(t, s.Close())
	beside, err := filepath.Glob(path + "-*")
	require.NoError(t, err)
	assert.Empty(t, beside)

	// While another program has it open in that mode, what it wrote last counts.
	db, err = sql.Open("sqlite3", "file:"+path)
	require.NoError(t, err)
	defer db.Close()
	_, err = db.Exec(`DELETE FROM gpkg_contents WHERE table_name = 'pull_tests'`)
	require.NoError(t, err)
	s, err = gpkg.Open(path)
	require.NoError(t, err)
	assert.Len(t, s.Layers(), 2)
	require.NoError(t, s.Close())
}

// A value of another type than its column's is kept as it is, with a note where
// it should have been a date.
func TestForeignValues(t *testing.T) {
	path := sample(t, true)
	db, err := sql.Open("sqlite3", "file:"+path)
	require.NoError(t, err)
	_, err = db.Exec(`DROP TRIGGER rtree_points_geom_update3; DROP TRIGGER rtree_points_geom_update4; UPDATE points SET slope = 3, n = 2.5, seeping = 7, day = 'May', at = '2026-05-01' WHERE fid = 4`)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	s, err := gpkg.Open(path)
	require.NoError(t, err)
	defer s.Close()
	for r := range s.Read(0) {
		if r.ID == "4" {
			assert.Equal(t, vector.Properties{
				{Name: "name", Value: "Größe 川"},
				{Name: "slope", Value: 3.0},
				{Name: "n", Value: 2.5},
				{Name: "seeping", Value: int64(7)},
				{Name: "day", Value: "May"},
				{Name: "at", Value: time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)},
				{Name: "photo", Value: []byte{0, 1, 2, 255}},
			}, r.Properties)
			assert.Equal(t, []string{`day: "May" is no date and was taken as text`}, r.Notes)
		}
	}
}
