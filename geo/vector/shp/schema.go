package shp

import (
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"holdfast/geo/vector"
)

// Widths of dBase fields.
const (
	maxText   = 254
	maxName   = 10
	realWidth = 24 // holds every float64 in its shortest form with an exponent
	realPlace = 15
	intWidth  = 18 // beyond it programs read real numbers
	maxFields = 2046

	endOfFile = 0x1a
)

// schema is the dBase table of a layer.
type schema struct {
	id     string // the property that takes the IDs
	fields []output
	at     map[string]int // of a property in fields
	size   int            // bytes of a row
}

// output is one field.
type output struct {
	property string
	name     string
	kind     byte
	typ      vector.Type
	width    int
}

func newSchema(l vector.Layer, ledger *vector.Ledger) (*schema, error) {
	s := &schema{id: l.IDField, at: map[string]int{}, size: 1}
	used := map[string]bool{}
	fields := l.Fields
	if s.id != "" {
		fields = append([]vector.Field{{Name: s.id, Type: vector.Text}}, fields...)
	}
	if len(fields) == 0 { // a dBase table has at least one field
		fields = []vector.Field{{Name: "record", Type: vector.Integer}}
	}
	for _, f := range fields {
		o := output{property: f.Name, typ: f.Type}
		switch f.Type {
		case vector.Binary:
			ledger.Add(0, fmt.Sprintf("%s: binary values are left out", f.Name))
			continue
		case vector.DateTime, vector.JSON:
			ledger.Add(0, fmt.Sprintf("%s: values of type %s became text", f.Name, f.Type))
		}
		o.form(f.Width, ledger)
		o.name = shortName(f.Name, used)
		if o.name != f.Name {
			ledger.Add(0, fmt.Sprintf("%s: the field is called %s, for names have at most %d bytes", f.Name, o.name, maxName))
		}
		if _, twice := s.at[f.Name]; twice {
			return nil, fmt.Errorf("write Shapefile: two fields would be called %q", f.Name)
		}
		s.at[f.Name] = len(s.fields)
		s.fields = append(s.fields, o)
		s.size += o.width
	}
	if len(s.fields) > maxFields || s.size > math.MaxUint16 {
		return nil, fmt.Errorf("write Shapefile: %d fields of %d bytes are more than a row can hold; take fewer", len(s.fields), s.size)
	}
	return s, nil
}

// form settles the field's kind and width.
func (o *output) form(width int, ledger *vector.Ledger) {
	switch o.typ {
	case vector.Integer:
		if o.kind, o.width = 'N', width; width == 0 {
			o.width = intWidth
		}
		if o.width = min(o.width, 20); o.width > intWidth {
			ledger.Add(0, fmt.Sprintf("%s: whole numbers of more than %d digits, which programs may read rounded", o.property, intWidth))
		}
	case vector.Real:
		o.kind, o.width = 'N', realWidth
	case vector.Boolean:
		o.kind, o.width = 'L', 1
	case vector.Day:
		o.kind, o.width = 'D', 8
	default:
		o.kind, o.typ = 'C', vector.Text
		if o.width = min(width, maxText); width == 0 {
			o.width = maxText
		}
	}
}

// shortName cuts a name to what the format allows and keeps it unique,
// whatever the case.
func shortName(name string, used map[string]bool) string {
	short := cut(strings.Map(func(r rune) rune {
		if r < ' ' {
			return '_'
		}
		return r
	}, name), maxName)
	if short == "" {
		short = "field"
	}
	for n, stem := 1, short; used[strings.ToLower(short)]; n++ {
		suffix := "_" + strconv.Itoa(n)
		short = cut(stem, maxName-len(suffix)) + suffix
	}
	used[strings.ToLower(short)] = true
	return short
}

// cut shortens text to n bytes of whole characters.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}

// header is that of a table of n rows.
func (s *schema) header(n int) []byte {
	h := make([]byte, dbfHeader, dbfHeader*(len(s.fields)+1)+1)
	h[0] = 3                     // dBase III without memo
	h[1], h[2], h[3] = 126, 1, 1 // a fixed day, so that equal records make equal files
	binary.LittleEndian.PutUint32(h[4:], uint32(n))
	binary.LittleEndian.PutUint16(h[8:], uint16(cap(h)))
	binary.LittleEndian.PutUint16(h[10:], uint16(s.size))
	for _, f := range s.fields {
		d := make([]byte, dbfHeader)
		copy(d[:maxName], f.name)
		d[11], d[16] = f.kind, byte(f.width)
		if f.typ == vector.Real {
			d[17] = realPlace
		}
		h = append(h, d...)
	}
	return append(h, endOfField)
}

// row forms the row of a record.
func (s *schema) row(r vector.Record, ledger *vector.Ledger) []byte {
	b := append(make([]byte, 0, s.size), ' ')
	if s.id == "" && r.ID != "" {
		ledger.Add(r.Number, "the ID")
	}
	for _, p := range r.Properties {
		if _, has := s.at[p.Name]; !has && vector.TypeOf(p.Value) != vector.Binary {
			ledger.Add(r.Number, fmt.Sprintf("%s: it is not among the fields", vector.ShortText(p.Name)))
		}
	}
	for i, f := range s.fields {
		v, has := r.Properties.Get(f.property)
		switch {
		case i == 0 && s.id != "":
			if v = nil; r.ID != "" {
				v = r.ID
			}
		case len(s.fields) == 1 && !has && f.property == "record":
			v = int64(r.Number)
		}
		text, left := f.text(v)
		if len(text) > f.width {
			switch {
			case f.kind == 'C' && vector.TypeOf(v) == vector.JSON: // a piece of it would be no JSON
				text, left = "", fmt.Sprintf("is a list or an object of more than %d bytes and was left out", f.width)
			case f.kind == 'C':
				ledger.Add(r.Number, fmt.Sprintf("%s: text of more than %d bytes was cut", f.property, f.width))
				text = cut(text, f.width)
			default:
				text, left = "", "does not fit and was left out"
			}
		}
		if left != "" {
			ledger.Add(r.Number, fmt.Sprintf("%s: a value %s", f.property, left))
		}
		pad := strings.Repeat(" ", f.width-len(text))
		if f.kind == 'N' {
			b = append(append(b, pad...), text...)
		} else {
			b = append(append(b, text...), pad...)
		}
	}
	return b
}

// text writes a value; left says why it is left out.
func (f *output) text(v any) (text, left string) {
	if v == nil {
		return "", ""
	}
	value, ok := vector.As(v, f.typ)
	if !ok {
		return "", fmt.Sprintf("is no %s and was left out", f.typ)
	}
	switch v := value.(type) {
	case float64:
		if v-v != 0 {
			return "", "is not finite and was left out"
		}
		if s := strconv.FormatFloat(v, 'f', -1, 64); len(s) <= realWidth {
			return s, ""
		}
		return strconv.FormatFloat(v, 'e', -1, 64), ""
	case bool:
		if v {
			return "T", ""
		}
		return "F", ""
	case vector.Date:
		if v.Year < 0 || v.Year > 9999 {
			return "", "has a year beyond 0 to 9999 and was left out"
		}
		return v.Time().Format("20060102"), ""
	case time.Time:
		return v.Format(time.RFC3339Nano), ""
	case string:
		if strings.TrimRight(v, " \x00") == "" {
			return "", "is empty or blank text and reads back as no value"
		}
		return v, ""
	}
	return vector.AsText(value), ""
}
