package gpkg_test

import (
	"encoding/hex"
	"testing"

	"github.com/paulmach/orb"
	"github.com/peterstace/simplefeatures/geom"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	"holdfast/geo/vector/gpkg"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	require.NoError(t, err)
	return b
}

// Blobs by hand after OGC 12-128r18 §2.1.3 and OGC 06-103r4 §8.2.
const (
	header   = "47500001e6100000"
	pointZ   = "01e9030000000000000000f03f00000000000000400000000000000840"                         // POINT Z (1 2 3)
	pointBig = "00000000013ff00000000000004000000000000000"                                         // POINT (1 2), big-endian
	pointZM  = "01b90b0000000000000000f03f000000000000004000000000000008400000000000001040"         // POINT ZM (1 2 3 4)
	pointE   = "0101000080000000000000f03f00000000000000400000000000000840"                         // the same as POINT Z in the extended form
	pointNaN = "0101000000000000000000f87f000000000000f87f"                                         // POINT EMPTY
	line     = "010200000002000000000000000000f03f000000000000004000000000000008400000000000001040" // LINESTRING (1 2,3 4)
)

func TestBlob(t *testing.T) {
	for name, c := range map[string]struct {
		hex  string
		want geojson.Geometry
		note string
		err  string
	}{
		"point with height":     {hex: header + pointZ, want: geojson.Geometry{Geometry: orb.Point{1, 2}, Z: []float64{3}}},
		"big-endian":            {hex: "47500000000010e6" + pointBig, want: geojson.Geometry{Geometry: orb.Point{1, 2}}},
		"measure":               {hex: header + pointZM, want: geojson.Geometry{Geometry: orb.Point{1, 2}, Z: []float64{3}}, note: "the measures (M) of the positions were left out"},
		"extended form":         {hex: header + pointE, want: geojson.Geometry{Geometry: orb.Point{1, 2}, Z: []float64{3}}},
		"empty point":           {hex: "47500011e6100000" + pointNaN, note: "the geometry is empty"},
		"envelope":              {hex: "47500003e6100000" + "000000000000f03f000000000000084000000000000000400000000000001040" + line, want: geojson.Geometry{Geometry: orb.LineString{{1, 2}, {3, 4}}}},
		"other system":          {hex: "47500001e7100000" + pointZ, want: geojson.Geometry{Geometry: orb.Point{1, 2}, Z: []float64{3}}, note: "the geometry names the coordinate system 4327, its table 4326; the table's is taken"},
		"empty polygon":         {hex: header + "010300000000000000", note: "the geometry is empty"},
		"multi-point with gap":  {hex: header + "010400000002000000" + pointNaN + "0101000000000000000000f03f0000000000000040", want: geojson.Geometry{Geometry: orb.MultiPoint{{1, 2}}}, note: "empty members of the geometry, left out: 1"},
		"curve":                 {hex: header + "010800000000000000", err: "geometries of type 8"},
		"short":                 {hex: header + line[:40], err: "cut short"},
		"count beyond the end":  {hex: header + "0102000000ffffffff" + pointZ, err: "cut short"},
		"members beyond end":    {hex: header + "0107000000ffffffff", err: "cut short"},
		"member of other type":  {hex: header + "010400000001000000" + line, err: "a member is of type 2, not 1"},
		"no GP":                 {hex: "58500001e6100000" + pointZ, err: "does not begin with GP"},
		"unknown version":       {hex: "47500101e6100000" + pointZ, err: "version 1"},
		"extended kind":         {hex: "47500021e6100000" + pointZ, err: "extended kind"},
		"no such envelope":      {hex: "4750000be6100000" + pointZ, err: "envelope"},
		"byte order":            {hex: header + "0201000000", err: "2 is no byte order"},
		"infinite":              {hex: header + "0101000000000000000000f07f0000000000000040", err: "not finite"},
		"one coordinate is NaN": {hex: header + "0101000000000000000000f87f0000000000000040", err: "not finite"},
	} {
		t.Run(name, func(t *testing.T) {
			g, notes, err := gpkg.ParseBlob(unhex(t, c.hex), 4326)
			if c.err != "" {
				require.ErrorContains(t, err, c.err)
				return
			}
			require.NoError(t, err)
			assert.Equal(t, c.want, g)
			if c.note == "" {
				assert.Empty(t, notes)
			} else {
				assert.Equal(t, []string{c.note}, notes)
			}
		})
	}
	deep := ""
	for range vector.MaxNesting + 2 {
		deep += "010700000001000000"
	}
	_, _, err := gpkg.ParseBlob(unhex(t, header+deep+pointZ), 4326)
	assert.ErrorContains(t, err, "nested too deep")
}

// What is read comes out the same when it is written and read again, and
// another reader of well-known binary (simplefeatures) reads the same text.
func FuzzBlob(f *testing.F) {
	for _, s := range []string{pointZ, pointBig, pointZM, pointE, pointNaN, line, "010700000002000000" + pointZ + line, "010400000001000000" + pointZ} {
		f.Add(unhex(f, header+s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		g, _, err := gpkg.ParseBlob(b, 4326)
		if err != nil {
			assert.Nil(t, g.Geometry)
			return
		}
		if g.Geometry == nil {
			return
		}
		blob, box, ok := gpkg.AppendBlob(nil, g, 4326)
		require.True(t, ok)
		assert.LessOrEqual(t, box.Min[0], box.Max[0])
		again, notes, err := gpkg.ParseBlob(blob, 4326)
		require.NoError(t, err)
		assert.Empty(t, notes)
		require.Equal(t, geojson.AppendGeometry(nil, g), geojson.AppendGeometry(nil, again))
		wkb := blob[8:]
		if blob[3]&0x0e != 0 {
			wkb = blob[40:]
		}
		other, err := geom.UnmarshalWKB(wkb, geom.NoValidate{})
		if err != nil {
			return // it refuses heights that are not recorded (NaN) and collections of several dimensions
		}
		least, _ := other.Envelope().Min().XY()
		assert.Equal(t, box.Min, orb.Point{least.X, least.Y})
	})
}
