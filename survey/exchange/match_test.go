package exchange_test

import (
	"iter"
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

func opened(t *testing.T, path string) *exchange.Input {
	t.Helper()
	in, err := exchange.Open(path, exchange.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, in.Close()) })
	return in
}

// matched is what is written of a file when one item is on file.
func matched[T any](t *testing.T, m *exchange.Matcher[T], items iter.Seq2[T, error], was T) (write []T) {
	t.Helper()
	m.Had(was, 7)
	for item, err := range items {
		require.NoError(t, err)
		as, revision, changed, err := m.Match(item, func(string) (T, error) { return was, nil })
		require.NoError(t, err)
		if changed {
			assert.EqualValues(t, 7, revision)
			write = append(write, as)
		}
	}
	m.Finish()
	return write
}

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
		in := opened(t, path)
		sites, r := in.Sites()
		m := exchange.MatchSites(r, geo.Metre, func() (exchange.Given, error) {
			again, _ := opened(t, path).Sites()
			return exchange.SitesGive(again)
		})
		assert.Equal(t, []survey.Site{want}, matched(t, m, sites, site), gauge)
	}
}

// A place that is another has the accuracy that the file gives it, or none.
func TestMovedPlace(t *testing.T) {
	point := survey.Point{ID: "p", Site: "s", Label: "A1", Position: orb.Point{-91.2, 44.65}, Fix: survey.Fix{Source: "tape", AccuracyM: survey.Known(geo.Length(0.1))}}
	for lon, want := range map[string]survey.Fix{"-91.2": point.Fix, "-91.3": {}} {
		path := filepath.Join(t.TempDir(), "points.csv")
		require.NoError(t, os.WriteFile(path, []byte("site,label,lon,lat,surveyed_by\ns,A1,"+lon+",44.65,crew\n"), 0o600))
		in := opened(t, path)
		points, r := in.Points()
		m := exchange.MatchPoints(r, geo.Metre, func() (exchange.Given, error) {
			again, _ := opened(t, path).Points()
			return exchange.PointsGive(again)
		}, nil)
		write := matched(t, m, points, point)
		require.Len(t, write, 1, lon)
		assert.Equal(t, want, write[0].Fix, lon)
	}
}
