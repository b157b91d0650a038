package survey_test

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/geo/geojson"
	"holdfast/survey"
)

func feature(t testing.TB, coordinates, properties string) geojson.Feature {
	t.Helper()
	var f geojson.Feature
	require.NoError(t, json.Unmarshal([]byte(`{"type":"Feature","geometry":{"type":"Point","coordinates":`+coordinates+`},"properties":`+properties+`}`), &f))
	return f
}

// source: definitions: 1 lbf = 0.45359237 kg × 9.80665 m/s²; 10 kN is about
// 2,250 lbf (common practice, no source); 1.5 and 0.5 tsf are 144 and 48 kPa
// in 29 CFR 1926 Subpart P Appendix A, rounded.
func TestQuantities(t *testing.T) {
	assert.InDelta(t, 2250, (10 * survey.Kilonewton).Pounds(), 5)
	assert.InDelta(t, 2.669, (600 * survey.PoundForce).Kilonewtons(), 0.0005)
	assert.InDelta(t, 144, (1.5 * survey.TonPerSquareFoot).Kilopascals(), 0.5)
	assert.InDelta(t, 48, (0.5 * survey.TonPerSquareFoot).Kilopascals(), 0.2)
	assert.InDelta(t, 0.45359237*9.80665, survey.Weight(0.45359237).Newtons(), 1e-12)
	assert.InDelta(t, float64(survey.PoundForce), survey.Weight(0.45359237).Newtons(), 1e-12)
}

func TestWrongPointsSayWhereAndWhat(t *testing.T) {
	for _, c := range []struct {
		name, coordinates, properties string
		pointer, says                 string
	}{
		{"misspelt key", "[-91.2,44.65]", `{"site":"S","label":"P","terrain":{"slope":30}}`, "/properties/terrain/slope", "did you mean slope_deg"},
		{"misspelt at the top", "[-91.2,44.65]", `{"site":"S","lable":"P"}`, "/properties/lable", "did you mean label"},
		{"unknown class", "[-91.2,44.65]", `{"site":"S","label":"P","ground":{"class":"D"}}`, "/properties/ground/class", "rock, A, B, C, unknown"},
		{"latitude first", "[44.65,-91.2]", `{"site":"S","label":"P"}`, "/geometry/coordinates", "swapped"},
		{"beyond the globe", "[500,95]", `{"site":"S","label":"P"}`, "/geometry/coordinates", "beyond"},
		{"text for a number", "[-91.2,44.65]", `{"site":"S","label":"P","terrain":{"slope_deg":"steep"}}`, "/properties/terrain/slope_deg", "not a number"},
		{"number for a text", "[-91.2,44.65]", `{"site":"S","label":3}`, "/properties/label", "not text"},
		{"slope beyond vertical", "[-91.2,44.65]", `{"site":"S","label":"P","terrain":{"slope_deg":120}}`, "/properties/terrain/slope_deg", "0 to 90"},
		{"no north", "[-91.2,44.65]", `{"site":"S","label":"P","pull":{"bearing_deg":10}}`, "/properties/pull/north", "true or magnetic"},
		{"compass without date", "[-91.2,44.65]", `{"site":"S","label":"P","pull":{"bearing_deg":10,"north":"magnetic"}}`, "/properties/surveyed_at", "date"},
		{"bad date", "[-91.2,44.65]", `{"site":"S","label":"P","surveyed_at":"yesterday"}`, "/properties/surveyed_at", "not a date"},
		{"test without unit", "[-91.2,44.65]", `{"site":"S","label":"P","ground":{"tests":[{"kind":"pocket penetrometer","reading":2}]}}`, "/properties/ground/tests/0/unit", "tsf, kPa"},
		{"thumb in own words", "[-91.2,44.65]", `{"site":"S","label":"P","ground":{"tests":[{"kind":"thumb","reading":"squishy"}]}}`, "/properties/ground/tests/0/reading", "very soft"},
		{"two anchors of one id", "[-91.2,44.65]", `{"site":"S","label":"P","anchors":[{"id":"T1","kind":"tree"},{"id":"T1","kind":"rock"}]}`, "/properties/anchors/1/id", "two anchors"},
		{"rating of no origin", "[-91.2,44.65]", `{"site":"S","label":"P","anchors":[{"id":"T1","kind":"tree","rated_kn":40}]}`, "/properties/anchors/0/evidence", "comes from"},
		{"penetrometer in the wrong unit", "[-91.2,44.65]", `{"site":"S","label":"P","ground":{"tests":[{"kind":"pocket penetrometer","reading":30,"unit":"tsf"}]}}`, "/properties/ground/tests/0/reading", "is the unit right?"},
		{"vane in the wrong unit", "[-91.2,44.65]", `{"site":"S","label":"P","ground":{"tests":[{"kind":"shear vane","reading":25,"unit":"tsf"}]}}`, "/properties/ground/tests/0/reading", "is the unit right?"},
		{"pull test of nothing", "[-91.2,44.65]", `{"site":"S","label":"P","pull_tests":[{"rig":"1-1-1 rig","force_kn":1,"outcome":"failed"}]}`, "/properties/pull_tests/0/rig", "neither a rig"},
		{"pull test of another's tree", "[-91.2,44.65]", `{"site":"S","label":"P","anchors":[{"id":"T1","kind":"tree"}],"pull_tests":[{"rig":"t1","force_kn":1,"outcome":"failed"}]}`, "/properties/pull_tests/0/rig", "neither a rig"},
		{"no site", "[-91.2,44.65]", `{"label":"P"}`, "/properties/site", "missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := survey.ParsePoint(feature(t, c.coordinates, c.properties))
			require.ErrorIs(t, err, survey.ErrInvalid)
			var invalid *survey.InvalidError
			require.ErrorAs(t, err, &invalid)
			var messages []string
			for _, p := range invalid.Problems {
				messages = append(messages, p.String())
			}
			assert.Contains(t, strings.Join(messages, "\n"), c.pointer+": ")
			assert.Contains(t, strings.Join(messages, "\n"), c.says)
		})
	}
	_, err := survey.ParsePoint(feature(t, "[-91.2,44.65]", `{"label":"","slop":1,"ground":{"class":"E"}}`))
	var invalid *survey.InvalidError
	require.ErrorAs(t, err, &invalid)
	assert.NotEmpty(t, invalid.Problems)
}

