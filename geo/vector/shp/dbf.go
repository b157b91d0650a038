package shp

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/text/encoding"

	"holdfast/geo/vector"
)

// table is a dBase table.
type table struct {
	r       *window
	header  int64
	record  int
	rows    int
	columns []column
	charset encoding.Encoding // nil: UTF-8, or Windows-1252 where it is none
	notes   []string
}

type column struct {
	name     string
	kind     byte // C, N, F, D, L …
	from, to int  // bytes in the record
	decimals int
}

const (
	dbfHeader  = 32 // bytes of the header before the fields, and of each field
	endOfField = 0x0d
	deleted    = '*'
)

// openTable reads the header.
func openTable(r *io.SectionReader) (*table, error) {
	var h [dbfHeader]byte
	if _, err := r.ReadAt(h[:], 0); err != nil {
		return nil, errors.New("the .dbf is shorter than its header")
	}
	t := &table{r: newWindow(r)}
	t.rows = int(binary.LittleEndian.Uint32(h[4:]))
	t.header = int64(binary.LittleEndian.Uint16(h[8:]))
	t.record = int(binary.LittleEndian.Uint16(h[10:]))
	if t.header < dbfHeader+1 || t.record < 1 || t.header > r.Size() {
		return nil, errors.New("the header of the .dbf makes no sense")
	}
	fields := make([]byte, t.header-dbfHeader)
	if _, err := r.ReadAt(fields, dbfHeader); err != nil {
		return nil, fmt.Errorf("read .dbf: %w", err)
	}
	at := 1 // behind the mark of deletion
	for len(fields) >= dbfHeader && fields[0] != endOfField {
		f := fields[:dbfHeader]
		fields = fields[dbfHeader:]
		c := column{name: string(bytes.TrimRight(before(f[:11], 0), " ")), kind: f[11], from: at, to: at + int(f[16]), decimals: int(f[17])}
		if at = c.to; at > t.record {
			return nil, errors.New("the fields of the .dbf are longer than its records")
		}
		t.columns = append(t.columns, c)
	}
	if there := (r.Size() - t.header) / int64(t.record); there < int64(t.rows) {
		t.notes = append(t.notes, fmt.Sprintf("the .dbf ends after %d of %d records", there, t.rows))
		t.rows = int(there)
	}
	t.charset, t.notes = languageDriver(h[29], t.notes)
	return t, nil
}

func before(b []byte, end byte) []byte {
	b, _, _ = bytes.Cut(b, []byte{end})
	return b
}

// nameColumns decodes the names and makes them unique.
func (t *table) nameColumns() {
	var names vector.Names
	for i := range t.columns {
		c := &t.columns[i]
		name, _ := t.decode(c.name)
		if name == "" {
			name = fmt.Sprintf("column_%d", i+1)
		}
		c.name = names.Unique(name)
	}
}

func (t *table) fields() []vector.Field {
	out := make([]vector.Field, len(t.columns))
	for i, c := range t.columns {
		out[i] = vector.Field{Name: c.name, Type: c.valueType(), Width: c.to - c.from}
	}
	return out
}

func (c column) valueType() vector.Type {
	switch c.kind {
	case 'N':
		if c.decimals == 0 && c.to-c.from < 19 {
			return vector.Integer
		}
		return vector.Real
	case 'F', 'O':
		return vector.Real
	case 'I':
		return vector.Integer
	case 'D':
		return vector.Day
	case 'L':
		return vector.Boolean
	}
	return vector.Text
}

// row reads the i-th row; ok is false for a deleted one.
func (t *table) row(i int) (props vector.Properties, notes []string, ok bool, err error) {
	b, err := t.r.bytes(t.header+int64(i)*int64(t.record), t.record)
	if err != nil {
		return nil, nil, false, fmt.Errorf("read row %d of the .dbf: %w", i+1, err)
	}
	if b[0] == deleted {
		return nil, nil, false, nil
	}
	props = make(vector.Properties, len(t.columns))
	fixed := false
	for j, c := range t.columns {
		v, note := t.value(c, b[c.from:c.to])
		if note == vector.FixedText {
			fixed = true
		} else if note != "" {
			notes = append(notes, c.name+": "+note)
		}
		props[j] = vector.Property{Name: c.name, Value: v}
	}
	if fixed {
		notes = append(notes, vector.FixedText)
	}
	return props, notes, true, nil
}

// value reads one value; nil where nothing is recorded.
func (t *table) value(c column, b []byte) (v any, note string) {
	switch c.kind {
	case 'I':
		if len(b) == 4 {
			return int64(int32(binary.LittleEndian.Uint32(b))), ""
		}
	case 'O':
		if len(b) == 8 {
			if f := math.Float64frombits(binary.LittleEndian.Uint64(b)); f-f == 0 {
				return f, ""
			}
			return nil, ""
		}
	case 'M', 'G', 'P':
		if len(bytes.Trim(b, " 0\x00")) == 0 {
			return nil, ""
		}
		return nil, "memo fields are not read"
	}
	text := string(bytes.TrimRight(b, " \x00"))
	trimmed := strings.TrimSpace(text)
	if trimmed == "" {
		return nil, ""
	}
	switch c.kind {
	case 'N', 'F':
		return number(c, trimmed)
	case 'D':
		return date(trimmed)
	case 'L':
		return logical(trimmed)
	}
	s, was := t.decode(text)
	if was {
		note = vector.FixedText
	}
	return s, note
}

// number reads a number; asterisks fill the fields of numbers that did not fit.
func number(c column, s string) (any, string) {
	if strings.Trim(s, "*") == "" {
		return nil, ""
	}
	if c.decimals == 0 && c.kind == 'N' {
		if n, err := strconv.ParseInt(s, 10, 64); err == nil {
			return n, ""
		}
	}
	if f, ok := vector.Number(s); ok {
		return f, ""
	}
	if f, ok := vector.Number(strings.Replace(s, ",", ".", 1)); ok {
		return f, "a decimal comma was read as a point"
	}
	return s, fmt.Sprintf("%q is not a number and was taken as text", vector.ShortText(s))
}

func date(s string) (any, string) {
	if strings.Trim(s, "0*") == "" {
		return nil, ""
	}
	t, err := time.Parse("20060102", s)
	if err != nil {
		if d, err := vector.ParseDate(s); err == nil {
			return d, ""
		}
		return s, fmt.Sprintf("%q is not a date and was taken as text", vector.ShortText(s))
	}
	return vector.DateOf(t), ""
}

func logical(s string) (any, string) {
	switch s {
	case "T", "t", "Y", "y", "1":
		return true, ""
	case "F", "f", "N", "n", "0":
		return false, ""
	case "?":
		return nil, ""
	}
	return nil, fmt.Sprintf("%q is neither true nor false and was left out", vector.ShortText(s))
}

// decode returns the text in UTF-8; was tells that it was not in the encoding
// it should have been in.
func (t *table) decode(s string) (text string, was bool) {
	if ascii(s) {
		return s, false
	}
	if t.charset == nil {
		return vector.FixText(s)
	}
	out, err := t.charset.NewDecoder().String(s)
	if err != nil || !utf8.ValidString(out) {
		return vector.FixText(s)
	}
	return out, false
}

func ascii(s string) bool {
	for i := range len(s) {
		if s[i] >= utf8.RuneSelf {
			return false
		}
	}
	return true
}
