package gpkg

import (
	"database/sql/driver"
	"fmt"

	"holdfast/geo/vector"
)

const relationsTable = `
CREATE TABLE gpkgext_relations (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  base_table_name TEXT NOT NULL,
  base_primary_column TEXT NOT NULL DEFAULT 'id',
  related_table_name TEXT NOT NULL,
  related_primary_column TEXT NOT NULL DEFAULT 'id',
  relation_name TEXT NOT NULL,
  mapping_table_name TEXT NOT NULL UNIQUE
);`

// Relate makes a relation between the records of two layers that have been
// begun (OGC 18-000), and returns what links a record of the base layer with
// one of the related layer by their keys, which LastID gives.
func (w *Writer) Relate(base, related string) (link func(baseID, relatedID int64) error, err error) {
	b, r := w.table(base), w.table(related)
	if b == nil || r == nil {
		return nil, fmt.Errorf("relate %s and %s: begin both layers first", base, related)
	}
	mapping := w.names.Unique(b.name + "_" + r.name)
	if err := w.relate(b, r, mapping); err != nil {
		return nil, fmt.Errorf("relate %s and %s: %w", base, related, err)
	}
	insert, err := w.conn.Prepare(fmt.Sprintf("INSERT INTO %s VALUES (?, ?)", quote(mapping)))
	if err != nil {
		return nil, fmt.Errorf("relate %s and %s: %w", base, related, err)
	}
	w.links = append(w.links, insert)
	return func(baseID, relatedID int64) error {
		//lint:ignore SA1019 NamedValues would be made for every link
		_, err := insert.Exec([]driver.Value{baseID, relatedID})
		return err
	}, nil
}

func (w *Writer) table(layer string) *output {
	for _, t := range w.tables {
		if t.layer.Name == layer {
			return t
		}
	}
	return nil
}

func (w *Writer) relate(b, r *output, mapping string) error {
	if !w.linked {
		if err := w.exec(relationsTable); err != nil {
			return err
		}
		if err := w.extension("gpkgext_relations"); err != nil {
			return err
		}
		w.linked = true
	}
	if err := w.exec(fmt.Sprintf("CREATE TABLE %s (base_id INTEGER NOT NULL, related_id INTEGER NOT NULL)", quote(mapping))); err != nil {
		return err
	}
	kind := "features"
	if r.geometry == "" {
		kind = "attributes"
	}
	err := w.exec(`INSERT INTO gpkgext_relations (base_table_name, base_primary_column, related_table_name, related_primary_column, relation_name, mapping_table_name)
		VALUES (?, ?, ?, ?, ?, ?)`, b.name, b.key, r.name, r.key, kind, mapping)
	if err != nil {
		return err
	}
	return w.extension(mapping)
}

func (w *Writer) extension(table string) error {
	return w.exec(`INSERT INTO gpkg_extensions VALUES (?, NULL, 'gpkg_related_tables', ?, 'read-write')`, table, relatedExtension)
}

var _ vector.Source = (*source)(nil)
