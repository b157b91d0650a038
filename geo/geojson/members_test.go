package geojson_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
)

// What encoding/json reads is what Members reads, and what it refuses too.
func FuzzMembers(f *testing.F) {
	for _, text := range []string{``, `{}`, ` {"a": 1, "b":{"c":[1,2]} , "ü":"x\"y"}`, `[1]`, `{"a"`, `{"a":1}x`, `{"\u00fc":null}`, `null`, `{"a":1,}`} {
		f.Add([]byte(text))
	}
	m := geojson.NewMembers()
	f.Fuzz(func(t *testing.T, text []byte) {
		err := m.Read(text)
		if len(text) == 0 {
			require.NoError(t, err)
			return
		}
		var want map[string]json.RawMessage
		refused := json.Unmarshal(text, &want)
		if refused != nil || want == nil {
			assert.Error(t, err)
			return
		}
		if err != nil {
			return // jsontext is stricter on surrogates in names
		}
		got := map[string]json.RawMessage{}
		for _, one := range m.List {
			got[one.Name] = one.Value
		}
		assert.Len(t, got, len(want))
		for name, value := range want {
			assert.JSONEq(t, string(value), string(got[name]))
		}
		if len(m.List) > 0 {
			assert.Equal(t, string(m.List[len(m.List)-1].Value), string(text[m.End-len(m.List[len(m.List)-1].Value):m.End]))
		}
	})
}
