package gpkg

import (
	"context"
	"encoding/json"

	"holdfast/geo/vector"
)

// jsonType marks the columns whose text is JSON, in the schema extension
// (OGC 12-128r18 F.9).
const jsonType = "application/json"

const dataColumnsTables = `
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL,
  column_name TEXT NOT NULL,
  name TEXT,
  title TEXT,
  description TEXT,
  mime_type TEXT,
  constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name)
);
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL,
  constraint_type TEXT NOT NULL,
  value TEXT,
  min NUMERIC,
  min_is_inclusive BOOLEAN,
  max NUMERIC,
  max_is_inclusive BOOLEAN,
  description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value)
);
INSERT INTO gpkg_extensions VALUES
  ('gpkg_data_columns', NULL, 'gpkg_schema', 'http://www.geopackage.org/spec/#extension_schema', 'read-write'),
  ('gpkg_data_column_constraints', NULL, 'gpkg_schema', 'http://www.geopackage.org/spec/#extension_schema', 'read-write');`

// declareJSON says that a column's text is JSON.
func (w *Writer) declareJSON(table, column string) error {
	if !w.described {
		if err := w.exec(dataColumnsTables); err != nil {
			return err
		}
		w.described = true
	}
	return w.exec(`INSERT INTO gpkg_data_columns (table_name, column_name, mime_type) VALUES (?, ?, ?)`, table, column, jsonType)
}

// readMIME gives the columns of a table that hold JSON their type. Files
// without the extension have none.
func (s *source) readMIME(ctx context.Context, i int) error {
	var n int
	err := s.db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_master WHERE name = 'gpkg_data_columns' AND type = 'table'`).Scan(&n)
	if err != nil || n == 0 {
		return err
	}
	rows, err := s.db.QueryContext(ctx, `SELECT column_name FROM gpkg_data_columns WHERE lower(table_name) = lower(?) AND mime_type = ?`, s.tables[i].name, jsonType)
	if err != nil {
		return nil // a table of the same name with other columns
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return err
		}
		for k, c := range s.tables[i].columns {
			if c.name == name && c.typ == vector.Text {
				s.tables[i].columns[k].typ, s.layers[i].Fields[k].Type = vector.JSON, vector.JSON
			}
		}
	}
	return rows.Err()
}

// asJSON is a list or an object as such, anything else as the text it is.
func asJSON(s string) (json.RawMessage, bool) {
	if len(s) == 0 || s[0] != '[' && s[0] != '{' || !json.Valid([]byte(s)) {
		return nil, false
	}
	return json.RawMessage(s), true
}
