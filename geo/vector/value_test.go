package vector_test

import (
	"encoding/json"
	"math"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo/vector"
)

// source: RFC 8259 §6 says what a JSON number is; all else is text.
func TestGuess(t *testing.T) {
	for text, want := range map[string]any{
		"": nil, "0": int64(0), "-7": int64(-7), "12": int64(12), "9223372036854775807": int64(math.MaxInt64),
		"9223372036854775808": "9223372036854775808", // more than 64 bits: kept with all its digits
		"1.5":                 1.5, "-0.25": -0.25, "1e3": 1000.0, "1E-3": 0.001, "2.0": 2.0,
		"007": "007", "+1": "+1", ".5": ".5", "1.": "1.", "-": "-", "--1": "--1", "1e400": "1e400", "1.e3": "1.e3",
		"0x10": "0x10", "NaN": "NaN", "inf": "inf", "1,5": "1,5", "1 2": "1 2", "12a": "12a", "1-2": "1-2", "2026-05-01": "2026-05-01",
	} {
		assert.Equal(t, want, vector.Guess(text), "%q", text)
	}
}

func TestGuessReadsBackWhatNumbersAreWrittenAs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64().Draw(t, "n")
		require.Equal(t, n, vector.Guess(vector.AsText(n)))
		f := rapid.Float64().Draw(t, "f")
		require.Equal(t, f, vector.Guess(vector.AsText(f)))
	})
}

// encoding/json is the outside judge of what is written as JSON.
func TestAppendJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, f := rapid.String().Draw(t, "s"), rapid.Float64().Draw(t, "f")
		n, b := rapid.Int64().Draw(t, "n"), rapid.Bool().Draw(t, "b")
		props := vector.Properties{{Name: s, Value: s}, {Name: "f", Value: f}, {Name: "n", Value: n}, {Name: "b", Value: b}, {Name: "nil"}, {Name: "j", Value: json.RawMessage(`[1]`)}}
		var got map[string]any
		require.NoError(t, json.Unmarshal(props.AppendJSON(nil), &got))
		if s != "f" && s != "n" && s != "b" && s != "nil" && s != "j" {
			require.Equal(t, s, got[s])
		}
		require.Equal(t, f, got["f"])
		require.Equal(t, float64(n), got["n"])
		require.Equal(t, b, got["b"])
		require.Nil(t, got["nil"])
		require.Equal(t, []any{1.0}, got["j"])
	})
	assert.Equal(t, "null", string(vector.AppendJSON(nil, math.NaN())))
	assert.Equal(t, "12.0", string(vector.AppendJSON(nil, 12.0)), "a real number stays one")
	assert.Equal(t, "1e+21", string(vector.AppendJSON(nil, 1e21)))
	assert.Equal(t, `"a�"`, string(vector.AppendJSON(nil, "a\xff")))
}

func TestAs(t *testing.T) {
	day := vector.Date{Year: 2026, Month: 5, Day: 1}
	noon := time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		v    any
		to   vector.Type
		want any // nil: it cannot be
	}{
		{int64(5), vector.Real, 5.0},
		{int64(1<<53 + 1), vector.Real, nil}, // float64 has 53 bits
		{int64(math.MaxInt64), vector.Real, nil},
		{5.0, vector.Integer, int64(5)},
		{5.5, vector.Integer, nil},
		{1e19, vector.Integer, nil},
		{math.NaN(), vector.Integer, nil},
		{" 5 ", vector.Integer, int64(5)},
		{"5.5", vector.Real, 5.5},
		{"five", vector.Real, nil},
		{"Yes", vector.Boolean, true},
		{"0", vector.Boolean, false},
		{"maybe", vector.Boolean, nil},
		{"2026-05-01", vector.Day, day},
		{"1.5.2026", vector.Day, nil},
		{day, vector.DateTime, day.Time()},
		{"2026-05-01T12:00:00Z", vector.DateTime, noon},
		{"2026-05-01", vector.DateTime, day.Time()},
		{noon, vector.Text, "2026-05-01T12:00:00Z"},
		{day, vector.Text, "2026-05-01"},
		{true, vector.Text, "true"},
		{[]byte{0, 255}, vector.Text, "AP8="},
		{json.RawMessage(`{"a":1}`), vector.Text, `{"a":1}`},
		{"a", vector.JSON, json.RawMessage(`"a"`)},
		{true, vector.Real, nil},
		{noon, vector.Day, nil},
		{"a", vector.Unknown, "a"},
	} {
		got, ok := vector.As(c.v, c.to)
		assert.Equal(t, c.want != nil, ok, "%v to %s", c.v, c.to)
		if ok {
			assert.Equal(t, c.want, got, "%v to %s", c.v, c.to)
		}
	}
	got, ok := vector.As(nil, vector.Real)
	assert.True(t, ok)
	assert.Nil(t, got)
}

