package gpkg_test

import (
	"database/sql"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/vector"
	"holdfast/geo/vector/gpkg"
)

// core are the tables of the standard that a reader looks at.
const core = `CREATE TABLE gpkg_spatial_ref_sys (srs_id INTEGER PRIMARY KEY, organization, organization_coordsys_id, definition);
	INSERT INTO gpkg_spatial_ref_sys VALUES (4326, 'EPSG', 4326, '');
	CREATE TABLE gpkg_contents (table_name, data_type, min_x, min_y, max_x, max_y);
	CREATE TABLE gpkg_geometry_columns (table_name, column_name, geometry_type_name, srs_id, z);
	INSERT INTO gpkg_contents VALUES ('a', 'features', 0, 0, 0, 0);
	INSERT INTO gpkg_geometry_columns VALUES ('a', 'geom', 'GEOMETRY', 4326, 0);`

// blob is a GeoPackage geometry of a well-known binary.
func blob(wkb []byte) string {
	return fmt.Sprintf("x'%x'", append(binary.LittleEndian.AppendUint32([]byte{'G', 'P', 0, 1}, 4326), wkb...))
}

// point is a point in well-known binary.
func point(x, y float64) []byte {
	b := binary.LittleEndian.AppendUint32([]byte{1}, 1)
	return binary.LittleEndian.AppendUint64(binary.LittleEndian.AppendUint64(b, math.Float64bits(x)), math.Float64bits(y))
}

// readScript makes a file with a script and reads all of it.
func readScript(t *testing.T, script string) (records []vector.Record, path string, err error) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "a.gpkg")
	db, err := sql.Open("sqlite3", "file:"+path)
	require.NoError(t, err)
	_, err = db.Exec(script)
	require.NoError(t, err)
	require.NoError(t, db.Close())
	s, err := gpkg.OpenWithin(path, 2*time.Second)
	if err != nil {
		return nil, path, err
	}
	defer func() { require.NoError(t, s.Close()) }()
	for i := range s.Layers() {
		for r := range s.Read(i) {
			if r.Err != nil {
				return records, path, r.Err
			}
			records = append(records, r)
		}
	}
	return records, path, nil
}

// Files with code in them do nothing here: they are read, or refused, with
// little memory, and neither they nor anything beside them is changed.
func TestHostileFiles(t *testing.T) {
	one := fmt.Sprintf("CREATE TABLE a (fid INTEGER PRIMARY KEY, geom, name TEXT); INSERT INTO a VALUES (1, %s, 'x');", blob(point(1, 2)))
	for name, c := range map[string]struct {
		script  string
		records int
		says    string // of the error
	}{
		"triggers that delete": {core + one + `CREATE TRIGGER t BEFORE INSERT ON a BEGIN DELETE FROM a; END;
			CREATE TRIGGER u AFTER UPDATE ON gpkg_contents BEGIN DELETE FROM gpkg_contents; END;`, 1, ""},
		"a view with harmless columns": {core + one + `ALTER TABLE a RENAME TO b; CREATE VIEW a AS SELECT fid, geom, name FROM b;`, 1, ""},
		"a view that never ends":       {core + `CREATE VIEW a AS WITH RECURSIVE n(fid) AS (SELECT 1 UNION ALL SELECT fid + 1 FROM n) SELECT fid, NULL AS geom FROM n WHERE fid < 0;`, 0, "no record"},
		"a view of a great value":      {core + `CREATE VIEW a AS SELECT 1 AS fid, zeroblob(1000000000) AS geom;`, 0, "too big"},
		"a view that calls files":      {core + `CREATE VIEW a AS SELECT 1 AS fid, NULL AS geom, load_extension('/tmp/x.so') AS name;`, 0, "load_extension"},
		"a view of another's secrets":  {core + `CREATE VIEW a AS SELECT 1 AS fid, NULL AS geom, readfile('/etc/passwd') AS name;`, 0, "readfile"},
		"a virtual table":              {core + `CREATE VIRTUAL TABLE a USING rtree(fid, x0, x1, y0, y1);`, 0, ""},
		"a wide table":                 {core + `CREATE TABLE a (fid INTEGER PRIMARY KEY, geom, g AS (zeroblob(900000000)));INSERT INTO a(fid) VALUES (1)`, 1, ""},
		"a name with a statement":      {core + `UPDATE gpkg_contents SET table_name = 'a"; DROP TABLE a; --'; UPDATE gpkg_geometry_columns SET table_name = 'a"; DROP TABLE a; --';` + one, 0, "not there"},
		"a cyclic view":                {core + `CREATE VIEW a AS SELECT * FROM b; CREATE VIEW b AS SELECT * FROM a;`, 0, "circular"},
	} {
		t.Run(name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			records, path, err := readScript(t, c.script)
			runtime.ReadMemStats(&after)
			assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(64<<20))
			if c.says != "" {
				require.Error(t, err)
				assert.ErrorContains(t, err, c.says)
			}
			assert.Len(t, records, c.records, "%v", err)
			around, err := os.ReadDir(filepath.Dir(path))
			require.NoError(t, err)
			assert.Len(t, around, 1, "nothing is made beside it")
		})
	}
}

// GDAL puts an empty table of features into files that have none, and hides it.
func TestTablesWithoutFeatures(t *testing.T) {
	records, _, err := readScript(t, core+`UPDATE gpkg_contents SET table_name = 'ogr_empty_table'; UPDATE gpkg_geometry_columns SET table_name = 'ogr_empty_table';
		CREATE TABLE ogr_empty_table (fid INTEGER PRIMARY KEY, geom); CREATE TABLE b (fid INTEGER PRIMARY KEY, name TEXT); INSERT INTO b VALUES (7, 'x');
		INSERT INTO gpkg_contents VALUES ('b', 'attributes', NULL, NULL, NULL, NULL);`)
	require.NoError(t, err)
	require.Len(t, records, 1)
	assert.Equal(t, vector.Properties{{Name: "name", Value: "x"}}, records[0].Properties)
	assert.False(t, records[0].HasGeometry())
}

// Counts that a geometry declares and does not hold cost nothing.
func TestDeclaredCounts(t *testing.T) {
	for _, kind := range []uint32{2, 3, 4, 5, 6, 7, 1002, 2003, 3006} {
		for _, count := range []uint32{5, 1 << 20, 1<<31 - 1, 1<<32 - 1} {
			wkb := binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32([]byte{1}, kind), count)
			script := core + fmt.Sprintf("CREATE TABLE a (fid INTEGER PRIMARY KEY, geom); INSERT INTO a VALUES (1, %s);", blob(wkb))
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, _, err := readScript(t, script)
			runtime.ReadMemStats(&after)
			assert.Error(t, err, "type %d, count %d", kind, count)
			assert.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(16<<20), "type %d, count %d", kind, count)
		}
	}
}
