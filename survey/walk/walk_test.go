package walk_test

import (
	"encoding/json"
	"fmt"
	"math"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey/walk"
)

type reply[T any] struct {
	OK      T
	Problem *struct {
		Message string
		Errors  []struct{ Pointer, Message string }
		Could   []string `json:"could_be"`
	}
}

func ask[T any](t require.TestingT, d *walk.Device, verb, question string) reply[T] {
	var r reply[T]
	require.NoError(t, json.Unmarshal(d.Ask(verb, []byte(question)), &r))
	return r
}

func fixes(fs ...walk.Fix) string {
	b, _ := json.Marshal(walk.Fixes{Fixes: fs})
	return string(b)
}

func TestFixesAreWeighted(t *testing.T) {
	var d walk.Device
	at := orb.Point{-91.2, 44.65}
	east, _ := geodesic.Direct(at, 90, 12)

	t.Run("twice as sure counts four times", func(t *testing.T) {
		r := ask[walk.Mean](t, &d, "fixes", fixes(walk.Fix{at.Lon(), at.Lat(), 3}, walk.Fix{east.Lon(), east.Lat(), 6}))
		require.Nil(t, r.Problem)
		assert.InDelta(t, 12.0/5, geodesic.Distance(at, orb.Point{r.OK.Lon, r.OK.Lat}).Metres(), 1e-4)
		// distances 2.4 m and 9.6 m from the mean
		assert.InDelta(t, math.Sqrt((2.4*2.4+9.6*9.6)/2), r.OK.SpreadM, 1e-4)
		assert.InDelta(t, r.OK.SpreadM, r.OK.AccuracyM, 1e-12, "the spread is worse than the best fix, so it is what is stated")
		assert.Equal(t, 2, r.OK.Count)
	})
	t.Run("a hundred equal fixes are no better than one", func(t *testing.T) {
		var fs []walk.Fix
		for range 100 {
			fs = append(fs, walk.Fix{at.Lon(), at.Lat(), 4})
		}
		r := ask[walk.Mean](t, &d, "fixes", fixes(fs...))
		assert.InDelta(t, 4, r.OK.AccuracyM, 1e-9)
		assert.InDelta(t, 0, r.OK.SpreadM, 1e-6)
	})
	for name, q := range map[string]string{
		"no fix": `{"fixes": []}`, "beyond the pole": fixes(walk.Fix{0, 91, 1}), "worse than nothing": fixes(walk.Fix{0, 0, -1}),
		"two places": fixes(walk.Fix{0, 0, 1}, walk.Fix{170, 0, 1}), "no question": `[]`,
	} {
		t.Run(name, func(t *testing.T) { assert.NotNil(t, ask[walk.Mean](t, &d, "fixes", q).Problem) })
	}
}

// TestFixesLaws: the mean lies among the fixes, and what is stated of it is
// never better than the best of them.
func TestFixesLaws(t *testing.T) {
	var d walk.Device
	rapid.Check(t, func(t *rapid.T) {
		at := orb.Point{rapid.Float64Range(-179, 179).Draw(t, "lon"), rapid.Float64Range(-80, 80).Draw(t, "lat")}
		var fs []walk.Fix
		best, furthest := math.Inf(1), 0.0
		for i := range rapid.IntRange(1, 20).Draw(t, "count") {
			away := rapid.Float64Range(0, 30).Draw(t, fmt.Sprint("away", i))
			p, _ := geodesic.Direct(at, geo.NewBearing(rapid.Float64Range(0, 360).Draw(t, fmt.Sprint("bearing", i))), geo.Length(away))
			f := walk.Fix{p.Lon(), p.Lat(), rapid.Float64Range(0.5, 50).Draw(t, fmt.Sprint("accuracy", i))}
			fs = append(fs, f)
			best, furthest = min(best, f.AccuracyM), max(furthest, away)
		}
		r := ask[walk.Mean](t, &d, "fixes", fixes(fs...))
		require.Nil(t, r.Problem)
		assert.LessOrEqual(t, geodesic.Distance(at, orb.Point{r.OK.Lon, r.OK.Lat}).Metres(), furthest+1e-3)
		assert.GreaterOrEqual(t, r.OK.AccuracyM, best)
	})
}

func TestHeadings(t *testing.T) {
	var d walk.Device
	const at = `"lon": -91.2, "lat": 44.65, "at": "2026-05-04T00:00:00Z", `
	t.Run("about north", func(t *testing.T) {
		r := ask[walk.Heading](t, &d, "headings", `{`+at+`"magnetic": [350, 356, 4, 10]}`)
		require.Nil(t, r.Problem)
		m, _ := r.OK.Magnetic.Get()
		assert.InDelta(t, 0, math.Remainder(m, 360), 1e-9)
		assert.InDelta(t, 10, r.OK.SpreadDeg, 1e-9)
		assert.Equal(t, 4, r.OK.Count)
	})
	t.Run("magnetic to true and back", func(t *testing.T) {
		r := ask[walk.Bearing](t, &d, "bearing", `{`+at+`"magnetic": 200}`)
		v, ok := r.OK.True.Get()
		require.True(t, ok)
		assert.InDelta(t, 200+r.OK.Declination, v, 1e-9)
		back := ask[walk.Bearing](t, &d, "bearing", fmt.Sprintf(`{%s"true": %.12f}`, at, v))
		m, _ := back.OK.Magnetic.Get()
		assert.InDelta(t, 200, m, 1e-9)
	})
	t.Run("all round", func(t *testing.T) {
		assert.NotNil(t, ask[walk.Heading](t, &d, "headings", `{`+at+`"magnetic": [0, 90, 180, 270]}`).Problem)
	})
	// WMM2025's blackout zone holds the magnetic pole, near 85.8° N 139.3° E
	// in 2025 (NOAA/NCEI).
	t.Run("at the magnetic pole no compass bearing is turned", func(t *testing.T) {
		r := ask[walk.Bearing](t, &d, "bearing", `{"lon": 139.3, "lat": 85.8, "at": "2025-06-01T00:00:00Z", "magnetic": 10}`)
		require.NotNil(t, r.Problem)
		assert.Contains(t, r.Problem.Message, "blackout")
	})
}

