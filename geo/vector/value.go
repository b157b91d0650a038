package vector

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/go-json-experiment/json/jsontext"
)

// Type is the type of a field's values.
type Type string

const (
	Unknown  Type = ""          // not declared, or values of several types
	Text     Type = "text"      // string
	Integer  Type = "integer"   // int64
	Real     Type = "real"      // float64
	Boolean  Type = "boolean"   // bool
	Day      Type = "date"      // Date
	DateTime Type = "date-time" // time.Time
	Binary   Type = "binary"    // []byte
	JSON     Type = "json"      // json.RawMessage: a list or an object
)

// Properties are names with values in the order of the file. A value is nil,
// bool, int64, float64, string, Date, time.Time, []byte, or json.RawMessage for
// a list or an object. Names are unique.
type Properties []Property

// Property is one name with its value.
type Property struct {
	Name  string
	Value any
}

// Get returns the value of a name, and whether the name is there.
func (p Properties) Get(name string) (any, bool) {
	for i := range p {
		if p[i].Name == name {
			return p[i].Value, true
		}
	}
	return nil, false
}

// Set replaces the value of a name, or appends it.
func (p *Properties) Set(name string, value any) {
	for i := range *p {
		if (*p)[i].Name == name {
			(*p)[i].Value = value
			return
		}
	}
	*p = append(*p, Property{name, value})
}

// AppendJSON appends the properties as a JSON object.
func (p Properties) AppendJSON(dst []byte) []byte {
	dst = append(dst, '{')
	for i, v := range p {
		if i > 0 {
			dst = append(dst, ',')
		}
		dst = append(AppendQuoted(dst, v.Name), ':')
		dst = AppendJSON(dst, v.Value)
	}
	return append(dst, '}')
}

// Date is a day of the Gregorian calendar without time and zone.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DateOf returns the day of t in its own zone.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// ParseDate reads "2026-05-01".
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	return DateOf(t), err
}

// String writes the date as ISO 8601 does, "2026-05-01".
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day) }

// Time returns the midnight in UTC at which the day begins.
func (d Date) Time() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// TypeOf returns the type of a value; Unknown for nil.
func TypeOf(v any) Type {
	switch v.(type) {
	case bool:
		return Boolean
	case int64:
		return Integer
	case float64:
		return Real
	case string:
		return Text
	case Date:
		return Day
	case time.Time:
		return DateTime
	case []byte:
		return Binary
	case json.RawMessage:
		return JSON
	}
	return Unknown
}

// AppendJSON appends a value as JSON. Dates and times become text, binary
// values base64, numbers that are not finite null.
func AppendJSON(dst []byte, v any) []byte {
	switch v := v.(type) {
	case bool:
		return strconv.AppendBool(dst, v)
	case int64:
		return strconv.AppendInt(dst, v, 10)
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return append(dst, "null"...)
		}
		return AppendReal(dst, v)
	case string:
		return AppendQuoted(dst, v)
	case json.RawMessage:
		return append(dst, v...)
	case nil:
		return append(dst, "null"...)
	}
	return AppendQuoted(dst, AsText(v))
}

// AppendReal appends a finite number with the shortest digits that read back
// the same, and a decimal point or an exponent, so that it stays a real number.
func AppendReal(dst []byte, v float64) []byte {
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e21) {
		return strconv.AppendFloat(dst, v, 'e', -1, 64)
	}
	from := len(dst)
	dst = strconv.AppendFloat(dst, v, 'f', -1, 64)
	for _, c := range dst[from:] {
		if c == '.' {
			return dst
		}
	}
	return append(dst, ".0"...)
}

// AppendQuoted appends text as a JSON string. What is not UTF-8 becomes U+FFFD.
func AppendQuoted(dst []byte, s string) []byte {
	dst, _ = jsontext.AppendQuote(dst, s) // the only error is broken UTF-8, and that is replaced
	return dst
}

// AsText writes a value as text: numbers and truth values as JSON does, times
// as RFC 3339 does, dates as ISO 8601, binary values in base64, nil as "".
func AsText(v any) string {
	switch v := v.(type) {
	case string:
		return v
	case bool:
		return strconv.FormatBool(v)
	case int64:
		return strconv.FormatInt(v, 10)
	case float64:
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return strconv.FormatFloat(v, 'g', -1, 64)
		}
		return string(AppendReal(nil, v))
	case Date:
		return v.String()
	case time.Time:
		return v.Format(time.RFC3339Nano)
	case []byte:
		return base64.StdEncoding.EncodeToString(v)
	case json.RawMessage:
		return string(v)
	}
	return ""
}

// As carries a value to a type where nothing is lost by it: anything to Text,
// whole numbers to Real and back, dates to the midnight in UTC that begins
// them, text that reads as the type. It is false where that cannot be done. nil
// and the type Unknown take anything as it is.
func As(v any, t Type) (any, bool) {
	if v == nil || t == Unknown || TypeOf(v) == t {
		return v, true
	}
	switch t {
	case Text:
		return AsText(v), true
	case JSON:
		return json.RawMessage(AppendJSON(nil, v)), true
	case Real:
		if n, ok := v.(int64); ok && int64(float64(n)) == n && n != math.MaxInt64 {
			return float64(n), true
		}
	case Integer:
		if f, ok := v.(float64); ok && f == math.Trunc(f) && math.Abs(f) < 1<<63 {
			return int64(f), true
		}
	case DateTime:
		if d, ok := v.(Date); ok {
			return d.Time(), true
		}
	}
	if s, ok := v.(string); ok {
		return fromText(strings.TrimSpace(s), t)
	}
	return nil, false
}

func fromText(s string, t Type) (any, bool) {
	switch t {
	case Integer:
		n, err := strconv.ParseInt(s, 10, 64)
		return n, err == nil
	case Real:
		f, ok := Number(s)
		return f, ok
	case Boolean:
		switch strings.ToLower(s) {
		case "true", "1", "yes":
			return true, true
		case "false", "0", "no":
			return false, true
		}
	case Day:
		d, err := ParseDate(s)
		return d, err == nil
	case DateTime:
		if d, err := ParseDate(s); err == nil {
			return d.Time(), true
		}
		tm, err := time.Parse(time.RFC3339, s)
		return tm, err == nil
	}
	return nil, false
}

// Number reads a finite decimal number.
func Number(s string) (float64, bool) {
	if s == "" || len(s) > 400 || strings.Trim(s, "+-0123456789.eE") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}

// Guess reads text that stands for any value, as in a CSV cell: a whole or real
// number where it is written as JSON writes one (RFC 8259 §6, so that 007 and
// +1 stay text), else the text; nil for none.
func Guess(s string) any {
	if s == "" {
		return nil
	}
	if c := s[0]; c != '-' && (c < '0' || c > '9') {
		return s
	}
	digits := strings.TrimPrefix(s, "-")
	if digits == "" || digits[0] < '0' || digits[0] > '9' || len(digits) > 1 && digits[0] == '0' && digits[1] >= '0' && digits[1] <= '9' {
		return s
	}
	if n, err := strconv.ParseInt(s, 10, 64); err == nil {
		return n
	}
	if strings.Trim(digits, "0123456789") == "" || strings.HasSuffix(digits, ".") || strings.Contains(digits, ".e") || strings.Contains(digits, ".E") {
		return s // too long for a whole number, or no digit after the point
	}
	if v, ok := Number(s); ok {
		return v
	}
	return s
}

// ShortText returns the beginning of a text, for messages.
func ShortText(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	cut := most
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + "…"
}
