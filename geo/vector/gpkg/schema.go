package gpkg

import (
	"fmt"
	"strings"

	"holdfast/geo/crs"
	"holdfast/geo/vector"
)

// Identification of a GeoPackage 1.3 (§1.1.1.1.1). Version 1.4 changed the
// triggers of the R-tree, and older programs warn of it.
const (
	applicationID = 0x47504B47 // "GPKG"
	userVersion   = 10300
)

// wgs84Definition is the well-known text of EPSG:4326 (OGC 01-009).
const wgs84Definition = `GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AXIS["Latitude",NORTH],AXIS["Longitude",EAST],AUTHORITY["EPSG","4326"]]`

// coreTables are those every GeoPackage has (annex C of OGC 12-128r18).
const coreTables = `
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL PRIMARY KEY,
  organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL,
  definition TEXT NOT NULL,
  description TEXT
);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY,
  data_type TEXT NOT NULL,
  identifier TEXT UNIQUE,
  description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE,
  min_y DOUBLE,
  max_x DOUBLE,
  max_y DOUBLE,
  srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id)
);
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL,
  m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id)
);
CREATE TABLE gpkg_extensions (
  table_name TEXT,
  column_name TEXT,
  extension_name TEXT NOT NULL,
  definition TEXT NOT NULL,
  scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name)
);`

// rtreeTriggers keep the R-tree in step with its table when other programs edit
// it (annex F.3, as it was up to version 1.3). %[1]s is the table, %[2]s the
// geometry column, %[3]s the key, each quoted; %[4]s the R-tree's bare name.
const rtreeTriggers = `
CREATE TRIGGER "%[4]s_insert" AFTER INSERT ON %[1]s
WHEN (NEW.%[2]s NOT NULL AND NOT ST_IsEmpty(NEW.%[2]s))
BEGIN INSERT OR REPLACE INTO "%[4]s" VALUES (NEW.%[3]s, ST_MinX(NEW.%[2]s), ST_MaxX(NEW.%[2]s), ST_MinY(NEW.%[2]s), ST_MaxY(NEW.%[2]s)); END;
CREATE TRIGGER "%[4]s_update1" AFTER UPDATE OF %[2]s ON %[1]s
WHEN OLD.%[3]s = NEW.%[3]s AND (NEW.%[2]s NOTNULL AND NOT ST_IsEmpty(NEW.%[2]s))
BEGIN INSERT OR REPLACE INTO "%[4]s" VALUES (NEW.%[3]s, ST_MinX(NEW.%[2]s), ST_MaxX(NEW.%[2]s), ST_MinY(NEW.%[2]s), ST_MaxY(NEW.%[2]s)); END;
CREATE TRIGGER "%[4]s_update2" AFTER UPDATE OF %[2]s ON %[1]s
WHEN OLD.%[3]s = NEW.%[3]s AND (NEW.%[2]s ISNULL OR ST_IsEmpty(NEW.%[2]s))
BEGIN DELETE FROM "%[4]s" WHERE id = OLD.%[3]s; END;
CREATE TRIGGER "%[4]s_update3" AFTER UPDATE ON %[1]s
WHEN OLD.%[3]s != NEW.%[3]s AND (NEW.%[2]s NOTNULL AND NOT ST_IsEmpty(NEW.%[2]s))
BEGIN DELETE FROM "%[4]s" WHERE id = OLD.%[3]s;
INSERT OR REPLACE INTO "%[4]s" VALUES (NEW.%[3]s, ST_MinX(NEW.%[2]s), ST_MaxX(NEW.%[2]s), ST_MinY(NEW.%[2]s), ST_MaxY(NEW.%[2]s)); END;
CREATE TRIGGER "%[4]s_update4" AFTER UPDATE ON %[1]s
WHEN OLD.%[3]s != NEW.%[3]s AND (NEW.%[2]s ISNULL OR ST_IsEmpty(NEW.%[2]s))
BEGIN DELETE FROM "%[4]s" WHERE id IN (OLD.%[3]s, NEW.%[3]s); END;
CREATE TRIGGER "%[4]s_delete" AFTER DELETE ON %[1]s
WHEN OLD.%[2]s NOT NULL
BEGIN DELETE FROM "%[4]s" WHERE id = OLD.%[3]s; END;`

const (
	rtreeExtension   = "http://www.geopackage.org/spec120/#extension_rtree"
	relatedExtension = "http://www.opengis.net/doc/IS/gpkg-rte/1.0"
)

// srs is a row of gpkg_spatial_ref_sys.
type srs struct {
	id           int64
	name         string
	organization string
	code         int64
	definition   string
}

var wgs84 = srs{id: 4326, name: "WGS 84 geodetic", organization: "EPSG", code: 4326, definition: wgs84Definition}

// firstOwnSRS is the first srs_id for systems that no authority numbers.
const firstOwnSRS = 100_000

// srsOf returns the row for a layer's coordinate system. A text that is not
// understood here goes into the file as it is: others may know it.
func srsOf(declared string, own int64) (srs, error) {
	if declared == "" || vector.IsWGS84(declared) {
		return wgs84, nil
	}
	out := srs{id: own, name: "layer", organization: "NONE", code: own, definition: declared}
	c, err := vector.ParseCRS(declared)
	switch {
	case err == nil:
	case strings.Contains(declared, "["):
		return out, nil
	default:
		return out, fmt.Errorf("%w: give its well-known text instead", err)
	}
	out.name, out.definition = c.Name, c.WKT(crs.OGC)
	var code int64
	if _, err := fmt.Sscanf(c.Code, "EPSG:%d", &code); err == nil {
		out.id, out.organization, out.code = code, "EPSG", code
	}
	return out, nil
}

// sqlType is the declared type of a column for a field.
func sqlType(t vector.Type) string {
	switch t {
	case vector.Integer:
		return "INTEGER"
	case vector.Real:
		return "REAL"
	case vector.Boolean:
		return "BOOLEAN"
	case vector.Day:
		return "DATE"
	case vector.DateTime:
		return "DATETIME"
	case vector.Binary:
		return "BLOB"
	}
	return "TEXT"
}
