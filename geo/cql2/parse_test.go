package cql2_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/cql2"
)

// TestPublishedPairs reads filters that the standard publishes in both
// encodings. Sources: OGC 21-065r2, schema/examples (number given) and the
// examples of its clauses 6 and 7.
func TestPublishedPairs(t *testing.T) {
	for name, pair := range map[string][2]string{
		"example 05b": {
			`eo:cloud_cover IN (0.1,0.2)`,
			`{"op":"in","args":[{"property":"eo:cloud_cover"},[0.1,0.2]]}`,
		},
		"example 06b": {
			"    eo:cloud_cover >= 0.1\nAND eo:cloud_cover <= 0.2\nAND landsat:wrs_row=28\nAND landsat:wrs_path=203\n",
			`{"op":"and","args":[{"op":">=","args":[{"property":"eo:cloud_cover"},0.1]},{"op":"<=","args":[{"property":"eo:cloud_cover"},0.2]},
			{"op":"=","args":[{"property":"landsat:wrs_row"},28]},{"op":"=","args":[{"property":"landsat:wrs_path"},203]}]}`,
		},
		"example 12": {`owner LIKE 'Mike%'`, `{"op":"like","args":[{"property":"owner"},"Mike%"]}`},
		"example 20": {`T_BEFORE(built, DATE('2015-01-01'))`, `{"op":"t_before","args":[{"property":"built"},{"date":"2015-01-01"}]}`},
		"example 44": {`"value" IS NULL OR "value" BETWEEN 10 AND 20`, `{"op":"or","args":[{"op":"isNull","args":[{"property":"value"}]},{"op":"between","args":[{"property":"value"},10,20]}]}`},
		"example 46": {
			"S_EQUALS(\n    POLYGON (\n        (-0.333333 89.0, -102.723546 -0.5, -179.0 -89.0, -1.9 89.0, -0.0 89.0, 2.00001 -1.9, -0.333333 89.0)\n    ),\n    \"geometry\"\n)\n",
			`{"op":"s_equals","args":[{"type":"Polygon","coordinates":[[[-0.333333,89.0],[-102.723546,-0.5],[-179.0,-89.0],[-1.9,89.0],[-0.0,89.0],[2.00001,-1.9],[-0.333333,89.0]]]},{"property":"geometry"}]}`,
		},
		"example 49": { // with heights, which are left out
			`S_WITHIN(POLYGON ((-49.88024 0.5 -75993.341684, -1.5 -0.99999 -100000.0, 0.0 0.5 -0.333333, -49.88024 0.5 -75993.341684)), "geometry")`,
			`{"op":"s_within","args":[{"type":"Polygon","coordinates":[[[-49.88024,0.5,-75993.341684],[-1.5,-0.99999,-100000.0],[0.0,0.5,-0.333333],[-49.88024,0.5,-75993.341684]]]},{"property":"geometry"}]}`,
		},
		"example 55": {
			`T_CONTAINS(INTERVAL('2000-01-01T00:00:00Z', '2005-01-10T01:01:01.393216Z'), INTERVAL(starts_at, ends_at))`,
			`{"op":"t_contains","args":[{"interval":["2000-01-01T00:00:00Z","2005-01-10T01:01:01.393216Z"]},{"interval":[{"property":"starts_at"},{"property":"ends_at"}]}]}`,
		},
		"example 67": {
			`T_STARTS(INTERVAL(starts_at, ends_at), INTERVAL('1991-10-07T08:21:06.393262Z', '..'))`,
			`{"op":"t_starts","args":[{"interval":[{"property":"starts_at"},{"property":"ends_at"}]},{"interval":["1991-10-07T08:21:06.393262Z",".."]}]}`,
		},
		"example 71":   {`CASEI("owner") = CASEI('somebody else')`, `{"op":"=","args":[{"op":"casei","args":[{"property":"owner"}]},{"op":"casei","args":["somebody else"]}]}`},
		"example 72":   {`"value" > ("foo" + 10)`, `{"op":">","args":[{"property":"value"},{"op":"+","args":[{"property":"foo"},10]}]}`},
		"example 77":   {`0 = ("foo" % 2)`, `{"op":"=","args":[0,{"op":"%","args":[{"property":"foo"},2]}]}`},
		"clause 6.4":   {`balance-150.0 > 0`, `{"op":">","args":[{"op":"-","args":[{"property":"balance"},150.0]},0]}`},
		"example 8.7":  {`geometry IS NOT NULL`, `{"op":"not","args":[{"op":"isNull","args":[{"property":"geometry"}]}]}`},
		"example 7.3":  {`category NOT IN (1,2,3,4)`, `{"op":"not","args":[{"op":"in","args":[{"property":"category"},[1,2,3,4]]}]}`},
		"example 7.5":  {`S_INTERSECTS(geometry,POINT(36.319836 32.288087))`, `{"op":"s_intersects","args":[{"property":"geometry"},{"type":"Point","coordinates":[36.319836,32.288087]}]}`},
		"clause 7 box": {`S_INTERSECTS(geometry,BBOX(160.6,-55.95,-170,-25.89))`, `{"op":"s_intersects","args":[{"property":"geometry"},{"bbox":[160.6,-55.95,-170,-25.89]}]}`},
		"example 7.10": {`A_CONTAINS(layer:ids, ('layers-ca','layers-us'))`, `{"op":"a_contains","args":[{"property":"layer:ids"},["layers-ca","layers-us"]]}`},
		"array":        {`A_EQUALS(a, ( DATE('1969-07-16'), 'a', true, 1, (1, 2), (3) ))`, `{"op":"a_equals","args":[{"property":"a"},[{"date":"1969-07-16"},"a",true,1,[1,2],[3]]]}`},
	} {
		t.Run(name, func(t *testing.T) {
			text, err := cql2.ParseText(pair[0])
			require.NoError(t, err)
			doc, err := cql2.ParseJSON([]byte(pair[1]))
			require.NoError(t, err)
			assert.JSONEq(t, document(t, doc), document(t, text))
			assert.Equal(t, cql2.Text(doc), cql2.Text(text))
		})
	}
}

