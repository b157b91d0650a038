package gpkg

import (
	"cmp"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"github.com/mattn/go-sqlite3"
	"github.com/paulmach/orb"

	"holdfast/geo/vector"
)

// Writer writes layers as tables of a GeoPackage: features with an R-tree, or
// attributes where the layer has no geometry. The layers must say their fields
// (see vector.Describe). Whole numbers as IDs become the key fid where they are
// free.
type Writer struct {
	path      string    // of the database
	out       io.Writer // where it is copied to
	conn      *sqlite3.SQLiteConn
	names     vector.Names // of tables
	srs       map[int64]bool
	tables    []*output
	now       *output       // the table that is written to
	links     []driver.Stmt // of relations
	linked    bool          // gpkgext_relations is there
	described bool          // gpkg_data_columns is there
	ledger    vector.Ledger
}

// output is a table on its way out.
type output struct {
	layer    vector.Layer
	name     string
	key      string
	geometry string // "" for attributes
	typ      string // GeoPackage name of the geometry's type
	srs      int64
	fields   []vector.Field
	at       map[string]int // of a property in fields
	json     []string       // columns that hold JSON
	insert   driver.Stmt
	index    driver.Stmt
	extent   *orb.Bound
	last     int64
	blob     []byte
	values   []driver.Value
}

// NewWriter writes a GeoPackage to w. It is made in a temporary file and copied
// on Close.
func NewWriter(out io.Writer) (*Writer, error) {
	f, err := os.CreateTemp("", "holdfast-*.gpkg")
	if err != nil {
		return nil, fmt.Errorf("create GeoPackage: %w", err)
	}
	if err := f.Close(); err != nil {
		return nil, fmt.Errorf("create GeoPackage: %w", err)
	}
	w, err := create(f.Name(), out)
	if err != nil {
		return nil, errors.Join(err, os.Remove(f.Name()))
	}
	return w, nil
}

// create makes the database. It is in no state to be used before Close, so
// nothing is spent on keeping it whole until then.
func create(path string, out io.Writer) (*Writer, error) {
	name, err := dsn(path, "mode=rw&_journal_mode=OFF&_synchronous=OFF&_locking_mode=EXCLUSIVE&_foreign_keys=OFF")
	if err != nil {
		return nil, err
	}
	conn, err := (&sqlite3.SQLiteDriver{}).Open(name)
	if err != nil {
		return nil, fmt.Errorf("create GeoPackage: %w", err)
	}
	w := &Writer{path: path, out: out, conn: conn.(*sqlite3.SQLiteConn), names: vector.Names{Fold: true}, srs: map[int64]bool{}}
	w.srs[wgs84.id] = true
	setUp := fmt.Sprintf("PRAGMA application_id=%d; PRAGMA user_version=%d; PRAGMA cache_size=-32000; BEGIN; %s", applicationID, userVersion, coreTables)
	err = w.exec(setUp)
	for _, s := range []srs{
		{id: -1, name: "Undefined Cartesian SRS", organization: "NONE", code: -1, definition: "undefined"},
		{id: 0, name: "Undefined geographic SRS", organization: "NONE", code: 0, definition: "undefined"},
		wgs84,
	} {
		err = errors.Join(err, w.addSRS(s))
	}
	if err != nil {
		return nil, fmt.Errorf("create GeoPackage: %w", errors.Join(err, w.conn.Close()))
	}
	return w, nil
}

func (w *Writer) exec(query string, args ...driver.Value) error {
	_, err := w.conn.Exec(query, args)
	return err
}

func (w *Writer) addSRS(s srs) error {
	return w.exec(`INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, NULL)`, s.name, s.id, s.organization, s.code, s.definition)
}

// Begin makes the table of a layer.
func (w *Writer) Begin(l vector.Layer) error {
	if err := w.begin(l); err != nil {
		return fmt.Errorf("write GeoPackage: layer %s: %w", l.Name, err)
	}
	return nil
}

