package convert_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/convert"
	"holdfast/geo/magnetic"
)

var at = time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC)

// source: GeoConvert 2.1.2 (GeographicLib) of "44.65123 -91.20456" with -u, -m,
// -d and -c.
func TestOnePlaceInEveryNotation(t *testing.T) {
	c := convert.On(at, magnetic.Default())
	for _, in := range []string{"44.65123,-91.20456", `44°39'04.428"N 91°12'16.416"W`, "geo:44.65123,-91.20456"} {
		r, err := c.Line(in)
		require.NoError(t, err, in)
		assert.InDelta(t, 44.65123, r.Lat, 1e-9)
		assert.InDelta(t, -91.20456, r.Lon, 1e-9)
		assert.Equal(t, "44.651230, -91.204560", r.Decimal)
		assert.Equal(t, "15T 642364 4945776", r.UTM)
		assert.Equal(t, "15TXK4236445775", r.MGRS)
		assert.Equal(t, "15T XK 42364 45775", r.USNG)
		assert.InDelta(t, 1.26202742, r.ConvergenceDeg, 1e-7)
		assert.InDelta(t, 0.9998492387, r.Scale, 1e-9)
		assert.True(t, r.DeclinationOK)
		assert.Nil(t, r.ElevationM, "none given is none")
	}
	back, err := c.Line("15TXK4236445775")
	require.NoError(t, err)
	assert.InDelta(t, 44.65123, back.Lat, 1e-5)
}

func TestDeclinationIsLoudOutsideItsYears(t *testing.T) {
	r, err := convert.On(time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC), magnetic.Default()).Line("44.65,-91.2")
	require.NoError(t, err)
	assert.False(t, r.DeclinationOK)
	assert.NotEmpty(t, r.Doubt)
}

func BenchmarkLine(b *testing.B) {
	c := convert.On(at, magnetic.Default())
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.Line("44.65123,-91.20456"); err != nil {
			b.Fatal(err)
		}
	}
}