// TestGrouping gives the CQL2 JSON that the grammar of OGC 21-065r2 Annex B
// demands for text whose parts could be grouped in several ways.
func TestGrouping(t *testing.T) {
	for text, want := range map[string]string{
		`a=1 OR b=2 AND NOT c=3`:         `{"op":"or","args":[{"op":"=","args":[{"property":"a"},1]},{"op":"and","args":[{"op":"=","args":[{"property":"b"},2]},{"op":"not","args":[{"op":"=","args":[{"property":"c"},3]}]}]}]}`,
		`(a=1 OR b=2) AND TRUE`:          `{"op":"and","args":[{"op":"or","args":[{"op":"=","args":[{"property":"a"},1]},{"op":"=","args":[{"property":"b"},2]}]},true]}`,
		`a-1-2 = b`:                      `{"op":"=","args":[{"op":"-","args":[{"op":"-","args":[{"property":"a"},1]},2]},{"property":"b"}]}`,
		`a-(1-2) = b`:                    `{"op":"=","args":[{"op":"-","args":[{"property":"a"},{"op":"-","args":[1,2]}]},{"property":"b"}]}`,
		`1+2*a^2 div 3 = b`:              `{"op":"=","args":[{"op":"+","args":[1,{"op":"div","args":[{"op":"*","args":[2,{"op":"^","args":[{"property":"a"},2]}]},3]}]},{"property":"b"}]}`,
		`-2^2 = a`:                       `{"op":"=","args":[{"op":"^","args":[-2,2]},{"property":"a"}]}`,
		`-a = +1`:                        `{"op":"=","args":[{"op":"*","args":[-1,{"property":"a"}]},1]}`,
		`a NOT BETWEEN 1 AND 2 AND TRUE`: `{"op":"and","args":[{"op":"not","args":[{"op":"between","args":[{"property":"a"},1,2]}]},true]}`,
		`A_OVERLAPS(a, ((1+2)*3, (1), (a=1) AND TRUE))`: `{"op":"a_overlaps","args":[{"property":"a"},[{"op":"*","args":[{"op":"+","args":[1,2]},3]},[1],{"op":"and","args":[{"op":"=","args":[{"property":"a"},1]},true]}]]}`,
		// requirement /req/cql2-text/escaping
		`a = 'it''s \'so\' \a\b\t\n\v\f\r\\ 50\%'`:   `{"op":"=","args":[{"property":"a"},"it's 'so' \u0007\b\t\n\u000b\f\r\\ 50\\%"]}`,
		`"a ""b"" c" = 1 AND :x.y_2 = .5e1`:          `{"op":"and","args":[{"op":"=","args":[{"property":"a \"b\" c"},1]},{"op":"=","args":[{"property":":x.y_2"},5]}]}`,
		`date = DATE('2024-02-29')`:                  `{"op":"=","args":[{"property":"date"},{"date":"2024-02-29"}]}`,
		`S_WITHIN(g, MULTIPOINT Z ((1 2 3), 4 5 6))`: `{"op":"s_within","args":[{"property":"g"},{"type":"MultiPoint","coordinates":[[1,2],[4,5]]}]}`,
	} {
		e, err := cql2.ParseText(text)
		require.NoError(t, err, text)
		assert.JSONEq(t, want, document(t, e), text)
	}
}

