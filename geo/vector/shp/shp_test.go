package shp_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/archive"
	"holdfast/geo/vector/shp"
)

// square runs clockwise, as outer rings of the format do.
func square(x, y, size float64) orb.Ring {
	return orb.Ring{{x, y}, {x, y + size}, {x + size, y + size}, {x + size, y}, {x, y}}
}

func turned(r orb.Ring) orb.Ring {
	r = slices.Clone(r)
	slices.Reverse(r)
	return r
}

// source: ESRI Shapefile Technical Description p. 8: outer rings clockwise,
// holes counter-clockwise, in any order.
func TestRings(t *testing.T) {
	lake, island := turned(square(2, 2, 6)), square(3, 3, 2)
	for name, c := range map[string]struct {
		rings    []orb.Ring
		want     orb.MultiPolygon
		reversed bool
		astray   int
	}{
		"one":                       {rings: []orb.Ring{square(0, 0, 10)}, want: orb.MultiPolygon{{square(0, 0, 10)}}},
		"one the wrong way":         {rings: []orb.Ring{lake}, want: orb.MultiPolygon{{lake}}},
		"hole first":                {rings: []orb.Ring{lake, square(0, 0, 10)}, want: orb.MultiPolygon{{square(0, 0, 10), lake}}},
		"an island in a lake":       {rings: []orb.Ring{square(0, 0, 10), lake, island}, want: orb.MultiPolygon{{square(0, 0, 10), lake}, {island}}},
		"a pond on that island":     {rings: []orb.Ring{square(0, 0, 10), lake, island, turned(square(3.5, 3.5, 1))}, want: orb.MultiPolygon{{square(0, 0, 10), lake}, {island, turned(square(3.5, 3.5, 1))}}},
		"two areas, two holes":      {rings: []orb.Ring{square(0, 0, 10), square(20, 0, 10), turned(square(22, 2, 2)), turned(square(2, 2, 2))}, want: orb.MultiPolygon{{square(0, 0, 10), turned(square(2, 2, 2))}, {square(20, 0, 10), turned(square(22, 2, 2))}}},
		"a hole that touches":       {rings: []orb.Ring{square(0, 0, 10), square(20, 0, 10), turned(square(0, 2, 2))}, want: orb.MultiPolygon{{square(0, 0, 10), turned(square(0, 2, 2))}, {square(20, 0, 10)}}},
		"all the wrong way":         {rings: []orb.Ring{turned(square(0, 0, 10)), square(2, 2, 2)}, want: orb.MultiPolygon{{turned(square(0, 0, 10)), square(2, 2, 2)}}, reversed: true},
		"two areas the wrong way":   {rings: []orb.Ring{turned(square(0, 0, 10)), turned(square(20, 0, 10)), square(22, 2, 2)}, want: orb.MultiPolygon{{turned(square(0, 0, 10))}, {turned(square(20, 0, 10)), square(22, 2, 2)}}, reversed: true},
		"a hole in nothing":         {rings: []orb.Ring{square(0, 0, 10), turned(square(2, 2, 2)), turned(square(20, 0, 1))}, want: orb.MultiPolygon{{square(0, 0, 10), turned(square(2, 2, 2))}, {turned(square(20, 0, 1))}}, astray: 1},
		"a ring without area stays": {rings: []orb.Ring{square(0, 0, 10), {{1, 1}, {2, 2}, {1, 1}}}, want: orb.MultiPolygon{{square(0, 0, 10)}, {{{1, 1}, {2, 2}, {1, 1}}}}},
	} {
		got, reversed, astray, err := shp.Group(c.rings...)
		require.NoError(t, err, name)
		assert.Equal(t, c.want, got, name)
		assert.Equal(t, c.reversed, reversed, name)
		assert.Equal(t, c.astray, astray, name)
	}
}

// Rings that all lie in one another's boxes cost time, but not without end.
func TestIntricateRings(t *testing.T) {
	comb := func(x float64, n int) orb.Ring {
		r := orb.Ring{{x, 0}}
		for i := range n {
			r = append(r, orb.Point{x, float64(i)}, orb.Point{x + 1000, float64(i) + 0.5})
		}
		return append(r, r[0])
	}
	var rings []orb.Ring
	for i := range 100 {
		rings = append(rings, comb(float64(i)/1000, 1000))
	}
	for i := range 5000 {
		rings = append(rings, turned(square(2000, float64(i)/10, 0.01)), turned(square(500, float64(i)/5+0.25, 0.001)))
	}
	_, _, _, err := shp.Group(rings...)
	assert.ErrorContains(t, err, "too many holes in too many areas")
}

