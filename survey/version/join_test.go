package version_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/survey"
	"holdfast/survey/version"
)

func TestMain(m *testing.M) {
	if err := flag.Set("rapid.seed", "20261125"); err != nil { // the same cases in every run
		panic(err)
	}
	os.Exit(m.Run())
}

var monday = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

// made is a version of that hour with these properties; "" takes the item out.
func made(name string, hour int, properties string, on ...string) version.Made {
	m := version.Made{Name: name, On: on, At: monday.Add(time.Duration(hour) * time.Hour)}
	if properties != "" {
		m.Doc = feature(`[-91.2,44.6]`, properties)
	}
	return m
}

func settled(m version.Made) version.Made {
	m.Settles = true
	return m
}

func TestJoin(t *testing.T) {
	type conflict struct {
		path  string
		sides []string // the versions, what is in force first
	}
	for _, c := range []struct {
		name      string
		history   []version.Made
		want      string // properties; "" when taken out
		conflicts []conflict
	}{
		{"one after the other", []version.Made{made("a", 0, `{"label":"A"}`), made("b", 1, `{"label":"B"}`, "a")}, `{"label":"B"}`, nil},
		{"fields that do not touch", []version.Made{
			made("a", 0, `{"label":"A","ground":{"moisture":"dry"},"terrain":{"slope_deg":35}}`),
			made("b", 1, `{"label":"A","ground":{"moisture":"wet"},"terrain":{"slope_deg":35}}`, "a"),
			made("c", 2, `{"label":"A","ground":{"moisture":"dry"},"terrain":{"slope_deg":40,"setback_m":6}}`, "a"),
		}, `{"label":"A","ground":{"moisture":"wet"},"terrain":{"slope_deg":40,"setback_m":6}}`, nil},
		{"the same field, the later in force", []version.Made{
			made("a", 0, `{"terrain":{"slope_deg":35}}`), made("b", 2, `{"terrain":{"slope_deg":40}}`, "a"), made("c", 1, `{"terrain":{"slope_deg":45}}`, "a"),
		}, `{"terrain":{"slope_deg":40}}`, []conflict{{"/properties/terrain/slope_deg", []string{"b", "c"}}}},
		{"the same change twice is no conflict", []version.Made{
			made("a", 0, `{"label":"A"}`), made("b", 1, `{"label":"B"}`, "a"), made("c", 2, `{"label":"B"}`, "a"),
		}, `{"label":"B"}`, nil},
		{"a removed field against a changed one", []version.Made{
			made("a", 0, `{"label":"A","surveyed_by":"x"}`), made("b", 2, `{"label":"A"}`, "a"), made("c", 1, `{"label":"A","surveyed_by":"y"}`, "a"),
		}, `{"label":"A"}`, []conflict{{"/properties/surveyed_by", []string{"b", "c"}}}},
		{"a bearing and its north are one", []version.Made{
			made("a", 0, `{"pull":{"bearing_deg":41,"north":"magnetic"}}`),
			made("b", 1, `{"pull":{"bearing_deg":48,"north":"magnetic"}}`, "a"),
			made("c", 2, `{"pull":{"bearing_deg":41,"north":"true"}}`, "a"),
		}, `{"pull":{"bearing_deg":41,"north":"true"}}`, []conflict{{"/properties/pull", []string{"c", "b"}}}},
		{"a gauge and its zero are one", []version.Made{
			made("a", 0, `{"water":{"gauge":"Mill","datum_m":230}}`),
			made("b", 1, `{"water":{"gauge":"Weir","datum_m":230}}`, "a"),
			made("c", 2, `{"water":{"gauge":"Mill","datum_m":228}}`, "a"),
		}, `{"water":{"gauge":"Mill","datum_m":228}}`, []conflict{{"/properties/water", []string{"c", "b"}}}},
		{"anchors by their ids", []version.Made{
			made("a", 0, `{"anchors":[{"id":"T1","kind":"tree"},{"id":"T2","kind":"tree"}]}`),
			made("b", 1, `{"anchors":[{"id":"T1","kind":"tree"},{"id":"T2","kind":"tree","diameter_mm":300},{"id":"T3","kind":"rock"}]}`, "a"),
			made("c", 2, `{"anchors":[{"id":"R9","kind":"rock"},{"id":"T2","kind":"tree"}]}`, "a"),
		}, `{"anchors":[{"id":"R9","kind":"rock"},{"id":"T2","kind":"tree","diameter_mm":300},{"id":"T3","kind":"rock"}]}`, nil},
		{"pull tests by rig and time", []version.Made{
			made("a", 0, `{}`),
			made("b", 1, `{"pull_tests":[{"rig":"1-1-1","force_kn":9,"outcome":"held","at":"2026-05-04T10:00:00Z"}]}`, "a"),
			made("c", 2, `{"pull_tests":[{"rig":"1-1-1","force_kn":8,"outcome":"failed","at":"2026-05-04T11:00:00Z"}]}`, "a"),
		}, `{"pull_tests":[{"rig":"1-1-1","force_kn":8,"outcome":"failed","at":"2026-05-04T11:00:00Z"},{"rig":"1-1-1","force_kn":9,"outcome":"held","at":"2026-05-04T10:00:00Z"}]}`, nil},
		{"hazards by what they say", []version.Made{
			made("a", 0, `{"hazards":["wire"]}`), made("b", 1, `{"hazards":["wire","undercut"]}`, "a"), made("c", 2, `{"hazards":["dog"]}`, "a"),
		}, `{"hazards":["dog","undercut"]}`, nil},
		{"taken out against changed: it stays", []version.Made{
			made("a", 0, `{"label":"A"}`), made("b", 2, "", "a"), made("c", 1, `{"label":"C"}`, "a"),
		}, `{"label":"C"}`, []conflict{{"", []string{"c", "b"}}}},
		{"taken out twice", []version.Made{made("a", 0, `{"label":"A"}`), made("b", 2, "", "a"), made("c", 1, "", "a")}, "", nil},
		{"made on nothing weighs less", []version.Made{
			made("a", 0, `{"label":"A"}`), made("b", 1, `{"label":"B"}`, "a"), made("c", 9, `{"label":"C"}`),
		}, `{"label":"B"}`, []conflict{{"/properties/label", []string{"b", "c"}}}},
		{"another field does not settle", []version.Made{
			made("a", 0, `{"label":"A"}`), made("b", 2, `{"label":"B"}`, "a"), made("c", 1, `{"label":"C"}`, "a"),
			made("d", 3, `{"label":"B","surveyed_by":"x"}`, "b", "c"),
		}, `{"label":"B","surveyed_by":"x"}`, []conflict{{"/properties/label", []string{"b", "c"}}}},
		{"a person settles", []version.Made{
			made("a", 0, `{"label":"A"}`), made("b", 2, `{"label":"B"}`, "a"), made("c", 1, `{"label":"C"}`, "a"),
			settled(made("d", 3, `{"label":"B"}`, "b", "c")),
		}, `{"label":"B"}`, nil},
		{"settled apart, to different sides", []version.Made{
			made("a", 0, `{"label":"A"}`), made("b", 2, `{"label":"B"}`, "a"), made("c", 1, `{"label":"C"}`, "a"),
			settled(made("d", 3, `{"label":"B"}`, "b", "c")), settled(made("e", 4, `{"label":"C"}`, "b", "c")),
		}, `{"label":"C"}`, []conflict{{"/properties/label", []string{"e", "d"}}}},
		{"three ways", []version.Made{
			made("a", 0, `{"label":"A"}`), made("b", 1, `{"label":"B"}`, "a"), made("c", 2, `{"label":"C"}`, "a"), made("d", 3, `{"label":"D"}`, "a"),
		}, `{"label":"D"}`, []conflict{{"/properties/label", []string{"d", "c", "b"}}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := version.Join(c.history, version.Rule{})
			require.NoError(t, err)
			if c.want == "" {
				assert.Nil(t, got.Doc)
			} else {
				assert.JSONEq(t, string(feature(`[-91.2,44.6]`, c.want)), string(got.Doc))
			}
			var conflicts []conflict
			for _, one := range got.Conflicts {
				k := conflict{path: one.Path}
				for _, s := range one.Sides {
					k.sides = append(k.sides, s.Of)
				}
				conflicts = append(conflicts, k)
			}
			assert.Equal(t, c.conflicts, conflicts)
		})
	}
	_, err := version.Join([]version.Made{made("b", 1, `{}`, "a")}, version.Rule{})
	assert.ErrorContains(t, err, "is not there")
}

