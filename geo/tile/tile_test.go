package tile_test

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/mvt"
	"github.com/paulmach/orb/encoding/mvt/vectortile"
	"github.com/paulmach/orb/maptile"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo/tile"
)

func TestParse(t *testing.T) {
	got, err := tile.Parse("12", "1371", "2113") // tile matrix, row, column
	require.NoError(t, err)
	assert.Equal(t, maptile.New(2113, 1371, 12), got)
	got, err = tile.Parse("24", "16777215", "16777215")
	require.NoError(t, err)
	assert.EqualValues(t, 24, got.Z)

	for address, says := range map[[3]string]string{
		{"25", "0", "0"}:                   "tile matrix must be a number from 0 to 24, not \"25\"",
		{"-1", "0", "0"}:                   "tile matrix must be a number from 0 to 24",
		{"3", "8", "0"}:                    `row of tile matrix 3 must be a number from 0 to 7, not "8"`,
		{"3", "0", "8"}:                    `column of tile matrix 3 must be a number from 0 to 7, not "8"`,
		{"0", "0", "1"}:                    "from 0 to 0",
		{"", "0", "0"}:                     "tile matrix",
		{"3", "", "0"}:                     "row",
		{"3", "1.0", "0"}:                  "row",
		{"3", "0", "1e0"}:                  "column",
		{"03", "0", "0"}:                   "tile matrix",
		{"+3", "0", "0"}:                   "tile matrix",
		{"3", "4294967296", "0"}:           "row",
		{"3", "99999999999999999999", "0"}: "row",
		{"3", "٣", "0"}:                    "row",
	} {
		_, err := tile.Parse(address[0], address[1], address[2])
		require.ErrorIs(t, err, tile.ErrNoTile, address)
		assert.Contains(t, err.Error(), says, address)
	}
}

func FuzzParse(f *testing.F) {
	f.Add("12", "1371", "2113")
	f.Add("24", "16777215", "0")
	f.Add("-0", "00", "0x1")
	f.Fuzz(func(t *testing.T, matrix, row, column string) {
		at, err := tile.Parse(matrix, row, column)
		if err != nil {
			require.ErrorIs(t, err, tile.ErrNoTile)
			return
		}
		assert.True(t, at.Valid() && at.Z <= tile.MaxZoom)
		assert.Equal(t, []string{matrix, row, column}, []string{fmt.Sprint(at.Z), fmt.Sprint(at.Y), fmt.Sprint(at.X)})
	})
}

// TestSquare checks against OGC 17-083r4 Annex D.1, Table D.1: WebMercatorQuad
// covers ±20037508.3427892 m of EPSG:3857, whose tile matrix z has 2^z columns
// and rows counted from the upper left corner.
func TestSquare(t *testing.T) {
	const half, radius = 20037508.3427892, 6378137.0
	toDegrees := func(x, y float64) orb.Point { // EPSG:3857 to longitude and latitude (IOGP 373-7-2 §3.2.1.2)
		return orb.Point{x / radius * 180 / math.Pi, (math.Pi/2 - 2*math.Atan(math.Exp(-y/radius))) * 180 / math.Pi}
	}
	for _, at := range []maptile.Tile{maptile.New(0, 0, 0), maptile.New(2113, 1371, 12), maptile.New(16777215, 16777215, 24)} {
		size := 2 * half / float64(uint32(1)<<at.Z)
		upperLeft := toDegrees(-half+float64(at.X)*size, half-float64(at.Y)*size)
		lowerRight := toDegrees(-half+float64(at.X+1)*size, half-float64(at.Y+1)*size)
		n := float64(uint32(1) << at.Z)
		for want, corner := range map[orb.Point]orb.Point{
			upperLeft:  {float64(at.X) / n, float64(at.Y) / n},
			lowerRight: {float64(at.X+1) / n, float64(at.Y+1) / n},
		} {
			got := tile.FromSquare(corner)
			assert.InDelta(t, want[0], got[0], 1e-9)
			assert.InDelta(t, want[1], got[1], 1e-9)
			back := tile.Square(want)
			assert.InDelta(t, corner[0], back[0], 1e-12)
			assert.InDelta(t, corner[1], back[1], 1e-12)
		}
	}
	world := tile.Reach(maptile.New(0, 0, 0))
	assert.Equal(t, -180.0, world.Min[0])
	assert.Equal(t, 180.0, world.Max[0])
	inner := tile.Reach(place)
	assert.InDelta(t, place.Bound().Max[0]-place.Bound().Min[0], (inner.Max[0]-inner.Min[0])*8/9, 1e-12, "a sixteenth on either side")
}