func TestTextErrors(t *testing.T) {
	deep := strings.Repeat("NOT (", 200) + "a = 1" + strings.Repeat(")", 200)
	for src, want := range map[string]struct {
		character int
		says      string
	}{
		``:                                 {1, "expected a property, a value or a predicate, found the end"},
		`a = `:                             {5, "found the end"},
		`a = 1 b`:                          {7, `expected an operator or the end, found "b"`},
		`é = 'x`:                           {5, "no closing quote '"},
		`"a = 1`:                           {1, `no closing quote "`},
		`(a = 1`:                           {1, `this "(" is never closed`},
		`a = 1)`:                           {6, `this ")" closes nothing`},
		`a ! 1`:                            {3, "found '!'"},
		`a NOT = 1`:                        {7, "expected LIKE, BETWEEN or IN after NOT"},
		`a IS 1`:                           {6, `expected "NULL"`},
		`a BETWEEN 1 OR 2`:                 {13, `expected "AND", found "OR"`},
		`a IN ()`:                          {6, "at least one value"},
		`a IN (1 2)`:                       {9, `expected "," or ")", found the number 2`},
		`a = 1x`:                           {5, "a name that starts with a digit needs double quotes"},
		`a = 1e999`:                        {5, "not a number that can be used"},
		`2^3^4 = a`:                        {4, `"^" does not chain`},
		`Buffer(g, 1) IS NULL`:             {1, `expected one of ACCENTI, A_CONTAINEDBY,`},
		`S_WITHIN(g)`:                      {1, "S_WITHIN takes 2 argument(s), found 1"},
		`a = DATE('2023-02-29')`:           {10, "expected a date as '2006-01-02'"},
		`a = DATE('2023-02-28T00:00:00Z')`: {10, "expected a date"},
		`a = TIMESTAMP('2023-02-28')`:      {15, "expected a time in UTC as '2006-01-02T15:04:05Z'"},
		`a = TIMESTAMP('2023-02-28T00:00:00+01:00')`:                      {15, "expected a time in UTC"},
		`T_AFTER(a, INTERVAL('x', '..'))`:                                 {21, "expected a date, a time in UTC, '..' or a property"},
		`S_WITHIN(g, BBOX(1,2,3))`:                                        {13, "expected 4 or 6 numbers in a bounding box, found 3"},
		`S_WITHIN(g, BBOX(0,5,1,4))`:                                      {13, "the southern edge of the bounding box before the northern, found 5 and 4"},
		`S_WITHIN(g, POINT(1))`:                                           {20, "expected a number"},
		`S_WITHIN(g, POLYGON(1 2))`:                                       {21, `expected "(", found the number 1`},
		`S_WITHIN(g, GEOMETRYCOLLECTION(GEOMETRYCOLLECTION(POINT(1 2))))`: {32, "expected POINT, LINESTRING, POLYGON"},
		"a = '\x00'":                          {6, "U+0000"},
		"a = '\xff'":                          {0, "not UTF-8"},
		deep:                                  {0, "nested deeper than 64"},
		strings.Repeat("x", cql2.MaxLength+1): {0, "longer than 262144 bytes"},
		"a IN (1" + strings.Repeat(",1", cql2.MaxNodes) + ")": {0, "more than 10000 parts"},
		"a = 1" + strings.Repeat("+1", 100):                   {0, "nested deeper than 64"},
		"a = " + strings.Repeat("-", 1000) + "1":              {0, "nested deeper than 64"},
	} {
		_, err := cql2.ParseText(src)
		name := src[:min(len(src), 70)]
		bad := new(cql2.Error)
		require.ErrorAs(t, err, &bad, name)
		assert.Contains(t, bad.Error(), want.says, name)
		if want.character > 0 {
			assert.Equal(t, want.character, bad.Character, "%s: %s", name, err)
		}
	}
}

