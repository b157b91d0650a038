package gpkg

import (
	"bytes"
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/mattn/go-sqlite3"
	"github.com/paulmach/orb"

	"holdfast/geo/vector"
)

// patience is how long a query may give no row. Tables answer at once; the view
// of a hostile file may not answer at all.
const patience = time.Minute

type source struct {
	db     *sql.DB
	wait   time.Duration // for a row
	layers []vector.Layer
	tables []table
}

// table is what a layer is read from.
type table struct {
	name     string
	key      string // its integer primary key, "" when it has none
	geometry string // its geometry column, "" when it has none
	srs      int64
	columns  []column
}

type column struct {
	name string
	typ  vector.Type
}

// Is tells whether a file that begins so is an SQLite database.
func Is(head []byte) bool { return bytes.HasPrefix(head, []byte("SQLite format 3\x00")) }

// connector opens connections without a driver that is registered for all.
type connector struct {
	driver *sqlite3.SQLiteDriver
	dsn    string
}

func (c connector) Connect(context.Context) (driver.Conn, error) { return c.driver.Open(c.dsn) }

func (c connector) Driver() driver.Driver { return c.driver }

// dsn is the data source name of a file. Windows paths have a drive letter.
func dsn(path, query string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	slashed := filepath.ToSlash(abs)
	if !strings.HasPrefix(slashed, "/") {
		slashed = "/" + slashed
	}
	return "file:" + (&url.URL{Path: slashed}).EscapedPath() + "?" + query, nil
}

// wary sets a connection up for a file that may be hostile
// (https://www.sqlite.org/security.html).
func wary(c *sqlite3.SQLiteConn) error {
	c.SetLimit(sqlite3.SQLITE_LIMIT_LENGTH, 2*vector.MaxValue)
	c.SetLimit(sqlite3.SQLITE_LIMIT_SQL_LENGTH, 1_000_000)
	c.SetLimit(sqlite3.SQLITE_LIMIT_COLUMN, vector.MaxFields)
	c.SetLimit(sqlite3.SQLITE_LIMIT_EXPR_DEPTH, 100)
	c.SetLimit(sqlite3.SQLITE_LIMIT_VDBE_OP, 250_000)
	for _, p := range []string{"trusted_schema=OFF", "cell_size_check=ON", "mmap_size=0", "query_only=ON"} {
		if _, err := c.Exec("PRAGMA "+p, nil); err != nil {
			return err
		}
	}
	return nil
}

// Open opens a GeoPackage and lists its feature and attribute tables.
func Open(path string) (vector.Source, error) { return open(path, patience) }

func open(path string, wait time.Duration) (vector.Source, error) {
	query := "mode=ro"
	// A file that was left in write-ahead mode would get files beside it, or be
	// refused where those cannot be made. Without such files nobody writes to it.
	if _, err := os.Stat(path + "-wal"); errors.Is(err, fs.ErrNotExist) && inWriteAheadMode(path) {
		query += "&immutable=1"
	}
	name, err := dsn(path, query)
	if err != nil {
		return nil, fmt.Errorf("open GeoPackage: %w", err)
	}
	s := &source{wait: wait, db: sql.OpenDB(connector{&sqlite3.SQLiteDriver{ConnectHook: wary}, name})}
	if err := s.list(); err != nil {
		return nil, errors.Join(fmt.Errorf("%w: %w", vector.ErrFormat, err), s.db.Close())
	}
	return s, nil
}

// inWriteAheadMode looks at the file format versions in the header
// (https://www.sqlite.org/fileformat2.html §1.3).
func inWriteAheadMode(path string) bool {
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	var head [20]byte
	_, err = f.ReadAt(head[:], 0)
	return err == nil && head[18] == 2 && head[19] == 2
}

func (s *source) Format() vector.Format { return vector.GeoPackage }

func (s *source) Layers() []vector.Layer { return s.layers }

func (s *source) Close() error { return s.db.Close() }