// TestSpecificationExample encodes the shapes of MVT 2.1 §4.3.5 and expects
// the command integers printed there.
func TestSpecificationExample(t *testing.T) {
	line := func(ps ...orb.Point) orb.LineString { return orb.LineString(ringInDegrees(ps)) }
	for name, row := range map[string]struct {
		geometry orb.Geometry
		commands []uint32
	}{
		"point":      {degrees(25, 17), []uint32{9, 50, 34}},
		"multipoint": {orb.MultiPoint{degrees(5, 7), degrees(3, 2)}, []uint32{17, 10, 14, 3, 9}},
		"linestring": {line(orb.Point{2, 2}, orb.Point{2, 10}, orb.Point{10, 10}), []uint32{9, 4, 4, 18, 0, 16, 16, 0}},
		"multilinestring": {
			orb.MultiLineString{line(orb.Point{2, 2}, orb.Point{2, 10}, orb.Point{10, 10}), line(orb.Point{1, 1}, orb.Point{3, 5})},
			[]uint32{9, 4, 4, 18, 0, 16, 16, 0, 9, 17, 17, 10, 4, 8},
		},
		"polygon": {orb.Polygon{orb.Ring(line(orb.Point{3, 6}, orb.Point{8, 12}, orb.Point{20, 34}, orb.Point{3, 6}))}, []uint32{9, 6, 12, 18, 10, 12, 24, 44, 15}},
		"multipolygon": {
			orb.MultiPolygon{
				{ringInDegrees([]orb.Point{{0, 0}, {10, 0}, {10, 10}, {0, 10}, {0, 0}})},
				{
					ringInDegrees([]orb.Point{{11, 11}, {20, 11}, {20, 20}, {11, 20}, {11, 11}}),
					ringInDegrees([]orb.Point{{13, 13}, {13, 17}, {17, 17}, {17, 13}, {13, 13}}),
				},
			},
			[]uint32{9, 0, 0, 26, 20, 0, 0, 20, 19, 0, 15, 9, 22, 2, 26, 18, 0, 0, 18, 17, 0, 15, 9, 4, 13, 26, 0, 8, 8, 0, 0, 7, 15},
		},
	} {
		t.Run(name, func(t *testing.T) {
			b, err := tile.Encode(place, tile.Layer{Name: "l", Features: []tile.Feature{{Geometry: row.geometry}}})
			require.NoError(t, err)
			assert.Equal(t, row.commands, decode(t, b).Layers[0].Features[0].Geometry)
		})
	}
}

// decode reads the protocol buffer as it is.
func decode(t *testing.T, b []byte) *vectortile.Tile {
	t.Helper()
	var out vectortile.Tile
	require.NoError(t, out.Unmarshal(b))
	return &out
}

