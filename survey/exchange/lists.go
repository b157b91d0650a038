package exchange

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"holdfast/geo/vector"
)

// List is a property that holds several things, such as the pull tests of a
// point, as a table of its own for formats that relate tables.
type List struct {
	Property string // dotted, as in ground.tests
	Fields   []vector.Field
	parts    *flattener
}

// SiteLists are the lists of sites.
func SiteLists() []List { return listsOf("", siteSchema.root) }

// PointLists are the lists of points.
func PointLists() []List { return listsOf("", pointSchema.root) }

func listsOf(prefix string, t reflect.Type) []List {
	var out []List
	for i := range t.NumField() {
		key, of := jsonKey(t.Field(i)), t.Field(i).Type
		if key == "" {
			continue
		}
		kind, leaf := kindOf(of)
		switch {
		case !leaf:
			out = append(out, listsOf(prefix+key+".", of)...)
		case kind == listCell:
			out = append(out, List{prefix + key, rowFields(of.Elem()), newFlattener()})
		}
	}
	return out
}

// plainField is the column of a list that holds plain values.
const plainField = "value"

// rowFields are the columns of a list's table. Times stay the text they are.
func rowFields(t reflect.Type) []vector.Field {
	if _, leaf := kindOf(t); leaf {
		return []vector.Field{{Name: plainField, Type: vector.Text}}
	}
	fields := fieldsOf("", t)
	for i, f := range fields {
		if f.Type == vector.DateTime {
			fields[i].Type = vector.Text
		}
	}
	return fields
}

// Rows returns the members of the list in a flattened record.
func (l List) Rows(r *vector.Record) ([]vector.Properties, error) {
	v, _ := r.Properties.Get(l.Property)
	raw, is := v.(json.RawMessage)
	if !is {
		return nil, nil
	}
	d := l.parts.read(raw)
	if d.PeekKind() != '[' {
		return nil, nil
	}
	if _, err := d.ReadToken(); err != nil {
		return nil, fmt.Errorf("read %s: %w", l.Property, err)
	}
	var rows []vector.Properties
	for d.PeekKind() != ']' {
		row, err := l.readMember(d)
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", l.Property, err)
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// readMember reads one thing of a list, an object by its members.
func (l List) readMember(d *jsontext.Decoder) (vector.Properties, error) {
	if d.PeekKind() == '{' {
		return l.parts.object(nil, d, "", true)
	}
	v, err := d.ReadValue()
	if err != nil {
		return nil, err
	}
	return vector.Properties{{Name: plainField, Value: typedValue(json.RawMessage(v))}}, nil
}

// Table is the name of the list's table beside that of its collection.
func (l List) Table(collection string) string {
	return collection + "_" + strings.ReplaceAll(l.Property, ".", "_")
}