func (w *Writer) begin(l vector.Layer) error {
	t := &output{layer: l, name: w.tableName(l.Name), at: map[string]int{}}
	if l.Geometry != vector.NoGeometry {
		t.geometry, t.typ = "geom", "GEOMETRY"
		for name, typ := range geometryTypes {
			if typ == l.Geometry {
				t.typ = name
			}
		}
		if err := w.findSRS(t); err != nil {
			return err
		}
	}
	columns := w.columns(t)
	if err := w.exec(fmt.Sprintf("CREATE TABLE %s (%s)", quote(t.name), strings.Join(columns, ", "))); err != nil {
		return err
	}
	if err := w.register(t); err != nil {
		return err
	}
	for _, column := range t.json {
		if err := w.declareJSON(t.name, column); err != nil {
			return err
		}
	}
	insert := fmt.Sprintf("INSERT INTO %s VALUES (?%s)", quote(t.name), strings.Repeat(", ?", len(columns)-1))
	var err error
	if t.insert, err = w.conn.Prepare(insert); err != nil {
		return err
	}
	t.values = make([]driver.Value, len(columns))
	w.tables, w.now = append(w.tables, t), t
	return nil
}

// Into has the records that follow go to a layer that was begun before the
// last one. A name that was not begun changes nothing.
func (w *Writer) Into(layer string) {
	if t := w.table(layer); t != nil {
		w.now = t
	}
}

func (w *Writer) findSRS(t *output) error {
	s, err := srsOf(t.layer.CRS, firstOwnSRS+int64(len(w.srs)))
	if err != nil {
		return err
	}
	if t.srs = s.id; w.srs[s.id] {
		return nil
	}
	w.srs[s.id] = true
	return w.addSRS(s)
}

// tableName is the layer's name, or one like it that is free.
func (w *Writer) tableName(layer string) string {
	name := strings.TrimSpace(plainName(layer))
	lower := strings.ToLower(name)
	for _, reserved := range []string{"gpkg", "rtree_", "sqlite_", "layer_styles"} {
		if name == "" || strings.HasPrefix(lower, reserved) {
			name = "layer_" + strings.TrimPrefix(name, "layer_")
			break
		}
	}
	if name = w.names.Unique(name); name != layer {
		w.ledger.Add(0, fmt.Sprintf("the layer %s: its table is called %s", layer, name))
	}
	return name
}

// plainName replaces what other programs stumble over in names.
func plainName(name string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == '"' {
			return '_'
		}
		return r
	}, name)
}

// columns settles the columns of a table and returns their definitions. Names
// differ whatever their case; those of the key and the geometry give way.
func (w *Writer) columns(t *output) []string {
	names := vector.Names{Fold: true}
	t.fields = t.layer.Fields
	if t.layer.IDField != "" {
		t.fields = append([]vector.Field{{Name: t.layer.IDField, Type: vector.Text}}, t.fields...)
	}
	var out []string
	for i, f := range t.fields {
		name := names.Unique(cmp.Or(plainName(f.Name), "column"))
		if name != f.Name {
			w.ledger.Add(0, fmt.Sprintf("%s: the column is called %s; names differ in more than their case and hold no quotation marks", f.Name, name))
		}
		if f.Type == vector.JSON {
			t.json = append(t.json, name)
		}
		t.at[f.Name] = i
		out = append(out, quote(name)+" "+sqlType(f.Type))
	}
	if t.geometry != "" {
		t.geometry = names.Unique(t.geometry)
		out = append([]string{quote(t.geometry) + " " + t.typ}, out...)
	}
	t.key = names.Unique("fid")
	return append([]string{quote(t.key) + " INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL"}, out...)
}

// register tells the tables of the standard of a table.
func (w *Writer) register(t *output) error {
	if t.geometry == "" {
		return w.exec(`INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES (?, 'attributes', ?)`, t.name, t.name)
	}
	z := int64(0)
	if t.layer.Z {
		z = 2 // may have heights
	}
	tree := t.tree()
	err := errors.Join(
		w.exec(`INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) VALUES (?, 'features', ?, ?)`, t.name, t.name, t.srs),
		w.exec(`INSERT INTO gpkg_geometry_columns VALUES (?, ?, ?, ?, ?, 0)`, t.name, t.geometry, t.typ, t.srs, z),
		w.exec(`INSERT INTO gpkg_extensions VALUES (?, ?, 'gpkg_rtree_index', ?, 'write-only')`, t.name, t.geometry, rtreeExtension),
		w.exec(fmt.Sprintf(`CREATE VIRTUAL TABLE %s USING rtree(id, minx, maxx, miny, maxy)`, quote(tree))),
	)
	if err != nil {
		return err
	}
	t.index, err = w.conn.Prepare(fmt.Sprintf("INSERT INTO %s VALUES (?, ?, ?, ?, ?)", quote(tree)))
	return err
}

func (t *output) tree() string { return "rtree_" + t.name + "_" + t.geometry }