// Unknown, zero and no are three things, in and out.
func TestUnknownIsNotZero(t *testing.T) {
	for _, c := range []struct {
		properties string
		known      bool
	}{
		{`{"site":"S","label":"P"}`, false},
		{`{"site":"S","label":"P","terrain":{"slope_deg":null}}`, false},
		{`{"site":"S","label":"P","terrain":{"slope_deg":0}}`, true},
	} {
		p, err := survey.ParsePoint(feature(t, "[-91.2,44.65,0]", c.properties))
		require.NoError(t, err)
		assert.Equal(t, c.known, p.Terrain.SlopeDeg.Known(), c.properties)
		z, ok := p.ElevationM.Get()
		assert.True(t, ok && z == 0, "an elevation of 0 is known")
		f, err := p.Feature()
		require.NoError(t, err)
		assert.Equal(t, c.known, strings.Contains(string(f.Properties), "slope_deg"))
		again, err := survey.ParsePoint(f)
		require.NoError(t, err)
		assert.Equal(t, p, again)
	}
	for answer, settled := range map[survey.Answer]bool{"": false, survey.AnswerUnknown: false, survey.Yes: true, survey.No: true} {
		assert.Equal(t, settled, answer.Settled())
	}
}

func TestSitesValidate(t *testing.T) {
	ring := orb.Polygon{{{0, 0}, {1, 0}, {1, 1}, {0, 0}}}
	ok := survey.Site{Name: "N", Code: "C", Geometry: ring}
	require.NoError(t, ok.Validate())
	for name, change := range map[string]func(*survey.Site){
		"open ring":      func(s *survey.Site) { s.Geometry = orb.Polygon{{{0, 0}, {1, 0}, {1, 1}, {0, 1}}} },
		"no geometry":    func(s *survey.Site) { s.Geometry = nil },
		"several places": func(s *survey.Site) { s.Geometry = orb.MultiPoint{{0, 0}} },
		"NaN":            func(s *survey.Site) { s.Geometry = orb.Point{math.NaN(), 0} },
		"no code":        func(s *survey.Site) { s.Code = "" },
		"unknown kind":   func(s *survey.Site) { s.Kind = "volcano" },
		"signed by none": func(s *survey.Site) { s.Review.State = survey.Signed },
	} {
		s := ok
		change(&s)
		assert.ErrorIs(t, s.Validate(), survey.ErrInvalid, name)
	}
}