// layer is a Shapefile in a folder, made by hand.
type layer struct {
	dir    string
	shapes [][]byte // contents of the records
	fields []string // "name C 10 0"
	rows   []string // without the mark of deletion
}

func (l layer) write(t *testing.T) {
	t.Helper()
	le, be := binary.LittleEndian, binary.BigEndian
	head := func(size int) []byte {
		b := be.AppendUint32(nil, 9994)
		b = be.AppendUint32(append(b, make([]byte, 20)...), uint32(size/2))
		return append(le.AppendUint32(le.AppendUint32(b, 1000), 5), make([]byte, 64)...)
	}
	var body, index []byte
	for i, s := range l.shapes {
		index = be.AppendUint32(be.AppendUint32(index, uint32(100+len(body))/2), uint32(len(s)/2))
		body = append(be.AppendUint32(be.AppendUint32(body, uint32(i+1)), uint32(len(s)/2)), s...)
	}
	size := 1
	var fields []byte
	for _, text := range l.fields {
		var name string
		var kind byte
		var width, decimals int
		_, err := fmt.Sscanf(text, "%s %c %d %d", &name, &kind, &width, &decimals)
		require.NoError(t, err)
		d := make([]byte, 32)
		copy(d, name)
		d[11], d[16], d[17] = kind, byte(width), byte(decimals)
		fields = append(fields, d...)
		size += width
	}
	h := make([]byte, 32)
	h[0] = 3
	le.PutUint32(h[4:], uint32(len(l.rows)))
	le.PutUint16(h[8:], uint16(33+len(fields)))
	le.PutUint16(h[10:], uint16(size))
	table := append(append(h, fields...), 0x0d)
	for _, r := range l.rows {
		require.Len(t, r, size-1)
		table = append(append(table, ' '), r...)
	}
	for ending, b := range map[string][]byte{"shp": append(head(100+len(body)), body...), "shx": append(head(100+len(index)), index...), "dbf": table} {
		require.NoError(t, os.WriteFile(filepath.Join(l.dir, "a."+ending), b, 0o644))
	}
}

func read(t *testing.T, dir string) (out []vector.Record, l vector.Layer) {
	t.Helper()
	set, err := archive.Folder(dir)
	require.NoError(t, err)
	s, err := shp.Open(set, vector.Options{})
	require.NoError(t, err)
	defer func() { require.NoError(t, s.Close()) }()
	for r := range s.Read(0) {
		out = append(out, r)
	}
	return out, s.Layers()[0]
}

func point(x, y float64) []byte {
	b := binary.LittleEndian.AppendUint32(nil, 1)
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(y))
}

// source: dBase III+ and IV field types; asterisks mark numbers that did not fit.
func TestValues(t *testing.T) {
	l := layer{dir: t.TempDir(), fields: []string{"n N 6 0", "v N 8 2", "f F 8 2", "d D 8 0", "l L 1 0", "c C 4 0", "c C 2 0", "m M 10 0", "i I 4 0"}}
	le := binary.LittleEndian
	row := func(n, v, f, d, lg, c, c2, m string, i int32) string {
		return n + v + f + d + lg + c + c2 + m + string(le.AppendUint32(nil, uint32(i)))
	}
	l.rows = []string{
		row("     5", "    2.50", "-1.5e+03", "20260501", "T", "a b ", "x ", "          ", -7),
		row("      ", "********", "        ", "00000000", "?", "    ", "  ", "         3", 0),
		row("\x00\x00\x00\x00\x00\x00", "    2,50", "    text", "May 2026", "x", "\xe9t\xe9 ", "  ", "          ", 1),
	}
	for range l.rows {
		l.shapes = append(l.shapes, point(1, 2))
	}
	l.write(t)
	got, _ := read(t, l.dir)
	require.Len(t, got, 3)
	assert.Equal(t, vector.Properties{
		{Name: "n", Value: int64(5)},
		{Name: "v", Value: 2.5},
		{Name: "f", Value: -1500.0},
		{Name: "d", Value: vector.Date{Year: 2026, Month: 5, Day: 1}},
		{Name: "l", Value: true},
		{Name: "c", Value: "a b"},
		{Name: "c_2", Value: "x"},
		{Name: "m"},
		{Name: "i", Value: int64(-7)},
	}, got[0].Properties)
	assert.Empty(t, got[0].Notes)
	assert.Equal(t, vector.Properties{{Name: "n"}, {Name: "v"}, {Name: "f"}, {Name: "d"}, {Name: "l"}, {Name: "c"}, {Name: "c_2"}, {Name: "m"}, {Name: "i", Value: int64(0)}}, got[1].Properties)
	assert.Equal(t, []string{"m: memo fields are not read"}, got[1].Notes)
	assert.Equal(t, vector.Properties{
		{Name: "n"}, {Name: "v", Value: 2.5}, {Name: "f", Value: "text"}, {Name: "d", Value: "May 2026"}, {Name: "l"}, {Name: "c", Value: "été"}, {Name: "c_2"}, {Name: "m"}, {Name: "i", Value: int64(1)},
	}, got[2].Properties)
	assert.Equal(t, []string{
		"v: a decimal comma was read as a point", `f: "text" is not a number and was taken as text`, `d: "May 2026" is not a date and was taken as text`,
		`l: "x" is neither true nor false and was left out`, vector.FixedText,
	}, got[2].Notes)
}