// Write writes one record.
func (w *Writer) Write(r vector.Record) error {
	if r.Err != nil {
		return fmt.Errorf("write record %d: %w", r.Number, r.Err)
	}
	if r.Number == 0 {
		return nil
	}
	t := w.now
	if t == nil {
		return errors.New("write GeoPackage: no layer was begun")
	}
	if err := w.write(t, &r); err != nil {
		return fmt.Errorf("write record %d: %w", r.Number, err)
	}
	return nil
}

func (w *Writer) write(t *output, r *vector.Record) error {
	v := t.values[:1]
	v[0] = nil
	if id, err := strconv.ParseInt(r.ID, 10, 64); err == nil && r.NumericID && id > 0 {
		v[0] = id
	} else if r.ID != "" && t.layer.IDField == "" {
		w.ledger.Add(r.Number, "the ID")
	}
	var box orb.Bound
	indexed := false
	if t.geometry != "" {
		v = append(v, nil)
		if r.HasGeometry() {
			if err := w.fits(t, r); err != nil {
				return err
			}
			t.blob, box, indexed = appendBlob(t.blob[:0], r.Geometry, t.srs)
			v[1] = t.blob
		}
	} else if r.HasGeometry() {
		w.ledger.Add(r.Number, "the geometry: the layer has none")
	}
	v = w.properties(t, r, v)
	//lint:ignore SA1019 NamedValues would be made for every column of every record
	result, err := t.insert.Exec(v)
	var fault sqlite3.Error
	if errors.As(err, &fault) && fault.Code == sqlite3.ErrConstraint && v[0] != nil {
		w.ledger.Add(r.Number, "the ID: an earlier record has it")
		v[0] = nil
		//lint:ignore SA1019 as above
		result, err = t.insert.Exec(v)
	}
	if err != nil {
		return err
	}
	if t.last, err = result.LastInsertId(); err != nil || !indexed {
		return err
	}
	if t.extent == nil {
		t.extent = &box
	} else {
		*t.extent = t.extent.Union(box)
	}
	//lint:ignore SA1019 as above
	_, err = t.index.Exec([]driver.Value{t.last, box.Min[0], box.Max[0], box.Min[1], box.Max[1]})
	return err
}

// fits refuses geometries of another type than the layer's, and leaves out
// heights where the layer has none.
func (w *Writer) fits(t *output, r *vector.Record) error {
	if typ := r.Geometry.GeoJSONType(); t.typ != "GEOMETRY" && typ != t.layer.Geometry {
		return fmt.Errorf("it is a %s in a layer of %s", typ, t.layer.Geometry)
	}
	if r.Geometry.Z != nil && !t.layer.Z {
		w.ledger.Add(r.Number, "the heights: the layer has none")
		r.Geometry.Z = nil
	}
	return nil
}

// LastID returns the key of the record written last, for Relate.
func (w *Writer) LastID() int64 {
	if w.now != nil {
		return w.now.last
	}
	return 0
}

// Close finishes the file.
func (w *Writer) Close() error {
	err := w.finish()
	for _, l := range w.links {
		err = errors.Join(err, l.Close())
	}
	for _, t := range w.tables {
		err = errors.Join(err, t.insert.Close())
		if t.index != nil {
			err = errors.Join(err, t.index.Close())
		}
	}
	if err == nil {
		err = w.exec("COMMIT")
	}
	err = errors.Join(err, w.conn.Close())
	if err == nil {
		err = w.copy()
	}
	return wrap(errors.Join(err, os.Remove(w.path)))
}

func wrap(err error) error {
	if err != nil {
		return fmt.Errorf("write GeoPackage: %w", err)
	}
	return nil
}

func (w *Writer) copy() error {
	f, err := os.Open(w.path)
	if err != nil {
		return err
	}
	_, err = io.Copy(w.out, f)
	return errors.Join(err, f.Close())
}

// finish writes what is known only now: extents, triggers and styles.
func (w *Writer) finish() error {
	for _, t := range w.tables {
		if t.geometry == "" {
			continue
		}
		if b := t.extent; b != nil {
			err := w.exec(`UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? WHERE table_name = ?`, b.Min[0], b.Min[1], b.Max[0], b.Max[1], t.name)
			if err != nil {
				return err
			}
		}
		tree := strings.ReplaceAll(t.tree(), `"`, `""`)
		if err := w.exec(fmt.Sprintf(rtreeTriggers, quote(t.name), quote(t.geometry), quote(t.key), tree)); err != nil {
			return err
		}
	}
	return w.writeStyles()
}

// Losses returns what GeoPackage could not carry.
func (w *Writer) Losses() []vector.Loss { return w.ledger.Losses() }
