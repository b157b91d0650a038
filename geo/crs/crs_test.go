package crs_test

import (
	"encoding/csv"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/crs"
	"holdfast/geo/projection"
)

func byName(t testing.TB, name string) *crs.CRS {
	t.Helper()
	c, err := crs.ByName(name)
	require.NoError(t, err)
	return c
}

// TestReprojectionPairs repeats 30 conversions that cs2cs and gdaltransform
// (PROJ 9.1.1) agree on; see testdata/SOURCE.md.
func TestReprojectionPairs(t *testing.T) {
	f, err := os.Open("testdata/reprojection.csv")
	require.NoError(t, err)
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		return v
	}
	for _, r := range records[1:] {
		t.Run(r[0]+" "+r[11], func(t *testing.T) {
			src, dst := byName(t, r[1]), byName(t, r[2])
			lat, lon := number(r[3]), number(r[4])
			want := orb.Point{number(r[5]), number(r[6])}
			if r[2] == "EPSG:2180" { // the one listed northing first, in cs2cs's output order
				require.Equal(t, crs.NorthEast, dst.Axes)
				want = orb.Point{number(r[6]), number(r[5])}
			}
			x, y, err := crs.NewTransformer(src, dst).Transform(lon, lat)
			require.NoError(t, err)
			assert.InDelta(t, want[0], x, 1e-6)
			assert.InDelta(t, want[1], y, 1e-6)
			blon, blat, err := crs.NewTransformer(dst, src).Transform(want[0], want[1])
			require.NoError(t, err)
			assert.InDelta(t, lon, blon, 1e-10)
			assert.InDelta(t, lat, blat, 1e-10)
		})
	}
}

// TestRoundTrip: in the area of use of every system of the table, FromWGS84
// undoes ToWGS84 to a micrometre.
func TestRoundTrip(t *testing.T) {
	t.Logf("seed %d", sweepSeed)
	var worst float64
	n := 0
	for i, row := range append(rows(t, "projected"), rows(t, "geographic")...) {
		c := byEPSG(t, row[0])
		for _, p := range scatter(rand.New(rand.NewPCG(sweepSeed, uint64(i))), c.Area, 10) {
			x, y, err := c.FromWGS84(p)
			if err != nil {
				require.ErrorIs(t, err, crs.ErrNoShift, c.String())
				continue
			}
			q, err := c.ToWGS84(x, y)
			if errors.Is(err, crs.ErrNoShift) {
				continue // the edge of where shifts are known
			}
			require.NoError(t, err, c.String())
			d := metres(p, q)
			require.Less(t, d, 1e-6, "%v at %v", c, p)
			worst = math.Max(worst, d)
			n++
		}
	}
	t.Logf("%d points, worst %.2g m", n, worst)
	require.Greater(t, n, 50000)
}

func TestByName(t *testing.T) {
	// source: OGC 06-121r9 (URN), OGC 09-048r5 (definition URIs), OGC API
	// Features part 2 (CRS84), GML 3.1 (epsg.xml#); axis orders: EPSG dataset.
	for _, c := range []struct {
		name, code string
		axes       crs.Axes
	}{
		{"EPSG:2264", "EPSG:2264", crs.EastNorth},
		{"epsg:2264", "EPSG:2264", crs.EastNorth},
		{"[EPSG:4326]", "EPSG:4326", crs.NorthEast},
		{"urn:ogc:def:crs:EPSG::28992", "EPSG:28992", crs.EastNorth},
		{"urn:ogc:def:crs:EPSG:9.8:4326", "EPSG:4326", crs.NorthEast},
		{"urn:x-ogc:def:crs:EPSG:27700", "EPSG:27700", crs.EastNorth},
		{"http://www.opengis.net/def/crs/EPSG/0/3857", "EPSG:3857", crs.EastNorth},
		{"https://www.opengis.net/def/crs/EPSG/9.9.1/2193", "EPSG:2193", crs.NorthEast},
		{"http://www.opengis.net/gml/srs/epsg.xml#4269", "EPSG:4269", crs.NorthEast},
		{"http://www.opengis.net/def/crs/OGC/1.3/CRS84", "OGC:CRS84", crs.EastNorth},
		{"urn:ogc:def:crs:OGC:1.3:CRS84", "OGC:CRS84", crs.EastNorth},
		{"urn:ogc:def:crs:OGC::CRS83", "OGC:CRS83", crs.EastNorth},
		{"CRS84", "OGC:CRS84", crs.EastNorth},
		{"EPSG:900913", "EPSG:3857", crs.EastNorth},
		{"ESRI:102100", "EPSG:3857", crs.EastNorth},
	} {
		got, err := crs.ByName(c.name)
		if assert.NoError(t, err, c.name) {
			assert.Equal(t, c.code, got.Code, c.name)
			assert.Equal(t, c.axes, got.Axes, c.name)
		}
	}
	for _, name := range []string{
		"", "EPSG", "EPSG:", "EPSG:0", "EPSG:5703", "EPSG:-1", "ESRI:102718", "urn:ogc:def:crs:EPSG",
		"http://www.opengis.net/def/crs/EPSG/4326", "http://www.opengis.net/def/uom/EPSG/0/9001", "urn:ogc:def:crs:OGC::CRS1", "2264", strings.Repeat("x", 10000),
	} {
		_, err := crs.ByName(name)
		assert.ErrorIs(t, err, crs.ErrUnknown, name)
	}
}