func TestJSONErrors(t *testing.T) {
	for src, want := range map[string]struct{ pointer, says string }{
		`{"op":"and","args":[true]}`:                                                         {"", "AND takes 2 or more argument(s), found 1"},
		`{"op":"and","args":[true,{"op":"=","args":[1,null]}]}`:                              {"/args/1/args/1", "expected an expression, found null"},
		`{"op":"foo","args":[]}`:                                                             {"/op", `expected one of %, *, +, -, /, <, <=`},
		`{"op":"T_AFTER","args":[]}`:                                                         {"/op", `found "T_AFTER"`},
		`{"op":"="}`:                                                                         {"/args", "expected an array of arguments"},
		`{"op":7}`:                                                                           {"/op", "expected the name of an operator, found 7"},
		`{"op":"=","args":[{"property":5},1]}`:                                               {"/args/0/property", "expected the name of a property"},
		`{"op":"=","args":[{"foo":5},1]}`:                                                    {"/args/0", `expected an object with "op", "property"`},
		`{"op":"=","args":[{"date":"2022-04-16T00:00:00Z"},1]}`:                              {"/args/0/date", "expected a date"},
		`{"op":"=","args":[[1],1]}`:                                                          {"/args/0", "expected an expression, found [1]"},
		`{"op":"in","args":[{"property":"a"},1]}`:                                            {"/args/1", "expected an array of values"},
		`{"op":"in","args":[{"property":"a"},[1,[2]]]}`:                                      {"/args/1/1", "expected a single value"},
		`{"op":"t_after","args":[{"property":"a"},{"interval":[1]}]}`:                        {"/args/1/interval", "the two ends"},
		`{"op":"t_after","args":[{"property":"a"},{"interval":["..","x"]}]}`:                 {"/args/1/interval/1", `expected a date, a time in UTC, ".." or a property`},
		`{"op":"s_within","args":[{"property":"a"},{"bbox":[1,2,3,"4"]}]}`:                   {"/args/1/bbox/3", "expected a number"},
		`{"op":"s_within","args":[{"property":"a"},{"type":"Circle","coordinates":[1,2]}]}`:  {"/args/1", "expected a GeoJSON geometry"},
		`{"op":"s_within","args":[{"property":"a"},{"type":"LineString","coordinates":[]}]}`: {"/args/1", "expected a geometry with positions"},
		`{"op":"s_within","args":[{"property":"a"},{"type":"GeometryCollection","geometries":[{"type":"GeometryCollection","geometries":[]}]}]}`: {"/args/1", "cannot hold another"},
		`{"op":"=","args":[1e999,1]}`:    {"/args/0", "not a number that can be used"},
		`{"op":"=","args":["\u0000",1]}`: {"/args/0", "U+0000"},
		`{"op":"=",`:                     {"", "this is not JSON"},
		`true false`:                     {"", "expected the end after the filter"},
		`"\xff"`:                         {"", "this is not JSON"},
		strings.Repeat(`{"op":"not","args":[`, 100) + "true" + strings.Repeat("]}", 100):       {strings.Repeat("/args/0", 64), "nested deeper than 64"},
		`{"op":"in","args":[{"property":"a"},[0` + strings.Repeat(",1", cql2.MaxNodes) + `]]}`: {"/args/1/9997", "more than 10000 parts"},
	} {
		_, err := cql2.ParseJSON([]byte(src))
		name := src[:min(len(src), 90)]
		bad := new(cql2.Error)
		require.ErrorAs(t, err, &bad, name)
		assert.Contains(t, bad.Error(), want.says, name)
		assert.Equal(t, want.pointer, bad.Pointer, "%s: %s", name, err)
	}
}