// A place and how well it is known are one statement: the coordinates of one
// do not get the accuracy of another, in whatever order they were written.
// 0.1 m is 3.94 in and 6 m 19 ft 8 in, at 25.4 mm to the inch (NIST SP 811, appendix B.8).
func TestJoinPlace(t *testing.T) {
	at := func(name string, hour int, coordinates, properties string, on ...string) version.Made {
		m := made(name, hour, properties, on...)
		m.Doc = feature(coordinates, properties)
		return m
	}
	const taped, handheld = `{"label":"A","position":{"accuracy_m":0.1,"source":"tape"}}`, `{"label":"A","position":{"accuracy_m":6,"source":"gnss"}}`
	for _, hour := range []int{1, 3} {
		got, err := version.Join([]version.Made{
			at("a", 0, `[-91.2,44.6]`, taped),
			at("b", 2, `[-91.3,44.6]`, taped, "a"), // moved
			at("c", hour, `[-91.2,44.6]`, handheld, "a"),
		}, version.Rule{})
		require.NoError(t, err)
		want, other := feature(`[-91.3,44.6]`, taped), feature(`[-91.2,44.6]`, handheld)
		sides := []string{"44.6000000, -91.3000000, accuracy 4 in (0.10 m), source tape", "44.6000000, -91.2000000, accuracy 19 ft 8 in (6.00 m), source gnss"}
		if hour == 3 {
			want, other = other, want
			slices.Reverse(sides)
		}
		assert.JSONEq(t, string(want), string(got.Doc))
		require.Len(t, got.Conflicts, 1)
		assert.Equal(t, "/geometry", got.Conflicts[0].Path)
		require.Len(t, got.Conflicts[0].Sides, 2)
		for i, side := range got.Conflicts[0].Sides {
			assert.Equal(t, sides[i], version.Value(survey.UnitsUS, "/geometry", side.Value))
		}
		settled, err := version.With(got.Doc, map[string]json.RawMessage{"/geometry": got.Conflicts[0].Sides[1].Value})
		require.NoError(t, err)
		assert.JSONEq(t, string(other), string(settled))
	}
	alone, err := version.Join([]version.Made{at("a", 0, `[-91.2,44.6]`, taped), at("b", 1, `[-91.3,44.6]`, `{"label":"A"}`, "a"), at("c", 2, `[-91.2,44.6]`, `{"label":"C","position":{"accuracy_m":0.1,"source":"tape"}}`, "a")}, version.Rule{})
	require.NoError(t, err)
	assert.Empty(t, alone.Conflicts)
	assert.JSONEq(t, string(feature(`[-91.3,44.6]`, `{"label":"C"}`)), string(alone.Doc), "a place that nobody said the accuracy of gets none")
}

