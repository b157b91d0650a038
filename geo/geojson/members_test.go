package geojson_test

import (
	"encoding/json"
	"fmt"
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

// What is read in one pass is what encoding/json reads, and refused alike.
func FuzzFeature(f *testing.F) {
	for _, text := range []string{
		`{"type":"Feature","id":"a","geometry":{"type":"Point","coordinates":[-91.2, 44.6 ,231.5]},"properties":{"a":[1]}}`,
		`{"type":"Feature","id":7,"geometry":{"type":"Point","coordinates":[1e2,4]},"properties":null}`,
		`{"type":"Feature","id":"\u00fc\n","geometry":{"coordinates":[1,2],"type":"Point"},"Properties":{"a":1}}`,
		`{"type":"Feature","id":null,"geometry":{"type":"LineString","coordinates":[[1,2],[3,4,5]]},"properties":{}}`,
		`{"type":"Feature","id":true,"geometry":{"type":"Point","coordinates":[1,"2"]}}`,
		`{"type":"Feature","geometry":null,"properties":{}}`, `{"type":"Feature","geometry":{"type":"Point","coordinates":[1]},"properties":[]}`,
		`{"type":"Feature","geometry":{"type":"Point","coordinates":[1,2,3,4]},"properties":{}}`, `{"type":"Point","coordinates":[1,2]}`, `[]`, ``, `null`,
		`{"type":"Feature","type":"Point","geometry":{"type":"Point","type":"X","coordinates":[1,1e999]}}`,
	} {
		f.Add([]byte(text))
	}
	m := geojson.NewMembers()
	f.Fuzz(func(t *testing.T, text []byte) {
		var want geojson.Feature
		refused := json.Unmarshal(text, &want)
		got, err := m.Feature(text)
		assert.Equal(t, refused, err)
		assert.Equal(t, fmt.Sprintf("%#v", want), fmt.Sprintf("%#v", got)) // a height may be NaN
	})
}
