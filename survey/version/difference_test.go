package version_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/version"
)

func feature(coordinates, properties string) json.RawMessage {
	return json.RawMessage(`{"type":"Feature","id":"p","geometry":{"type":"Point","coordinates":` + coordinates + `},"properties":` + properties + `}`)
}

// 35° and 40° are angles as they stand; 6 m is 19 ft 8 in (236.2 in at 25.4 mm,
// exact by definition, NIST SP 811 appendix B.8) and 9 kN is 2,023 lbf (at
// 4.4482216152605 N), which a holding power writes as 2,020 or less.
func TestPhrases(t *testing.T) {
	at := `[-91.2045,44.6513]`
	for _, c := range []struct {
		name          string
		before, after json.RawMessage
		want          []version.Phrase
	}{
		{"nothing", feature(at, `{"label":"A"}`), feature(at, `{"label":"A"}`), []version.Phrase{}},
		{"an angle", feature(at, `{"terrain":{"slope_deg":35}}`), feature(at, `{"terrain":{"slope_deg":40}}`), []version.Phrase{{"Bank, slope", "35°", "40°"}}},
		{"a length that was not recorded", feature(at, `{}`), feature(at, `{"terrain":{"setback_m":6}}`), []version.Phrase{{"Bank, setback from the crest", "not recorded", "19 ft 8 in (6.00 m)"}}},
		{"zero is not nothing", feature(at, `{"terrain":{"slope_deg":0}}`), feature(at, `{}`), []version.Phrase{{"Bank, slope", "0°", "not recorded"}}},
		{"unknown is not nothing", feature(at, `{"ground":{"disturbed":"unknown"}}`), feature(at, `{"ground":{"disturbed":"no"}}`), []version.Phrase{{"Ground, disturbed", "unknown", "no"}}},
		{
			"a bearing and its north", feature(at, `{"pull":{"bearing_deg":41,"north":"magnetic"}}`), feature(at, `{"pull":{"bearing_deg":38,"north":"true"}}`),
			[]version.Phrase{{"Pull, bearing as written", "041°", "038°"}, {"Pull, north", "magnetic", "true"}},
		},
		{
			"an anchor in another place of the list", feature(at, `{"anchors":[{"id":"T1","kind":"tree"},{"id":"T2","kind":"tree","distance_m":6}]}`),
			feature(at, `{"anchors":[{"id":"T2","kind":"tree","distance_m":7},{"id":"T1","kind":"tree"}]}`),
			[]version.Phrase{{"Anchor T2, distance", "19 ft 8 in (6.00 m)", "23 ft (7.00 m)"}},
		},
		{
			"a new anchor is one line", feature(at, `{}`), feature(at, `{"anchors":[{"id":"T1","kind":"tree","bearing_deg":8}]}`),
			[]version.Phrase{{"Anchor T1", "not recorded", "bearing 008°, kind tree"}},
		},
		{
			"a pull test", feature(at, `{"pull_tests":[{"rig":"1-1-1","force_kn":9,"outcome":"held","at":"2026-05-04T10:00:00Z"}]}`),
			feature(at, `{"pull_tests":[{"rig":"1-1-1","force_kn":9,"outcome":"failed","at":"2026-05-04T10:00:00Z"}]}`),
			[]version.Phrase{{"Pull test of 1-1-1 on 4 May 2026, outcome", "held", "failed"}},
		},
		{"a hazard", feature(at, `{"hazards":["Undercut bank"]}`), feature(at, `{"hazards":["Undercut bank","Barbed wire"]}`), []version.Phrase{{"Hazard", "not recorded", "Barbed wire"}}},
		{"a day", feature(at, `{"surveyed_at":"2025-04-12T10:00:00Z"}`), feature(at, `{"surveyed_at":"2026-05-04T10:00:00Z"}`), []version.Phrase{{"Date of the survey", "12 Apr 2025", "4 May 2026"}}},
		{"a position", feature(at, `{}`), feature(`[-91.2046,44.6513,231]`, `{}`), []version.Phrase{{"Position", "44.6513000, -91.2045000", "44.6513000, -91.2046000, elevation 758 ft (231 m)"}}},
		{"a difference below the words", feature(at, `{"terrain":{"slope_deg":35}}`), feature(at, `{"terrain":{"slope_deg":35.2}}`), []version.Phrase{{"Bank, slope", "35", "35.2"}}},
		{"an item that was not there", nil, feature(at, `{"label":"A"}`), []version.Phrase{{"Position", "not recorded", "44.6513000, -91.2045000"}, {"Label", "not recorded", "A"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := version.Differences(c.before, c.after)
			require.NoError(t, err)
			assert.Equal(t, c.want, version.Phrases(survey.UnitsUS, d))
		})
	}
}

func FuzzDifferences(f *testing.F) {
	f.Add([]byte(`{"properties":{"anchors":[{"id":"T1","distance_m":6}],"tests":[{"kind":"visual"}]}}`), []byte(`{"properties":{"anchors":[{"id":"T1"}]}}`))
	f.Add([]byte(`[1,2]`), []byte(`{"a/b":{"~":null}}`))
	f.Fuzz(func(t *testing.T, a, b []byte) {
		d, err := version.Differences(a, b)
		if err != nil {
			return
		}
		version.Phrases(survey.UnitsUS, d)
		back, err := version.Differences(b, a)
		require.NoError(t, err)
		assert.Len(t, back, len(d), "there and back differ in the same fields")
		same, err := version.Differences(a, a)
		require.NoError(t, err)
		assert.Empty(t, same)
	})
}