// Records are bounded by their own length; a bad one costs only itself.
func TestDamagedRecords(t *testing.T) {
	l := layer{dir: t.TempDir(), fields: []string{"c C 1 0"}}
	long := append(point(3, 4), 9, 9, 9, 9)
	l.shapes = [][]byte{point(1, 2), point(1, 2)[:12], long, {99, 0, 0, 0}, {31, 0, 0, 0}, point(math.NaN(), 1), {0, 0, 0, 0}, point(5, 6)}
	for i := range l.shapes[:7] { // a row is missing
		l.rows = append(l.rows, fmt.Sprint(i+1))
	}
	l.write(t)
	check := func(notes ...string) {
		got, layer := read(t, l.dir)
		require.Len(t, got, 8)
		for i, why := range []string{"", "shorter than its geometry", "", "99 is no type of shape", "multi-patch", "not finite", "", ""} {
			assert.Equal(t, i+1, got[i].Number)
			if why == "" {
				assert.NoError(t, got[i].Err)
			} else {
				assert.ErrorContains(t, got[i].Err, why)
			}
		}
		assert.Equal(t, orb.Point{3, 4}, got[2].Geometry.Geometry)
		assert.Nil(t, got[6].Geometry.Geometry)
		assert.Contains(t, got[7].Notes[0], "has no row for it")
		for _, n := range notes {
			assert.Contains(t, strings.Join(layer.Notes, "\n"), n)
		}
	}
	check("there are 8 geometries and 7 rows of properties")
	shx := filepath.Join(l.dir, "a.shx")
	b, err := os.ReadFile(shx)
	require.NoError(t, err)
	b[103] ^= 1
	require.NoError(t, os.WriteFile(shx, b, 0o644))
	check("the .shx does not fit the .shp and is not used")
	require.NoError(t, os.Remove(shx))
	check("there is no .shx beside it")
	require.NoError(t, os.Truncate(filepath.Join(l.dir, "a.shp"), 290)) // 18 zeros more
	check("there is no .shx beside it")
	require.NoError(t, os.Truncate(filepath.Join(l.dir, "a.shp"), 260))
	got, _ := read(t, l.dir)
	last := got[len(got)-1]
	assert.Equal(t, 0, last.Number)
	assert.ErrorContains(t, last.Err, "ends beyond the end of the .shp")
}

func TestRefusedFiles(t *testing.T) {
	open := func(dir string) error {
		set, err := archive.Folder(dir)
		require.NoError(t, err)
		defer set.Close()
		_, err = shp.Open(set, vector.Options{})
		return err
	}
	l := layer{dir: t.TempDir(), fields: []string{"c C 1 0"}, shapes: [][]byte{point(1, 2)}, rows: []string{"a"}}
	dbf, main := filepath.Join(l.dir, "a.dbf"), filepath.Join(l.dir, "a.shp")
	for why, spoil := range map[string]func(){
		"shorter than its header":  func() { require.NoError(t, os.Truncate(main, 99)) },
		"does not begin as":        func() { require.NoError(t, os.WriteFile(main, make([]byte, 200), 0o644)) },
		"the .dbf is shorter than": func() { require.NoError(t, os.Truncate(dbf, 31)) },
		"makes no sense":           func() { require.NoError(t, os.WriteFile(dbf, make([]byte, 200), 0o644)) },
		"longer than its records":  func() { b, _ := os.ReadFile(dbf); b[48] = 200; require.NoError(t, os.WriteFile(dbf, b, 0o644)) },
		"surfaces in space":        func() { b, _ := os.ReadFile(main); b[32] = 31; require.NoError(t, os.WriteFile(main, b, 0o644)) },
	} {
		l.write(t)
		spoil()
		err := open(l.dir)
		require.ErrorIs(t, err, vector.ErrFormat, why)
		assert.ErrorContains(t, err, why)
	}
	l.write(t)
	set, err := archive.Folder(l.dir)
	require.NoError(t, err)
	_, err = shp.Open(set, vector.Options{Encoding: "klingon"})
	assert.ErrorContains(t, err, `encoding "klingon" is not known`)
	require.NoError(t, set.Close())
}

