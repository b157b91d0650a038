package position_test

import (
	"errors"
	"math"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/grid"
	"holdfast/geo/position"
)

func TestRoundTrips(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := orb.Point{rapid.Float64Range(-180, 180).Draw(t, "lon"), rapid.Float64Range(-90, 90).Draw(t, "lat")}
		if rapid.Bool().Draw(t, "whole minutes") { // where rounding carries
			p[0], p[1] = math.Round(p[0]*60)/60, math.Round(p[1]*60)/60
		}
		places := rapid.IntRange(0, 9).Draw(t, "places")
		near := func(text string, degrees float64) {
			q, err := position.Parse(text)
			require.NoError(t, err, text)
			assert.InDelta(t, p.Lat(), q.Point.Lat(), degrees, text)
			assert.InDelta(t, p.Lon(), q.Point.Lon(), degrees, text)
		}
		unit := math.Pow10(-places)
		near(position.Decimal(p, places), unit/2+1e-12)
		near(position.DM(p, places), unit/120+1e-12)
		near(position.DMS(p, places), unit/7200+1e-12)

		z := geo.Length(rapid.IntRange(-400, 8848).Draw(t, "elevation"))
		uri := position.GeoURI(p, &z, 12)
		q, err := position.Parse(uri)
		require.NoError(t, err, uri)
		assert.InDelta(t, p.Lat(), q.Point.Lat(), 1e-12)
		assert.Equal(t, z, *q.Elevation)

		digits := rapid.SampledFrom([]int{2, 4, 6, 8, 10, 11, 12, 13, 14, 15}).Draw(t, "digits")
		code, err := position.OLC(p, digits)
		require.NoError(t, err)
		q, err = position.Parse(code)
		require.NoError(t, err, code)
		again, err := position.OLC(q.Point, digits)
		require.NoError(t, err)
		assert.Equal(t, code, again)

		utm, err := grid.AppendUTM(nil, p, places)
		require.NoError(t, err)
		q, err = position.Parse(string(utm))
		require.NoError(t, err, string(utm))
		c, err := grid.Project(p)
		require.NoError(t, err)
		if d, err := grid.Project(q.Point); err == nil && d.Zone == c.Zone && d.North == c.North {
			assert.InDelta(t, c.Easting.Metres(), d.Easting.Metres(), unit/2+1e-7, string(utm))
			assert.InDelta(t, c.Northing.Metres(), d.Northing.Metres(), unit/2+1e-7, string(utm))
		}

		prec := grid.Precision(rapid.IntRange(0, 8).Draw(t, "digits of the square"))
		for _, write := range []func(orb.Point, grid.Precision) (string, error){grid.MGRS, grid.USNG} {
			text, err := write(p, prec)
			require.NoError(t, err)
			q, err := position.Parse(text)
			require.NoError(t, err, string(utm))
			want, err := grid.Parse(text)
			require.NoError(t, err)
			assert.Equal(t, want.Centre, q.Point)
			assert.Equal(t, prec.Size(), q.Precision)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{
		"44.65123,-91.20456", `44°39'04.4"N 91°12'16.4"W`, "15T XK 42364 45775", "15S 743799 4279107", "geo:1,2,3;crs=wgs84;u=4",
		"86P8MQ2W+FX", "44,65 -91,20", "44-39-04.4N 91-12-16.4W", "44d39m04.4s S", "lon=-91&lat=44", "UPS N 2000000 2000000",
		"WGS84", "15 WGS 84", "''", "(((", "44.6 - 91.2", "642364 4945775 15T", "+.1-.2/", "N44W091", "22222222+22",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		inRange := func(p position.Position) {
			assert.True(t, math.Abs(p.Point.Lat()) <= 90 && math.Abs(p.Point.Lon()) <= 180, "%v of %q", p.Point, s)
			assert.True(t, p.Precision > 0 && !math.IsInf(float64(p.Precision), 0), "%v of %q", p.Precision, s)
			assert.NotEmpty(t, p.Notation)
		}
		p, err := position.Parse(s)
		var a *position.AmbiguousError
		switch {
		case errors.As(err, &a):
			require.NotEmpty(t, a.Readings)
			for _, r := range a.Readings {
				inRange(r.Position)
			}
			assert.NotEmpty(t, err.Error())
		case err != nil:
			assert.NotEmpty(t, err.Error())
		default:
			inRange(p)
			q, err := position.Parse(position.Decimal(p.Point, 12))
			require.NoError(t, err)
			assert.InDelta(t, p.Point.Lat(), q.Point.Lat(), 1e-12)
			assert.InDelta(t, p.Point.Lon(), q.Point.Lon(), 1e-12)
		}
	})
}

func BenchmarkParse(b *testing.B) {
	for name, s := range map[string]string{
		"decimal": "44.65123,-91.20456", "seconds": `44°39'04.4"N 91°12'16.4"W`, "USNG": "15T XK 42364 45775", "UTM": "15T 642364 4945775",
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := position.Parse(s); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
