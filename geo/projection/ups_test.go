package projection_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/projection"
)

func ups(north bool) *projection.PolarStereographic {
	return projection.NewPolarStereographicA(geo.WGS84, north, 0, 0.994, 2e6, 2e6)
}

func TestPolarStereographicPublished(t *testing.T) {
	// source: IOGP Guidance Note 7-2, Polar Stereographic variant A, worked
	// example WGS 84 / UPS North (from memory; printed to the centimetre).
	lon, lat := 44.0, 73.0
	x, y, err := ups(true).Forward(lon, lat)
	require.NoError(t, err)
	assert.InDelta(t, 3320416.75, x, 0.006)
	assert.InDelta(t, 632668.43, y, 0.006)
	blon, blat, err := ups(true).Inverse(3320416.75, 632668.43)
	require.NoError(t, err)
	assert.InDelta(t, lon, blon, 1e-6)
	assert.InDelta(t, lat, blat, 1e-6)
}

// TestPolarStereographicGeoConvert compares with GeographicLib's GeoConvert
// (2.1.2), forced to UPS, down to the 83rd parallel.
func TestPolarStereographicGeoConvert(t *testing.T) {
	const seed = 20260505
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	type point struct{ lon, lat float64 }
	var points []point
	var in []string
	for i := range 2000 {
		q := point{math.Round((r.Float64()*2-1)*180*1e7) / 1e7, math.Round((90-7*r.Float64())*1e7) / 1e7}
		if i < 8 { // the meridians where sine or cosine vanish
			q = point{float64(i*45 - 180), 85}
		}
		if i%2 == 1 {
			q.lat = -q.lat
		}
		points = append(points, q)
		in = append(in, fmt.Sprintf("%.7f %.7f", q.lat, q.lon))
	}
	xy := pipe(t, in, "GeoConvert", "-u", "-z", "0", "-p", "9")
	ck := pipe(t, in, "GeoConvert", "-c", "-z", "0", "-p", "8")
	for i, q := range points {
		p := ups(q.lat > 0)
		var h string
		var ex, ey, eg, ek float64
		_, err := fmt.Sscan(xy[i], &h, &ex, &ey)
		require.NoError(t, err)
		_, err = fmt.Sscan(ck[i], &eg, &ek)
		require.NoError(t, err)
		x, y, err := p.Forward(q.lon, q.lat)
		require.NoError(t, err)
		gamma, k := p.ConvergenceScale(q.lon, q.lat)
		assert.InDelta(t, ex, x, 1e-8, in[i])
		assert.InDelta(t, ey, y, 1e-8, in[i])
		assert.InDelta(t, 0, math.Remainder(eg-gamma.Degrees(), 360), 1e-12, in[i])
		assert.InDelta(t, ek, k, 1e-12, in[i])
		lon, lat, err := p.Inverse(ex, ey)
		require.NoError(t, err)
		assert.InDelta(t, q.lat, lat, 1e-12, in[i])
		assert.InDelta(t, 0, math.Remainder(q.lon-lon, 360)*math.Cos(q.lat*math.Pi/180), 1e-12, in[i])
	}
}

func TestPolarStereographicPole(t *testing.T) {
	// source: EPSG method 9810: the pole has the false coordinates and the
	// scale k0.
	for _, north := range []bool{true, false} {
		lat := 90.0
		if !north {
			lat = -90
		}
		x, y, err := ups(north).Forward(77, lat)
		require.NoError(t, err)
		assert.Equal(t, [2]float64{2e6, 2e6}, [2]float64{x, y})
		_, k := ups(north).ConvergenceScale(77, lat)
		assert.Equal(t, 0.994, k)
		lon, back, err := ups(north).Inverse(2e6, 2e6)
		require.NoError(t, err)
		assert.Equal(t, [2]float64{0, lat}, [2]float64{lon, back})
	}
}

func TestPolarStereographicLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		north := rapid.Bool().Draw(t, "north")
		lon0 := rapid.Float64Range(-180, 180).Draw(t, "lon0")
		lon := rapid.Float64Range(-180, 180).Draw(t, "lon")
		lat := rapid.Float64Range(0, 90).Draw(t, "lat")
		if !north {
			lat = -lat
		}
		p := projection.NewPolarStereographicA(geo.WGS84, north, lon0, 0.97, 1, 2)
		x, y, err := p.Forward(lon, lat)
		require.NoError(t, err)
		blon, blat, err := p.Inverse(x, y)
		require.NoError(t, err)
		assert.InDelta(t, lat, blat, 1e-12)
		assert.InDelta(t, 0, math.Remainder(blon-lon, 360)*math.Cos(lat*math.Pi/180), 1e-12)
		if lat == 0 {
			return
		}
		_, _, err = p.Forward(lon, -lat)
		require.ErrorIs(t, err, projection.ErrDomain, "the other hemisphere is refused")
	})
}

func TestPolarStereographicRefuses(t *testing.T) {
	_, _, err := ups(true).Forward(0, math.NaN())
	require.ErrorIs(t, err, projection.ErrDomain)
	_, _, err = ups(true).Forward(math.Inf(1), 85)
	require.ErrorIs(t, err, projection.ErrDomain)
	_, _, err = ups(true).Inverse(1e8, 0)
	require.ErrorIs(t, err, projection.ErrDomain)
	gamma, k := ups(false).ConvergenceScale(0, 85)
	assert.True(t, math.IsNaN(float64(gamma)) && math.IsNaN(k))
}
