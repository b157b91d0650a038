package exchange_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/exchange"
)

// A table that has part of a statement leaves the rest of it on file where it
// says the same, and takes the rest away where it says another thing.
func TestPartOfAStatement(t *testing.T) {
	site := survey.Site{
		ID: "s", Name: "Mill Bend", Code: "MB", Geometry: orb.Point{-91.2, 44.65},
		Water: survey.Water{Gauge: "Mill", DatumM: survey.Known(geo.Length(230)), WarnStageM: survey.Known(geo.Length(2.4))},
	}
	same, other := site, site
	same.Name, other.Name = "Bend at the mill", "Bend at the mill"
	other.Water = survey.Water{Gauge: "Weir"}
	for gauge, want := range map[string]survey.Site{"Mill": same, "Weir": other} {
		path := filepath.Join(t.TempDir(), "sites.csv")
		require.NoError(t, os.WriteFile(path, []byte("name,code,lon,lat,water.gauge\nBend at the mill,MB,-91.2,44.65,"+gauge+"\n"), 0o600))
		in, err := exchange.Open(path, exchange.Options{})
		require.NoError(t, err)
		sites, r, err := in.Sites()
		require.NoError(t, err)
		require.NoError(t, in.Close())
		m, err := exchange.MatchSites(r, sites, []survey.Site{site}, geo.Metre)
		require.NoError(t, err)
		assert.Equal(t, []survey.Site{want}, m.Write, gauge)
	}
}

// A place that is another has the accuracy that the file gives it, or none.
func TestMovedPlace(t *testing.T) {
	point := survey.Point{ID: "p", Site: "s", Label: "A1", Position: orb.Point{-91.2, 44.65}, Fix: survey.Fix{Source: "tape", AccuracyM: survey.Known(geo.Length(0.1))}}
	for lon, want := range map[string]survey.Fix{"-91.2": point.Fix, "-91.3": {}} {
		path := filepath.Join(t.TempDir(), "points.csv")
		require.NoError(t, os.WriteFile(path, []byte("site,label,lon,lat,surveyed_by\ns,A1,"+lon+",44.65,crew\n"), 0o600))
		in, err := exchange.Open(path, exchange.Options{})
		require.NoError(t, err)
		points, r, err := in.Points()
		require.NoError(t, err)
		require.NoError(t, in.Close())
		m, err := exchange.MatchPoints(r, points, []survey.Point{point}, map[string]string{"s": "s"}, geo.Metre)
		require.NoError(t, err)
		require.Len(t, m.Write, 1, lon)
		assert.Equal(t, want, m.Write[0].Fix, lon)
	}
}
