package survey_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"holdfast/survey"
)

const fullPoint = `{"site":"BN-01","label":"P1","surveyed_at":"2026-03-12T08:00:00Z","surveyed_by":"D. \"L\" Lorne \u00fc",` +
	`"position":{"source":"gnss","accuracy_m":2.5},"ground":{"class":"B","texture":"clay loam","moisture":"moist","disturbed":"no","layers_dip_into_slope":"no",` +
	`"tests":[{"kind":"pocket penetrometer","reading":1.25,"unit":"tsf"},{"kind":"thumb","reading":"thumb only","at":"2026-03-12T08:00:00Z"}],"depth_to_refusal_m":1.5},` +
	`"terrain":{"slope_deg":32,"height_m":7,"setback_m":-0,"source":"measured"},"pull":{"bearing_deg":1e2,"north":"true","source":"measured"},` +
	`"anchors":[{"id":"T1","kind":"tree","bearing_deg":20,"distance_m":9,"diameter_mm":400,"condition":"living"}],"buried_utilities":{"state":"marked clear"},` +
	`"overhead":{"state":"none","kv":11},"pull_tests":[{"rig":"1-1-1","force_kn":4.5,"outcome":"held"}],"photos":["a","b"]}`

// A plain point is read in one pass.
func TestQuickReadsAPlainPoint(t *testing.T) {
	got, ok := survey.Quick([]byte(fullPoint))
	assert.True(t, ok)
	want, err := survey.Thorough([]byte(fullPoint))
	assert.NoError(t, err)
	assert.Equal(t, want, got)
}

// What is read in one pass has nothing wrong with it, and is what is read with
// an eye on what could be.
func FuzzQuick(f *testing.F) {
	for _, text := range []string{
		fullPoint, `{}`, `{"label":null}`, `{"label":"a","label":"b"}`, `{"label":"\ud800"}`, `{"terrain":{"slope_deg":null},"photos":[],"anchors":[]}`,
		`{"slope":1}`, `{"Label":"x"}`, `{"terrain":{"slope_deg":"1"}}`, `{"terrain":{"slope_deg":1e999}}`, `{"surveyed_at":"2026-3-12"}`, `{"anchors":[{},null]}`, `{"label":"x"} `, `[]`,
		`{"ground":{"tests":[{"reading":[]}]}}`, `{"pull_tests":[{"movement_mm":-0.5}]}`, `{"photos":[1]}`,
	} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		got, ok := survey.Quick(text)
		if !ok {
			return
		}
		want, err := survey.Thorough(text)
		assert.NoError(t, err)
		assert.Equal(t, want, got)
	})
}