func TestNumber(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64().Draw(t, "f")
		got, ok := vector.Number(strconv.FormatFloat(f, 'g', -1, 64))
		require.True(t, ok)
		require.Equal(t, f, got)
	})
	for _, s := range []string{"", "nan", "Inf", "0x1p3", "1_000", "1e999", "1 ", "½"} {
		_, ok := vector.Number(s)
		assert.False(t, ok, "%q", s)
	}
}

func TestProperties(t *testing.T) {
	p := vector.Properties{{Name: "b", Value: int64(1)}, {Name: "a"}}
	p.Set("a", "x")
	p.Set("c", true)
	assert.Equal(t, `{"b":1,"a":"x","c":true}`, string(p.AppendJSON(nil)), "in their order")
	_, has := p.Get("d")
	assert.False(t, has)
}

func TestNames(t *testing.T) {
	var n vector.Names
	var got []string
	for _, s := range []string{"a", "a", "A", "a_2", "a", "a_2"} {
		got = append(got, n.Unique(s))
	}
	assert.Equal(t, []string{"a", "a_2", "A", "a_2_2", "a_3", "a_2_3"}, got)
	folded := vector.Names{Fold: true}
	assert.Equal(t, []string{"a", "A_2"}, []string{folded.Unique("a"), folded.Unique("A")})
	rapid.Check(t, func(t *rapid.T) {
		n := vector.Names{Fold: rapid.Bool().Draw(t, "fold")}
		seen := map[string]bool{}
		for _, s := range rapid.SliceOf(rapid.StringMatching(`[aAb](_[0-9])?`)).Draw(t, "names") {
			u := n.Unique(s)
			require.False(t, seen[u])
			seen[u] = true
		}
	})
}

func TestLedger(t *testing.T) {
	var l vector.Ledger
	l.Add(0, "the system")
	l.Add(3, "a")
	l.Add(3, "a")
	l.Add(4, "a")
	l.Add(9, "b")
	var got []string
	for _, x := range l.Losses() {
		got = append(got, x.String())
	}
	assert.Equal(t, []string{"the system", "a (2 records, the first is 3)", "b (record 9)"}, got)
	for i := range 10_000 {
		l.Add(1, strconv.Itoa(i))
	}
	assert.Less(t, len(l.Losses()), 1000)
}

func TestCharset(t *testing.T) {
	for name, c := range map[string]struct{ bytes, text string }{
		"windows-1250": {"\xf8", "ř"}, "CP1250": {"\xf8", "ř"}, "1250": {"\xf8", "ř"}, "ISO-8859-2": {"\xf8", "ř"}, "88592": {"\xf8", "ř"}, "ISO 8859-2": {"\xf8", "ř"},
		"ANSI 1252": {"\x80", "€"}, "OEM 437": {"\x81", "ü"}, "CP852": {"\xfd", "ř"}, "UTF-8": {"ř", "ř"}, "65001": {"ř", "ř"}, "Shift_JIS": {"\x8a\xbf", "漢"},
	} { // source: the code charts of Unicode's MAPPINGS (CP1250, 8859-2, CP1252, CP437, CP852, SHIFTJIS)
		e, ok := vector.Charset(name)
		require.True(t, ok, name)
		got, err := e.NewDecoder().String(c.bytes)
		require.NoError(t, err)
		assert.Equal(t, c.text, got, name)
	}
	for _, name := range []string{"", "klingon", "99999", "8859"} {
		_, ok := vector.Charset(name)
		assert.False(t, ok, name)
	}
}