// list finds the tables.
func (s *source) list() error {
	ctx, cancel := context.WithTimeout(context.Background(), s.wait)
	defer cancel()
	var n int
	err := s.db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master WHERE name IN ('gpkg_contents', 'gpkg_spatial_ref_sys')`).Scan(&n)
	if err != nil {
		return err
	}
	if n < 2 {
		return errors.New("it is an SQLite database but no GeoPackage: the table gpkg_contents is missing")
	}
	const columns = `SELECT count(*) FROM sqlite_master WHERE name = 'gpkg_geometry_columns'`
	if err := s.db.QueryRowContext(ctx, columns).Scan(&n); err != nil {
		return err
	}
	if err := s.contents(ctx, n > 0); err != nil {
		return err
	}
	for i := range s.tables {
		if err := s.describe(ctx, i); err != nil {
			return fmt.Errorf("table %s: %w", s.tables[i].name, err)
		}
	}
	if len(s.layers) == 0 {
		return errors.New("it holds no table of features or attributes")
	}
	return nil
}

// maxTables bounds the tables of a file.
const maxTables = 2000

func (s *source) contents(ctx context.Context, hasGeometry bool) error {
	query := `SELECT c.table_name, c.data_type, c.min_x, c.min_y, c.max_x, c.max_y, g.column_name, g.geometry_type_name, g.srs_id, g.z
		FROM gpkg_contents c LEFT JOIN gpkg_geometry_columns g ON lower(g.table_name) = lower(c.table_name)
		WHERE c.data_type IN ('features', 'attributes', 'aspatial') AND c.table_name <> 'ogr_empty_table' ORDER BY c.rowid` // which GDAL puts into files without features
	if !hasGeometry {
		query = `SELECT table_name, data_type, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL
			FROM gpkg_contents WHERE data_type IN ('attributes', 'aspatial') ORDER BY rowid`
	}
	rows, err := s.db.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var name, kind string
		var box [4]sql.NullFloat64
		var column, geometry sql.NullString
		var srs, z sql.NullInt64
		if err := rows.Scan(&name, &kind, &box[0], &box[1], &box[2], &box[3], &column, &geometry, &srs, &z); err != nil {
			return err
		}
		if kind == "features" && !column.Valid {
			return fmt.Errorf("table %s: gpkg_geometry_columns does not say where its geometry is", name)
		}
		if len(s.tables) >= maxTables {
			return fmt.Errorf("it holds more than %d tables", maxTables)
		}
		l := vector.Layer{Name: name, Count: -1, Geometry: vector.NoGeometry}
		if column.Valid {
			l.Geometry, l.Z = geometryType(geometry.String), z.Int64 != 0
			if box[0].Valid && box[1].Valid && box[2].Valid && box[3].Valid {
				l.Extent = &orb.Bound{Min: orb.Point{box[0].Float64, box[1].Float64}, Max: orb.Point{box[2].Float64, box[3].Float64}}
			}
		}
		s.layers = append(s.layers, l)
		s.tables = append(s.tables, table{name: name, geometry: column.String, srs: srs.Int64})
	}
	return rows.Err()
}

// geometryTypes are the names of geometry types in GeoPackages and in GeoJSON.
var geometryTypes = map[string]string{
	"POINT": "Point", "LINESTRING": "LineString", "POLYGON": "Polygon", "MULTIPOINT": "MultiPoint",
	"MULTILINESTRING": "MultiLineString", "MULTIPOLYGON": "MultiPolygon", "GEOMETRYCOLLECTION": "GeometryCollection",
}

func geometryType(name string) string { return geometryTypes[strings.ToUpper(name)] }

// describe finds a table's columns, coordinate system and count.
func (s *source) describe(ctx context.Context, i int) error {
	t, l := &s.tables[i], &s.layers[i]
	rows, err := s.db.QueryContext(ctx, `SELECT name, type, pk FROM pragma_table_info(?)`, t.name)
	if err != nil {
		return err
	}
	defer rows.Close()
	n := 0
	for rows.Next() {
		var name, typ string
		var key int
		if err := rows.Scan(&name, &typ, &key); err != nil {
			return err
		}
		n++
		switch {
		case strings.EqualFold(name, t.geometry):
			t.geometry = name
		case key == 1 && strings.EqualFold(typ, "INTEGER") && t.key == "":
			t.key = name
		default:
			c := column{name: name, typ: columnType(typ)}
			t.columns = append(t.columns, c)
			l.Fields = append(l.Fields, vector.Field{Name: name, Type: c.typ})
		}
	}
	if err := rows.Err(); err != nil {
		return err
	}
	if n == 0 {
		return errors.New("gpkg_contents names it, but it is not there")
	}
	if err := s.readMIME(ctx, i); err != nil {
		return err
	}
	if t.geometry != "" {
		if l.CRS, err = s.crs(ctx, t.srs); err != nil {
			return err
		}
	}
	if err := s.db.QueryRowContext(ctx, "SELECT count(*) FROM "+quote(t.name)).Scan(&l.Count); err != nil {
		l.Count = -1 // a view that fails; reading it will say why
	}
	return nil
}

func quote(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }

// columnType is the type of values for a column's declared type (§1.1.1.1.3).
func columnType(declared string) vector.Type {
	declared, _, _ = strings.Cut(strings.ToUpper(strings.TrimSpace(declared)), "(")
	switch declared {
	case "BOOLEAN":
		return vector.Boolean
	case "TINYINT", "SMALLINT", "MEDIUMINT", "INT", "INTEGER", "BIGINT":
		return vector.Integer
	case "FLOAT", "DOUBLE", "REAL":
		return vector.Real
	case "BLOB":
		return vector.Binary
	case "DATE":
		return vector.Day
	case "DATETIME", "TIMESTAMP":
		return vector.DateTime
	case "TEXT", "VARCHAR":
		return vector.Text
	}
	return vector.Unknown
}

// crs returns the coordinate system of an srs_id: its EPSG name where that is
// known, else its definition; "" for the undefined systems 0 and -1.
func (s *source) crs(ctx context.Context, srs int64) (string, error) {
	var organization, definition string
	var code int64
	err := s.db.QueryRowContext(ctx, `SELECT organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?`, srs).
		Scan(&organization, &code, &definition)
	if errors.Is(err, sql.ErrNoRows) || srs == 0 || srs == -1 {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	if strings.EqualFold(organization, "EPSG") {
		name := fmt.Sprintf("EPSG:%d", code)
		if _, err := vector.ParseCRS(name); err == nil {
			return name, nil
		}
	}
	if definition == "" || strings.EqualFold(definition, "undefined") {
		return s.newerDefinition(ctx, srs)
	}
	return definition, nil
}

// newerDefinition is the well-known text 2 of the extension gpkg_crs_wkt, "" in
// files without it.
func (s *source) newerDefinition(ctx context.Context, srs int64) (string, error) {
	var definition sql.NullString
	err := s.db.QueryRowContext(ctx, `SELECT definition_12_063 FROM gpkg_spatial_ref_sys WHERE srs_id = ?`, srs).Scan(&definition)
	if err != nil || strings.EqualFold(definition.String, "undefined") {
		return "", nil // the column is missing
	}
	return definition.String, nil
}