func TestProperties(t *testing.T) {
	b, err := tile.Encode(place, tile.Layer{Name: "l", Features: []tile.Feature{{
		ID: new(uint64(math.MaxUint64)), Geometry: degrees(1, 1),
		Properties: map[string]any{
			"text": "É", "yes": true, "real": 2.5, "small": float32(0.5), "whole": json.Number("-7"), "number": json.Number("1e3"), "int": 9, "uint": uint32(3),
			"null": nil, "nan": math.NaN(), "inf": math.Inf(-1), "list": []any{"a", 1.0, nil}, "object": map[string]any{"b": 1.0, "a": "x"},
		},
	}}})
	require.NoError(t, err)
	l := decode(t, b).Layers[0]
	assert.EqualValues(t, 2, l.GetVersion())
	f := l.Features[0]
	assert.EqualValues(t, uint64(math.MaxUint64), f.GetId())
	got := map[string]*vectortile.Tile_Value{}
	for i := 0; i < len(f.Tags); i += 2 {
		got[l.Keys[f.Tags[i]]] = l.Values[f.Tags[i+1]]
	}
	assert.Equal(t, map[string]*vectortile.Tile_Value{
		"text": {StringValue: new("É")}, "yes": {BoolValue: new(true)}, "real": {DoubleValue: new(2.5)}, "small": {FloatValue: new(float32(0.5))},
		"whole": {SintValue: new(int64(-7))}, "number": {DoubleValue: new(1000.0)}, "int": {SintValue: new(int64(9))}, "uint": {UintValue: new(uint64(3))},
		"list": {StringValue: new(`["a",1,null]`)}, "object": {StringValue: new(`{"a":"x","b":1}`)},
	}, got)

	for _, bad := range []any{make(chan int), json.Number("x")} {
		_, err := tile.Encode(place, tile.Layer{Name: "l", Features: []tile.Feature{{Geometry: degrees(1, 1), Properties: map[string]any{"k": bad}}}})
		assert.ErrorContains(t, err, `layer "l": property "k"`)
	}
}

func TestWhatIsLeftOut(t *testing.T) {
	for name, g := range map[string]orb.Geometry{
		"nothing":               nil,
		"an empty line":         orb.LineString{},
		"an empty collection":   orb.Collection{nil},
		"a point outside":       degrees(-tile.Margin-1, 5),
		"the north pole":        orb.Point{place.Bound().Min[0], 90},
		"a line outside":        orb.LineString{degrees(-5000, -5000), degrees(9000, -5000)},
		"a line within a unit":  orb.LineString{degrees(10.1, 10.1), degrees(10.3, 10.2)},
		"an area within a unit": orb.Polygon{ringInDegrees([]orb.Point{{9.6, 9.6}, {10.3, 9.7}, {10, 10.3}, {9.6, 9.6}})},
		"a flat area":           orb.Polygon{ringInDegrees([]orb.Point{{0, 0}, {500, 500}, {900, 900}, {0, 0}})},
		"no number":             orb.Point{math.NaN(), 5},
		"no finite number":      orb.LineString{{math.Inf(1), 5}, degrees(1, 1)},
		"a polygon of nothing":  orb.Polygon{nil, {}},
	} {
		b, err := tile.Encode(place, tile.Layer{Name: "l", Features: []tile.Feature{{Geometry: g}}})
		require.NoError(t, err)
		assert.Empty(t, b, name)
	}
	b, err := tile.Encode(place)
	require.NoError(t, err)
	assert.Empty(t, b)
}

// TestMargin looks at both sides of the limit, which belongs to the margin.
func TestMargin(t *testing.T) {
	assert.Len(t, shown(t, degrees(-tile.Margin, tile.Extent+tile.Margin)), 1)
	assert.Empty(t, shown(t, degrees(tile.Extent+tile.Margin+1, 0)))
	all := degrees(-99999, 99999)
	far := degrees(99999, -99999)
	whole := shown(t, orb.Bound{Min: all, Max: far})
	require.Len(t, whole, 1)
	checkPolygon(t, whole[0].(orb.Polygon), "window")
	assert.Equal(t, window, whole[0].Bound(), "an area all round fills the tile and its margin")
	assert.Len(t, whole[0].(orb.Polygon)[0], 5)
	assert.Len(t, shown(t, orb.LineString{degrees(-9999, 7), degrees(9999, 7)}), 1)
}

// TestPoles draws a world that reaches further than the map.
func TestPoles(t *testing.T) {
	b, err := tile.Encode(maptile.New(0, 0, 0), tile.Layer{Name: "l", Features: []tile.Feature{
		{Geometry: orb.Bound{Min: orb.Point{-180, -90}, Max: orb.Point{180, 90}}},
		{Geometry: orb.LineString{{0, -90}, {0, 90}}},
		{Geometry: orb.Point{0, 89.5}},
	}})
	require.NoError(t, err)
	layers, err := mvt.Unmarshal(b)
	require.NoError(t, err)
	require.Len(t, layers[0].Features, 2, "the point is beyond the map")
	assert.Equal(t, orb.Bound{Min: orb.Point{0, -256}, Max: orb.Point{4096, 4352}}, layers[0].Features[0].Geometry.Bound())
	assert.Equal(t, orb.Bound{Min: orb.Point{2048, -256}, Max: orb.Point{2048, 4352}}, layers[0].Features[1].Geometry.Bound())
}