func TestPositionAsTyped(t *testing.T) {
	var d walk.Device
	// source: GeoConvert 2.1.2 (GeographicLib) of "44.65123 -91.20456" -m.
	r := ask[struct{ Lon, Lat float64 }](t, &d, "position", `{"position": "15T XK 42364 45775", "at": "2026-05-04T00:00:00Z"}`)
	require.Nil(t, r.Problem)
	assert.InDelta(t, 44.65123, r.OK.Lat, 1e-5)
	assert.InDelta(t, -91.20456, r.OK.Lon, 1e-5)

	wrong := ask[any](t, &d, "position", `{"position": "over there", "at": "2026-05-04T00:00:00Z"}`)
	require.NotNil(t, wrong.Problem)
	assert.NotEmpty(t, wrong.Problem.Message)
}

// area is a square about the origin with one buried line through it.
func area(t *testing.T) string {
	t.Helper()
	return fmt.Sprintf(`{"atlas": "a", "bounds": [-0.01, -0.01, 0.01, 0.01], "roles": ["buried utility"], "policy": %s, "layers": [
		{"id": "b", "title": "Buried", "role": "buried utility", "features": [
			{"type": "Feature", "id": 1, "geometry": {"type": "LineString", "coordinates": [[-0.01, 0], [0.01, 0]]}, "properties": {}}]}]}`, data.DefaultPolicy)
}

const asked = `{"as_of": "2026-05-04T00:00:00Z", "point": {"type": "Feature", "geometry": {"type": "Point", "coordinates": [%g, %g]}, "properties": {"ground": {"texture": "clay"}}}}`

type check struct {
	Title       string
	Ran, Passed bool
}

type judged struct {
	Covered bool
	Answer  struct {
		Verdict string
		Options []struct{ Main struct{ Checks []check } }
	}
}

// TestBeyondTheAreaNothingIsKnown: where the layers were not taken along they
// count as not looked at, which is not the same as nothing there.
func TestBeyondTheAreaNothingIsKnown(t *testing.T) {
	var d walk.Device
	require.NotNil(t, ask[any](t, &d, "answer", fmt.Sprintf(asked, 0.0, 0.0)).Problem, "without an area there is no policy to judge by")
	require.Nil(t, ask[walk.Taken](t, &d, "area", area(t)).Problem)

	buried := func(lon, lat float64) (covered bool, out []check) {
		r := ask[judged](t, &d, "answer", fmt.Sprintf(asked, lon, lat))
		require.Nil(t, r.Problem)
		require.NotEmpty(t, r.OK.Answer.Options)
		for _, c := range r.OK.Answer.Options[0].Main.Checks {
			if c.Title == "buried lines on file" || c.Title == "buried utilities" {
				out = append(out, c)
			}
		}
		require.NotEmpty(t, out)
		return r.OK.Covered, out
	}
	covered, on := buried(0, 0)
	assert.True(t, covered)
	away, off := buried(0, 0.02)
	assert.False(t, away)
	assert.NotEqual(t, on, off, "the line was not seen")
	for _, c := range off {
		assert.False(t, c.Ran && c.Passed, "%s passed where nothing was looked at", c.Title)
	}
}

func TestProblemsNameTheField(t *testing.T) {
	var d walk.Device
	require.Nil(t, ask[walk.Taken](t, &d, "area", area(t)).Problem)
	r := ask[any](t, &d, "answer", `{"as_of": "2026-05-04T00:00:00Z", "point": {"type": "Feature", "geometry": {"type": "Point", "coordinates": [0, 0]}, "properties": {"terrain": {"slope_deg": 91}}}}`)
	require.NotNil(t, r.Problem)
	require.Len(t, r.Problem.Errors, 1)
	assert.Equal(t, "/properties/terrain/slope_deg", r.Problem.Errors[0].Pointer)
	for _, verb := range []string{"area", "answer", "points", "position", "bearing", "fixes", "headings", "grid", "", "other"} {
		assert.NotNil(t, ask[any](t, &d, verb, `"?"`).Problem, verb)
	}
}

func FuzzAsk(f *testing.F) {
	f.Add("answer", fmt.Sprintf(asked, 0.0, 0.0))
	f.Add("fixes", `{"fixes": [{"lon": 1, "lat": 2, "accuracy_m": 3}]}`)
	f.Add("headings", `{"lon": 1, "lat": 2, "at": "2026-05-04T00:00:00Z", "magnetic": [1, 2]}`)
	f.Add("grid", `{"bbox": [0, 0, 0.1, 0.1]}`)
	f.Add("position", `{"position": "15T XK 42364 45775"}`)
	var d walk.Device
	d.Ask("area", fmt.Appendf(nil, `{"bounds": [-0.01, -0.01, 0.01, 0.01], "policy": %s}`, data.DefaultPolicy))
	f.Fuzz(func(t *testing.T, verb, question string) {
		if verb == "area" {
			return // the server's own, and it would change what the others answer
		}
		require.True(t, json.Valid(d.Ask(verb, []byte(question))))
	})
}