func TestWriter(t *testing.T) {
	write := func(l vector.Layer, records ...vector.Record) (string, *shp.Writer, error) {
		var b bytes.Buffer
		w := shp.NewWriter(&b)
		if err := w.Begin(l); err != nil {
			return "", w, err
		}
		for _, r := range records {
			if err := w.Write(r); err != nil {
				return "", w, err
			}
		}
		require.NoError(t, w.Close())
		return b.String(), w, nil
	}
	_, _, err := write(vector.Layer{CRS: "EPSG:999999"})
	assert.ErrorContains(t, err, "its well-known text")
	_, _, err = write(vector.Layer{Fields: []vector.Field{{Name: "a"}, {Name: "a"}}})
	assert.ErrorContains(t, err, `two fields would be called "a"`)
	wide := make([]vector.Field, 300)
	for i := range wide {
		wide[i] = vector.Field{Name: fmt.Sprint("f", i), Type: vector.Text}
	}
	_, _, err = write(vector.Layer{Fields: wide})
	assert.ErrorContains(t, err, "more than a row can hold")

	// Without records there is still a file that tells the fields.
	text, _, err := write(vector.Layer{Name: "a/b:c", Fields: []vector.Field{{Name: "n", Type: vector.Integer, Width: 3}}})
	require.NoError(t, err)
	set, err := archive.Zip(strings.NewReader(text), int64(len(text)))
	require.NoError(t, err)
	assert.Equal(t, []string{"a_b_c.cpg", "a_b_c.dbf", "a_b_c.prj", "a_b_c.shp", "a_b_c.shx"}, set.Names())
	s, err := shp.Open(set, vector.Options{})
	require.NoError(t, err)
	assert.Equal(t, 0, s.Layers()[0].Count)
	assert.Equal(t, []vector.Field{{Name: "n", Type: vector.Integer, Width: 3}}, s.Layers()[0].Fields)
	assert.True(t, vector.IsWGS84(s.Layers()[0].CRS))
	require.NoError(t, s.Close())

	text, w, err := write(vector.Layer{Name: "a", Fields: []vector.Field{
		{Name: "größeren", Type: vector.Text, Width: 3}, {Name: "GRÖSSEREN", Type: vector.Integer, Width: 2}, {Name: "v", Type: vector.Real}, {Name: "d", Type: vector.Day}, {Name: "big", Type: vector.Integer, Width: 19},
	}},
		vector.Record{Number: 1, Properties: vector.Properties{{Name: "größeren", Value: "aÄÖ"}, {Name: "GRÖSSEREN", Value: int64(100)}, {Name: "v", Value: math.Inf(1)}, {Name: "d", Value: vector.Date{Year: 12345, Month: 1, Day: 1}}, {Name: "big", Value: int64(math.MaxInt64)}}},
		vector.Record{Number: 2, Geometry: geojson.Geometry{Geometry: orb.Point{1, 2}}, Properties: vector.Properties{{Name: "v", Value: -math.MaxFloat64}, {Name: "d", Value: "soon"}}},
	)
	require.NoError(t, err)
	said := fmt.Sprint(w.Losses())
	for _, l := range []string{
		"größeren: text of more than 3 bytes was cut (record 1)", "GRÖSSEREN: a value does not fit and was left out (record 1)", "v: a value is not finite and was left out (record 1)",
		"d: a value has a year beyond 0 to 9999 and was left out (record 1)", "d: a value is no date and was left out (record 2)", "big: whole numbers of more than 18 digits",
	} {
		assert.Contains(t, said, l)
	}
	set, err = archive.Zip(strings.NewReader(text), int64(len(text)))
	require.NoError(t, err)
	s, err = shp.Open(set, vector.Options{})
	require.NoError(t, err)
	require.Len(t, s.Layers(), 1, "a null shape goes into the file of the points")
	var got []vector.Record
	for r := range s.Read(0) {
		got = append(got, r)
	}
	require.Len(t, got, 2)
	assert.Nil(t, got[0].Geometry.Geometry)
	v, _ := got[0].Properties.Get("big")
	assert.Equal(t, int64(math.MaxInt64), v)
	v, _ = got[0].Properties.Get("größeren")
	assert.Equal(t, "aÄ", v)
	v, _ = got[1].Properties.Get("v")
	assert.Equal(t, -math.MaxFloat64, v)
	require.NoError(t, s.Close())
}