// TestTableHolds the systems a department's data come in.
func TestTableHolds(t *testing.T) {
	// source: names in the EPSG dataset.
	for code, name := range map[int]string{
		3857: "WGS 84 / Pseudo-Mercator", 4326: "WGS 84", 4269: "NAD83", 4267: "NAD27", 4258: "ETRS89",
		27700: "OSGB36 / British National Grid", 29902: "TM65 / Irish Grid", 29903: "TM75 / Irish Grid", 2157: "IRENET95 / Irish Transverse Mercator",
		28992: "Amersfoort / RD New", 2154: "RGF93 v1 / Lambert-93", 27572: "NTF (Paris) / Lambert zone II", 3942: "RGF93 v1 / CC42", 3950: "RGF93 v1 / CC50",
		31466: "DHDN / 3-degree Gauss-Kruger zone 2", 31469: "DHDN / 3-degree Gauss-Kruger zone 5", 25832: "ETRS89 / UTM zone 32N",
		21781: "CH1903 / LV03", 2056: "CH1903+ / LV95", 28355: "GDA94 / MGA zone 55", 7855: "GDA2020 / MGA zone 55", 20255: "AGD66 / AMG zone 55",
		2193: "NZGD2000 / New Zealand Transverse Mercator 2000", 27200: "NZGD49 / New Zealand Map Grid", 2105: "NZGD2000 / Mount Eden 2000",
		26931: "NAD83 / Alaska zone 1", 32119: "NAD83 / North Carolina", 2264: "NAD83 / North Carolina (ftUS)", 3358: "NAD83(HARN) / North Carolina",
		6542: "NAD83(2011) / North Carolina", 32019: "NAD27 / North Carolina", 6201: "NAD27 / Michigan Central", 5070: "NAD83 / Conus Albers", 3035: "ETRS89-extended / LAEA Europe",
	} {
		c, err := crs.ByEPSG(code)
		if assert.NoError(t, err, name) {
			assert.Equal(t, name, c.Name)
		}
	}
	for zone := 1; zone <= 60; zone++ {
		for _, base := range []int{32600, 32700} {
			_, err := crs.ByEPSG(base + zone)
			assert.NoError(t, err)
		}
	}
	for _, r := range [][2]int{{26901, 26923}, {26703, 26722}, {25828, 25837}, {6328, 6348}, {28348, 28358}, {7848, 7858}} {
		for code := r[0]; code <= r[1]; code++ {
			_, err := crs.ByEPSG(code)
			assert.NoError(t, err, code)
		}
	}
}

