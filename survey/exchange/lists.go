package exchange

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"

	"holdfast/geo/vector"
)

// List is a property that holds several things, such as the pull tests of a
// point, as a table of its own for formats that relate tables.
type List struct {
	Property string // dotted, as in ground.tests
	Fields   []vector.Field
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
			out = append(out, List{prefix + key, rowFields(of.Elem())})
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
	var members []json.RawMessage
	if err := json.Unmarshal(raw, &members); err != nil {
		return nil, fmt.Errorf("read %s: %w", l.Property, err)
	}
	rows := make([]vector.Properties, len(members))
	for i, m := range members {
		row, err := flat(map[string]json.RawMessage{plainField: m})
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", l.Property, err)
		}
		for _, f := range l.Fields {
			if v, has := row[plainField+"."+f.Name]; has {
				rows[i] = append(rows[i], vector.Property{Name: f.Name, Value: typedValue(v)})
			} else if v, has := row[f.Name]; has {
				rows[i] = append(rows[i], vector.Property{Name: f.Name, Value: typedValue(v)})
			}
		}
	}
	return rows, nil
}

// Table is the name of the list's table beside that of its collection.
func (l List) Table(collection string) string {
	return collection + "_" + strings.ReplaceAll(l.Property, ".", "_")
}