func TestAge(t *testing.T) {
	now := time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)
	days, ok := survey.Age(survey.Known(now.AddDate(0, 0, -10)), now)
	assert.True(t, ok)
	assert.Equal(t, 10, days)
	_, ok = survey.Age(survey.Opt[time.Time]{}, now)
	assert.False(t, ok, "no date is no age")
	_, ok = survey.Age(survey.Known(now.AddDate(0, 0, 1)), now)
	assert.False(t, ok, "a date to come is no age")
}

// source: NAVEDTRA 14251 chapter 6 (700, 1,800, 4,000 lbf), FM 5-125 Table 4-1
// from memory (1,400, 2,000), the quoted range of a 1-1-1 (about 2,000 lbf,
// common practice, no source); ground factors and the load are the policy's.
func TestDefaultPolicy(t *testing.T) {
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	for rig, lbf := range map[string]float64{"1": 700, "1-1": 1400, "1-1-1": 1800, "2-1": 2000, "3-2-1": 4000} {
		r, ok := p.Rating(rig)
		require.True(t, ok, rig)
		assert.InDelta(t, lbf, survey.Force(r.HoldingN).Pounds(), 0.01, rig)
	}
	r, _ := p.Rating("1-1-1")
	high, ok := r.HighN.Get()
	assert.True(t, ok)
	assert.InDelta(t, 2000, survey.Force(high).Pounds(), 0.01)
	two, err := p.LoadCase("two-person")
	require.NoError(t, err)
	assert.InDelta(t, 600, survey.Force(two.LoadN).Pounds(), 0.01)
	assert.InDelta(t, 24, p.UtilityToleranceM.Value.Inches(), 0.001)
}

func TestPolicyRefusesAnUnsourcedLine(t *testing.T) {
	bad := strings.Replace(string(data.DefaultPolicy), `"source": "department"`, `"source": ""`, 1)
	require.NotEqual(t, string(data.DefaultPolicy), bad)
	_, err := survey.ParsePolicy([]byte(bad))
	require.ErrorIs(t, err, survey.ErrInvalid)
	assert.ErrorContains(t, err, "/source")
	for _, raw := range []string{"", "{}", "[]", `{"required_ratio":{"value":0.5,"source":"x"}}`} {
		_, err := survey.ParsePolicy([]byte(raw))
		assert.ErrorIs(t, err, survey.ErrInvalid, raw)
	}
}

func TestPatterns(t *testing.T) {
	for text, stakes := range map[string]int{"1": 1, "1-1": 2, "1-1-1": 3, "2-1": 3, "3-2-1": 6} {
		p, err := survey.ParsePattern(text)
		require.NoError(t, err)
		assert.Equal(t, stakes, p.Stakes())
		assert.Equal(t, text, p.String())
	}
	for _, bad := range []string{"", "0", "1-", "-1", "1-0", "a", "10", "1-1-1-1-1", "7"} {
		_, err := survey.ParsePattern(bad)
		assert.ErrorIs(t, err, survey.ErrInvalid, bad)
	}
}

func TestLengths(t *testing.T) {
	assert.InDelta(t, 1.2192, (48 * geo.Inch).Metres(), 1e-12) // source: 1 in = 25.4 mm exactly
}

func FuzzPoint(f *testing.F) {
	f.Add([]byte(`{"site":"S","label":"P","ground":{"class":"B","tests":[{"kind":"thumb","reading":"soft"}]}}`))
	f.Add([]byte(`{"site":"S","label":"P","pull":{"bearing_deg":1e308}}`))
	f.Fuzz(func(t *testing.T, props []byte) {
		p, err := survey.ParsePoint(geojson.Feature{Geometry: geojson.Geometry{Geometry: orb.Point{1, 2}}, Properties: props})
		if err != nil {
			return
		}
		out, err := p.Feature()
		require.NoError(t, err, "what is valid can be written")
		again, err := survey.ParsePoint(out)
		require.NoError(t, err, "and read again")
		require.Equal(t, p, again)
	})
}