func TestEmptyListSelectsNothing(t *testing.T) {
	e, err := cql2.ParseJSON([]byte(`{"op":"in","args":[{"property":"a"},[]]}`))
	require.NoError(t, err)
	assert.Equal(t, "FALSE", cql2.Text(e))
}

func TestTypeErrors(t *testing.T) {
	q := cql2.Queryables{
		"name": cql2.StringType, "depth": cql2.NumberType, "wet": cql2.BooleanType, "day": cql2.DateType,
		"at": cql2.TimestampType, "geom": cql2.GeometryType, "tags": cql2.ArrayType,
	}
	for src, says := range map[string]string{
		`depth > 'x'`:                "filter, character 9: expected a number to compare depth with, found a string",
		`wet`:                        `filter, character 1: expected a predicate, found the property "wet"; write wet = TRUE`,
		`depth`:                      "character 1: expected a predicate, found depth",
		`wet = TRUE AND 5`:           "character 16: expected a predicate, found 5",
		`geom = 'x'`:                 `expected a property with a single value; "geom" is a geometry`,
		`depth LIKE 'x'`:             "expected a string before LIKE, found a number",
		`name LIKE name`:             "expected a string after LIKE",
		`CASEI(depth) = 'x'`:         "expected a string in CASEI, found a number",
		`depth + name > 1`:           "expected a number beside +, found a string",
		`depth IN (1, 'x')`:          "expected a number to compare depth with, found a string",
		`S_WITHIN(name, POINT(1 2))`: `the property "name" is a string`,
		`S_WITHIN(geom, 5)`:          "expected a geometry, a bounding box or a property, found 5",
		`S_WITHIN(geom, POLYGON((0 0,1 1,1 0,0 1,0 0)))`:              "expected a valid geometry",
		`S_WITHIN(geom, LINESTRING(0 0,0 0))`:                         "expected a valid geometry",
		`S_WITHIN(geom, BBOX(200,0,10,1))`:                            "expected longitudes within ±180",
		`T_AFTER(depth, day)`:                                         "expected a date, a timestamp or an interval, found a number",
		`T_DURING(day, INTERVAL(day,'..'))`:                           "character 10: T_DURING compares intervals, found an instant; write INTERVAL(…,…) or use T_INTERSECTS",
		`T_AFTER(day, INTERVAL('2022-01-01','2022-04-11T12:41:13Z'))`: "two dates or two timestamps",
		`T_AFTER(day, INTERVAL('2022-01-02','2022-01-01'))`:           "expected the start of the interval before its end",
		`T_AFTER(day, INTERVAL(name,'..'))`:                           "expected a date or a timestamp in an interval, found a string",
		`A_CONTAINS(name, ('x'))`:                                     `the property "name" is a string`,
		`A_CONTAINS(tags, 5)`:                                         "expected an array or a property, found 5",
	} {
		e, err := cql2.ParseText(src)
		require.NoError(t, err, src)
		_, err = cql2.Compile(e, q)
		bad := new(cql2.Error)
		require.ErrorAs(t, err, &bad, src)
		assert.Contains(t, bad.Error(), says, src)
	}
}