// TestCollection splits what a tile cannot carry together.
func TestCollection(t *testing.T) {
	square := ringInDegrees([]orb.Point{{0, 0}, {9, 0}, {9, 9}, {0, 9}, {0, 0}})
	got := shown(t, orb.Collection{
		degrees(1, 1),
		orb.Polygon{square},
		orb.LineString{degrees(0, 0), degrees(50, 0)},
		orb.Collection{orb.MultiPoint{degrees(2, 2), degrees(2.1, 2.1)}},
		square,
		orb.MultiPolygon{{square}},
		orb.MultiLineString{{degrees(0, 0), degrees(0, 50)}},
	})
	require.Len(t, got, 3)
	assert.Equal(t, orb.MultiPoint{{1, 1}, {2, 2}}, got[0], "points that fall together are one")
	assert.Len(t, got[1], 2)
	assert.Len(t, got[2], 3)
}

func TestLayers(t *testing.T) {
	some := []tile.Feature{{Geometry: degrees(1, 1)}}
	b, err := tile.Encode(place, tile.Layer{Name: "b", Features: some}, tile.Layer{Name: "empty"}, tile.Layer{Name: "a", Features: some})
	require.NoError(t, err)
	got := decode(t, b).Layers
	require.Len(t, got, 2)
	assert.Equal(t, []string{"b", "a"}, []string{got[0].GetName(), got[1].GetName()}, "in the order given")
	assert.Nil(t, got[0].Features[0].Id)

	_, err = tile.Encode(place, tile.Layer{Name: "a"}, tile.Layer{Name: "a"})
	assert.EqualError(t, err, `encode tile: two layers are named "a"`)
	for _, at := range []maptile.Tile{maptile.New(8, 0, 3), maptile.New(0, 8, 3), maptile.New(0, 0, 25), maptile.New(0, 0, 40)} {
		_, err = tile.Encode(at, tile.Layer{Name: "a", Features: some})
		assert.ErrorIs(t, err, tile.ErrNoTile)
	}
}

// TestNeighboursAgree puts a point on the grids of every tile it may appear
// in: they show it at the same place.
func TestNeighboursAgree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-85, 85).Draw(t, "lat")}
		z := maptile.Zoom(rapid.IntRange(1, 22).Draw(t, "zoom"))
		home := maptile.At(p, z)
		n := 0
		var first orb.Point
		for dx := -1; dx <= 1; dx++ {
			for dy := -1; dy <= 1; dy++ {
				at := maptile.Tile{X: home.X + uint32(dx), Y: home.Y + uint32(dy), Z: z}
				if !at.Valid() {
					continue
				}
				b, err := tile.Encode(at, tile.Layer{Name: "l", Features: []tile.Feature{{Geometry: p}}})
				require.NoError(t, err)
				if len(b) == 0 {
					continue
				}
				layers, err := mvt.Unmarshal(b)
				require.NoError(t, err)
				q := layers[0].Features[0].Geometry.(orb.Point)
				q = orb.Point{q[0] + float64(dx)*tile.Extent, q[1] + float64(dy)*tile.Extent}
				if n++; n == 1 {
					first = q
				}
				assert.Equal(t, first, q)
			}
		}
		assert.GreaterOrEqual(t, n, 1)
	})
}

// TestHostileOutline has an outline that crosses itself everywhere; the work
// must stay bounded.
func TestHostileOutline(t *testing.T) {
	for _, n := range []int{2_000, 50_000} {
		var r orb.Ring
		for i := range n {
			r = append(r, degrees(float64(i*7919%4096), float64(i*104_729%4093)))
		}
		r = append(r, r[0])
		for _, p := range polygons(shown(t, orb.Polygon{r})) {
			checkPolygon(t, p, strconv.Itoa(n))
		}
	}
}
