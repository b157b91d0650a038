package exchange

import (
	"encoding/json"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/survey"
)

// schema is the flattened form of a site's or point's properties. It is read
// off the types, so a new property is a new column.
type schema struct {
	root    reflect.Type
	columns []column // in the order of the contract
}

type column struct {
	name string // parts with dots between
	kind cellKind
}

// cellKind says how the text of a cell becomes JSON.
type cellKind int

const (
	textCell   cellKind = iota
	numberCell          // a decimal number
	eitherCell          // a number if it is one, text otherwise: a reading
	listCell            // a JSON list, or one text
)

var (
	siteSchema  = newSchema(reflect.TypeFor[survey.Site]())
	pointSchema = newSchema(reflect.TypeFor[survey.Point]())
)

func newSchema(t reflect.Type) *schema {
	s := &schema{root: t}
	s.collect("", t)
	return s
}

func (s *schema) collect(prefix string, t reflect.Type) {
	for i := range t.NumField() {
		key := jsonKey(t.Field(i))
		if key == "" {
			continue
		}
		kind, leaf := kindOf(t.Field(i).Type)
		if leaf {
			s.columns = append(s.columns, column{name: prefix + key, kind: kind})
		} else {
			s.collect(prefix+key+".", t.Field(i).Type)
		}
	}
}

func jsonKey(f reflect.StructField) string {
	name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
	if name == "-" {
		return ""
	}
	return name
}

// kindOf tells the kind of a property; leaf is false for an object.
func kindOf(t reflect.Type) (kind cellKind, leaf bool) {
	if get, ok := t.MethodByName("Get"); ok && get.Type.NumOut() == 2 { // survey.Opt
		t = get.Type.Out(0)
	}
	switch {
	case t == reflect.TypeFor[survey.Reading]():
		return eitherCell, true
	case t == reflect.TypeFor[time.Time]():
		return textCell, true
	case t.Kind() == reflect.Float64:
		return numberCell, true
	case t.Kind() == reflect.Slice:
		return listCell, true
	case t.Kind() == reflect.Struct:
		return 0, false
	}
	return textCell, true
}

// find resolves a column name, also one that reaches into a list, such as
// anchors.0.kind.
func (s *schema) find(name string) (column, bool) {
	t := s.root
	for part := range strings.SplitSeq(name, ".") {
		switch t.Kind() {
		case reflect.Slice:
			if n, err := strconv.Atoi(part); err != nil || n < 0 || n > 99 || strconv.Itoa(n) != part {
				return column{}, false
			}
			t = t.Elem()
		case reflect.Struct:
			f, ok := fieldOf(t, part)
			if !ok {
				return column{}, false
			}
			t = f
		default:
			return column{}, false
		}
	}
	kind, leaf := kindOf(t)
	return column{name: name, kind: kind}, leaf
}

func fieldOf(t reflect.Type, key string) (reflect.Type, bool) {
	for i := range t.NumField() {
		if jsonKey(t.Field(i)) == key {
			return t.Field(i).Type, true
		}
	}
	return nil, false
}

// unknown says that there is no such property as a column is called after,
// counted from 0.
func (s *schema) unknown(i int, header string) string {
	return fmt.Sprintf("column %d %q is not known%s", i+1, header, s.hint(strings.ReplaceAll(header, "/", ".")))
}

// hint asks whether another property was meant, if there is one like it.
func (s *schema) hint(name string) string {
	switch near := s.suggest(name); len(near) {
	case 0:
		return ""
	case 1:
		return ": did you mean " + near[0] + "?"
	default:
		return ": did you mean one of " + strings.Join(near, ", ") + "?"
	}
}

// suggest names the columns that a misspelt one may mean: those that end in
// the same word, with or without a unit.
func (s *schema) suggest(name string) []string {
	last := func(n string) string { return n[strings.LastIndexByte(n, '.')+1:] }
	var out []string
	for _, c := range append(slices.Clone(s.columns), column{name: "lon"}, column{name: "lat"}, column{name: "elevation_m"}) {
		word := last(c.name)
		if word == last(name) || strings.HasPrefix(word, last(name)+"_") {
			out = append(out, c.name)
		}
	}
	return out
}

var (
	plainNumber = regexp.MustCompile(`^[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?$`)
	commaNumber = regexp.MustCompile(`^[+-]?([0-9]+(,[0-9]*)?|,[0-9]+)([eE][+-]?[0-9]+)?$`)
)

// number reads a decimal number as it stands in a cell.
func number(cell string, decimalComma bool) (float64, bool) {
	if decimalComma && commaNumber.MatchString(cell) {
		cell = strings.Replace(cell, ",", ".", 1)
	}
	if !plainNumber.MatchString(cell) {
		return 0, false
	}
	v, err := strconv.ParseFloat(cell, 64)
	return v, err == nil
}

// value turns a cell into a JSON value; why is not "" when it cannot be.
func (k cellKind) value(cell string, decimalComma bool) (v any, why string) {
	switch k {
	case numberCell, eitherCell:
		if v, ok := number(cell, decimalComma); ok {
			return v, ""
		}
		if k == numberCell {
			return nil, notNumber(cell, decimalComma)
		}
	case listCell:
		if strings.HasPrefix(cell, "[") || strings.HasPrefix(cell, "{") {
			if !json.Valid([]byte(cell)) {
				return nil, "is not a JSON list"
			}
			return json.RawMessage(cell), ""
		}
		return []string{cell}, ""
	}
	return cell, ""
}

func notNumber(cell string, decimalComma bool) string {
	shown := strconv.Quote(cell)
	if len([]rune(cell)) > 40 {
		shown = strconv.Quote(string([]rune(cell)[:40])) + "…"
	}
	switch {
	case !decimalComma && commaNumber.MatchString(cell):
		return shown + " has a decimal comma: write a decimal point, or separate the columns by semicolons"
	case strings.ContainsAny(cell, "°º'\"’”NSEWnsew") && strings.ContainsAny(cell, "0123456789"):
		return shown + " is not a number: decimal degrees such as -91.20456 are read here"
	}
	return shown + " is not a number"
}