func TestUnknownProperty(t *testing.T) {
	q := cql2.Queryables{"slope": cql2.NumberType, "class": cql2.StringType}
	for _, src := range []string{`slope > 3 AND slop < 4`, `class = 'x' AND slop IS NULL`, `TRUE AND TRUE   AND slop`} {
		e, err := cql2.ParseText(src)
		require.NoError(t, err)
		_, err = cql2.Compile(e, q)
		unknown := new(cql2.UnknownPropertyError)
		require.True(t, errors.As(err, &unknown), src)
		assert.Equal(t, "slop", unknown.Name)
		assert.Equal(t, []string{"class", "slope"}, unknown.Queryables)
		assert.Contains(t, err.Error(), `there is no property "slop"; the queryables are class, slope`)
	}
	_, err := cql2.Compile(cql2.Property{Name: "x"}, nil)
	assert.EqualError(t, err, `filter: there is no property "x"; there are no queryables`)
}

func TestCompileRefusesBrokenExpressions(t *testing.T) {
	for name, e := range map[string]cql2.Expr{
		"nothing":            nil,
		"a missing argument": call(cql2.Not, nil),
		"too few arguments":  call(cql2.Equal),
		"no operator":        call("foo"),
		"an empty geometry":  call(cql2.SWithin, cql2.Geometry{}, cql2.Geometry{Geometry: orb.LineString{}}),
		"a box of nothing":   call(cql2.SWithin, cql2.Box{}, cql2.Box{}),
		"no instant":         call(cql2.Equal, cql2.Instant{Text: "now"}, cql2.Instant{Text: "now"}),
		"no list":            call(cql2.In, cql2.Bool{}, cql2.Bool{}),
		"a number":           cql2.Number{Value: 1},
	} {
		_, err := cql2.Compile(e, nil)
		assert.ErrorAs(t, err, new(*cql2.Error), name)
	}
}

// FuzzText reads anything, writes what it understood and reads that again.
func FuzzText(f *testing.F) {
	for _, e := range expectations(f) {
		f.Add(e.filter)
	}
	f.Add(`A_CONTAINS(a, ('x', (1), DATE('2022-04-16'), (1+2)*3)) OR -a^2 <= "q ""x""" AND NOT (a IS NULL)`)
	f.Add("a='\\'\\\\' AND b LIKE casei('\\%')")
	f.Fuzz(func(t *testing.T, src string) {
		e, err := cql2.ParseText(src)
		if err != nil {
			require.ErrorAs(t, err, new(*cql2.Error))
			return
		}
		checkTwoWays(t, e)
	})
}

// FuzzJSON does the same for CQL2 JSON.
func FuzzJSON(f *testing.F) {
	for _, e := range expectations(f) {
		parsed, err := cql2.ParseText(e.filter)
		require.NoError(f, err)
		f.Add([]byte(document(f, parsed)))
	}
	f.Fuzz(func(t *testing.T, src []byte) {
		e, err := cql2.ParseJSON(src)
		if err != nil {
			require.ErrorAs(t, err, new(*cql2.Error))
			return
		}
		checkTwoWays(t, e)
	})
}

// checkTwoWays writes an expression both ways, reads it back, and, whatever
// it is, compiles it without panic.
func checkTwoWays(t *testing.T, e cql2.Expr) {
	want := document(t, e)
	text := cql2.Text(e)
	if len(text) < cql2.MaxLength {
		read, err := cql2.ParseText(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, document(t, read), text)
	}
	if len(want) < cql2.MaxLength {
		again, err := cql2.ParseJSON([]byte(want))
		require.NoError(t, err, want)
		assert.Equal(t, want, document(t, again))
	}
	q := randomQueryables()
	q["a"], q["b"], q["start"], q["end"] = cql2.NumberType, cql2.StringType, cql2.TimestampType, cql2.TimestampType
	if f, err := cql2.Compile(e, q); err == nil {
		f.Match(cql2.Feature{Geometry: orb.LineString{{0, 0}, {1, 1}}, Properties: map[string]any{"a": 1.0, "b": "x", "start": "2022-04-16T10:13:19Z"}})
		f.SQL(map[string]cql2.Column{"a": {Value: "a"}, "b": {Value: "b"}, "start": {Value: "c"}})
	}
}