func TestRefusesOutside(t *testing.T) {
	// source: areas of use in the EPSG dataset; the swapped and mistaken
	// coordinates are those of a place in North Carolina and one in the
	// Netherlands.
	nc, rd, utm := byName(t, "EPSG:2264"), byName(t, "EPSG:28992"), byName(t, "EPSG:32617")
	_, err := nc.ToWGS84(1449620, 542689)
	require.NoError(t, err)
	_, err = rd.ToWGS84(181072, 333611)
	require.NoError(t, err)
	for _, c := range []struct {
		name string
		c    *crs.CRS
		x, y float64
	}{
		{"feet for metres", byName(t, "EPSG:32119"), 1449620, 542689},
		{"axes swapped", rd, 333611, 181072},
		{"degrees for feet", nc, -80.8431, 35.2271},
		{"the other hemisphere", utm, 500000, -2000000},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := c.c.ToWGS84(c.x, c.y)
			assert.ErrorIs(t, err, crs.ErrOutsideArea)
		})
	}
	_, _, err = rd.FromWGS84(orb.Point{-80, 35})
	assert.ErrorIs(t, err, crs.ErrOutsideArea)
	assert.ErrorContains(t, err, "Amersfoort / RD New (EPSG:28992)")
	_, _, err = byName(t, "EPSG:32617").FromWGS84(orb.Point{-84 - 2.9, 36})
	assert.NoError(t, err, "within the margin of the zone")
	_, err = byName(t, "EPSG:4326").ToWGS84(36, 91)
	assert.ErrorIs(t, err, projection.ErrDomain)
	for _, bad := range []float64{math.NaN(), math.Inf(1)} {
		_, err = nc.ToWGS84(bad, 0)
		assert.Error(t, err)
		_, _, err = nc.FromWGS84(orb.Point{bad, 35})
		assert.Error(t, err)
		_, err = byName(t, "EPSG:4326").ToWGS84(0, bad)
		assert.Error(t, err)
	}
	// An area across the 180° meridian: New Zealand's reaches from 160.6° E to 171.2° W.
	nz := byName(t, "EPSG:4167")
	_, _, err = nz.FromWGS84(orb.Point{-176.5, -44})
	assert.NoError(t, err)
	_, _, err = nz.FromWGS84(orb.Point{100, -44})
	assert.ErrorIs(t, err, crs.ErrOutsideArea)
}

func TestShiftAt(t *testing.T) {
	// source: EPSG dataset, operations 1173 and 1176 (NAD27), 1314 (OSGB36),
	// 1188 (NAD83) and 4833 (Amersfoort) with their accuracies.
	for _, c := range []struct {
		code     string
		at       orb.Point
		op       string
		accuracy float64
	}{
		{"EPSG:4267", orb.Point{-81.5, 36.4}, "EPSG:1173", 10},
		{"EPSG:4267", orb.Point{-150, 64}, "EPSG:1176", 12},
		{"EPSG:27700", orb.Point{-2, 52}, "EPSG:1314", 2},
		{"EPSG:2264", orb.Point{-80, 35}, "EPSG:1188", 4},
		{"EPSG:28992", orb.Point{5.7, 51}, "EPSG:4833", 1},
	} {
		s, ok := byName(t, c.code).ShiftAt(c.at)
		require.True(t, ok, c.code)
		assert.Equal(t, c.op, s.Code, c.code)
		assert.True(t, s.Stated)
		assert.Equal(t, c.accuracy, s.Accuracy.Metres())
	}
	a, ok := byName(t, "EPSG:32019").Accuracy()
	assert.True(t, ok)
	assert.Equal(t, 10.0, a.Metres(), "NAD27 / North Carolina")

	// A datum EPSG knows no shift for is refused, not taken for WGS 84.
	c := byName(t, "EPSG:4297") // Tananarive 1925 has one ...
	_, ok = c.ShiftAt(orb.Point{47, -19})
	assert.True(t, ok)
	c = byName(t, "EPSG:4120") // ... the old Greek datum has none
	_, err := c.ToWGS84(23, 38)
	assert.ErrorIs(t, err, crs.ErrNoShift)
	_, ok = c.Accuracy()
	assert.False(t, ok)
}

// TestNAD27Moves holds the shift of a known point: the EPSG:4267 point 36.4° N
// 81.5° W moves by 18.24 m at azimuth 59.6°, by PROJ 9.1.1's default.
func TestNAD27Moves(t *testing.T) {
	p, err := byName(t, "EPSG:4267").ToWGS84(-81.5, 36.4)
	require.NoError(t, err)
	east, north := (p[0]+81.5)*111320*math.Cos(36.4*math.Pi/180), (p[1]-36.4)*111000
	assert.InDelta(t, 18.24, math.Hypot(east, north), 0.05)
	assert.InDelta(t, 59.6, math.Atan2(east, north)*180/math.Pi, 0.3)
}

func TestNoAllocation(t *testing.T) {
	for _, pair := range [][2]string{{"EPSG:4326", "EPSG:2264"}, {"EPSG:4326", "EPSG:28992"}, {"EPSG:28992", "EPSG:4326"}, {"EPSG:4326", "EPSG:27200"}} {
		tr := crs.NewTransformer(byName(t, pair[0]), byName(t, pair[1]))
		x, y := map[string]orb.Point{"EPSG:2264": {-80, 35}, "EPSG:28992": {5.7, 51}, "EPSG:4326": {181072, 333611}, "EPSG:27200": {174.8, -36.9}}[pair[1]], 0.0
		y = x[1]
		assert.Zero(t, testing.AllocsPerRun(100, func() {
			if _, _, err := tr.Transform(x[0], y); err != nil {
				t.Fatal(err)
			}
		}), pair)
	}
}