func TestWith(t *testing.T) {
	doc := feature(`[-91.2,44.6]`, `{"label":"A","anchors":[{"id":"T2"},{"id":"T1"}],"ground":{"class":"B"}}`)
	got, err := version.With(doc, map[string]json.RawMessage{
		"/properties/label": json.RawMessage(`"B"`), "/properties/anchors/T1": json.RawMessage(`[{"id":"T1","kind":"tree"}]`), "/properties/ground/class": nil,
	})
	require.NoError(t, err)
	assert.JSONEq(t, string(feature(`[-91.2,44.6]`, `{"label":"B","anchors":[{"id":"T2"},{"id":"T1","kind":"tree"}]}`)), string(got))
}

// thing is an item of the laws.
type thing struct {
	Geometry   any            `json:"geometry,omitempty"`
	Properties map[string]any `json:"properties"`
}

// statements are what of a document is said in one breath.
func statements(t require.TestingT, doc json.RawMessage) (place, water string) {
	var v thing
	require.NoError(t, json.Unmarshal(doc, &v))
	return fmt.Sprint(v.Geometry, v.Properties["position"]), fmt.Sprint(v.Properties["water"])
}

// histories draws a history of an item in three places that exchange their
// versions now and then.
func histories(t *rapid.T) []version.Made {
	var all []version.Made
	keys := []string{"label", "notes", "slope_deg"}
	known := make([][]version.Made, 3)
	for i := range rapid.IntRange(1, 14).Draw(t, "versions") {
		at := rapid.IntRange(0, 2).Draw(t, "place")
		if from := rapid.IntRange(0, 2).Draw(t, "from"); rapid.Bool().Draw(t, "exchange") {
			for _, m := range known[from] {
				if !slices.ContainsFunc(known[at], func(k version.Made) bool { return k.Name == m.Name }) {
					known[at] = append(known[at], m)
				}
			}
		}
		now, err := version.Join(known[at], version.Rule{})
		require.NoError(t, err)
		m := version.Made{Name: fmt.Sprintf("v%02d", i), On: now.Newest, At: monday.Add(time.Duration(rapid.IntRange(0, 5).Draw(t, "hour")) * time.Hour)}
		if now.Doc == nil || rapid.IntRange(0, 5).Draw(t, "fate") > 0 {
			var doc thing
			if now.Doc != nil {
				require.NoError(t, json.Unmarshal(now.Doc, &doc))
			}
			if doc.Properties == nil {
				doc.Properties = map[string]any{}
			}
			switch rapid.IntRange(0, 3).Draw(t, "statement") { // a half is changed: the statement is another
			case 0:
				doc.Geometry = "by " + m.Name
			case 1:
				doc.Properties["position"] = "by " + m.Name
			case 2:
				water, _ := doc.Properties["water"].(map[string]any)
				water = maps.Clone(water)
				if water == nil {
					water = map[string]any{}
				}
				water[rapid.SampledFrom([]string{"gauge", "datum_m"}).Draw(t, "half")] = "by " + m.Name
				doc.Properties["water"] = water
			}
			for range rapid.IntRange(0, 2).Draw(t, "changes") {
				doc.Properties[rapid.SampledFrom(keys).Draw(t, "key")] = fmt.Sprint("by ", m.Name)
			}
			m.Settles = rapid.IntRange(0, 6).Draw(t, "settles") == 0
			b, err := json.Marshal(doc)
			require.NoError(t, err)
			m.Doc = b
		}
		known[at] = append(known[at], m)
		all = append(all, m)
	}
	return all
}

// Whatever order versions come in, the outcome is the same; and what the newest
// versions say is in it, in force or as a side of a conflict. No statement is in
// it that nobody made.
func TestJoinLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		history := histories(t)
		want, err := version.Join(history, version.Rule{})
		require.NoError(t, err)
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "order"), 1))
		var shuffled []version.Made
		left := slices.Clone(history)
		for len(left) > 0 { // any order that has versions before those made on them
			i := rng.IntN(len(left))
			ready := !slices.ContainsFunc(left[i].On, func(on string) bool {
				return slices.ContainsFunc(left, func(m version.Made) bool { return m.Name == on })
			})
			if ready {
				shuffled = append(shuffled, left[i])
				left = slices.Delete(left, i, i+1)
			}
		}
		got, err := version.Join(shuffled, version.Rule{})
		require.NoError(t, err)
		require.Equal(t, want, got)

		said := string(want.Doc)
		for _, c := range want.Conflicts {
			for _, s := range c.Sides {
				said += string(s.Value)
			}
		}
		if want.Doc != nil {
			place, water := statements(t, want.Doc)
			var places, waters []string
			for _, m := range history {
				if m.Doc != nil {
					a, b := statements(t, m.Doc)
					places, waters = append(places, a), append(waters, b)
				}
			}
			require.Contains(t, places, place)
			require.Contains(t, waters, water)
		}
		for _, m := range history {
			if !slices.Contains(want.Newest, m.Name) || m.Doc == nil {
				continue
			}
			require.NotNil(t, want.Doc, "what someone changed last is there")
			var doc thing
			require.NoError(t, json.Unmarshal(m.Doc, &doc))
			for key, v := range doc.Properties {
				if v == "by "+m.Name {
					require.Contains(t, said, v, "%s of %s", key, m.Name)
				}
			}
		}
	})
}

func FuzzJoin(f *testing.F) {
	f.Add([]byte(`{"properties":{"anchors":[{"id":"T1"}],"tests":[1,1]}}`), []byte(`{"properties":{"anchors":[{"id":"T1","kind":"tree"}]}}`), []byte(`{"properties":{"hazards":["x"]}}`))
	f.Add([]byte(`{"geometry":1,"properties":{"position":2}}`), []byte(`{"properties":3}`), []byte(`{"geometry":null,"properties":{"position":[4]}}`))
	f.Add([]byte(`{"a":{"b":1}}`), []byte(`{"a":2}`), []byte(`{"a":[{"b":[]}]}`))
	f.Fuzz(func(t *testing.T, a, b, c []byte) {
		for _, doc := range [][]byte{a, b, c} {
			if !json.Valid(doc) {
				return
			}
		}
		got, err := version.Join([]version.Made{
			{Name: "a", Doc: a}, {Name: "b", On: []string{"a"}, Doc: b}, {Name: "c", On: []string{"a"}, Doc: c},
		}, version.Rule{})
		if err == nil && got.Doc != nil {
			assert.True(t, json.Valid(got.Doc))
		}
	})
}
