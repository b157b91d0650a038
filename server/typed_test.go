package server_test

import (
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
)

// TestTypedInTheWalk: the scripts read a typed number as the pages do. What is
// measured on foot is never negative.
func TestTypedInTheWalk(t *testing.T) {
	b, _, _ := onFoot(t)
	b.open(t, "/walk")
	b.until(t, walkReady)
	texts := []string{
		"1,800", "1,5", "12,000.5", " 7 ", "1e9", "0x10", "0,800", ",5", ".5", "5.", "1,234,567", "1234,567", "1,8000", "1.2.3", "1,2,3", "1,2.5", "1.234,5",
		"1,23,456", "0,000,001", "NaN", "Infinity", "1_000", "many", ".", ",", "007", "+1", "1 800",
	}
	raw, err := json.Marshal(texts)
	require.NoError(t, err)
	type reading struct {
		V   *float64
		Say string
	}
	got := eval[[]reading](t, b, fmt.Sprintf(`import(document.querySelector('#walk').dataset.base + 'js/walk/units.js').then(({ read, unread }) =>
		%s.map((t) => ({ V: read(t), Say: unread(t) })))`, raw)) // NaN is null in JSON
	require.Len(t, got, len(texts))
	for i, text := range texts {
		want, err := survey.ParseTyped(text)
		if err != nil {
			assert.Nil(t, got[i].V, text)
			continue
		}
		if assert.NotNil(t, got[i].V, text) {
			assert.InDelta(t, want, *got[i].V, math.Abs(want)*1e-15, text)
		}
	}
	assert.Contains(t, got[0].Say, "write 1800 or 1.8")
}

// TestTypedInForms: a comma is read alike wherever a number is typed.
func TestTypedInForms(t *testing.T) {
	h, _ := fixture(t)
	get := func(path string, values ...string) (int, string) {
		q := url.Values{}
		for i := 0; i < len(values); i += 2 {
			q.Set(values[i], values[i+1])
		}
		res := call(t, h, http.MethodGet, path+"?"+q.Encode(), "", "Accept: text/html")
		return res.StatusCode, bodyOf(t, res)
	}
	for _, c := range []struct {
		typed, says string
		code        int
	}{
		{"12,5", "", http.StatusOK},
		{" 30 ", "", http.StatusOK},
		{"1,800", "write 1800 or 1.8", http.StatusBadRequest},
		{"0x10", "is not a number", http.StatusBadRequest},
		{"1e1", "is not a number", http.StatusBadRequest},
	} {
		code, body := get("/upkeep", "ended", "2026-04-30", "within", c.typed)
		assert.Equal(t, c.code, code, c.typed)
		assert.Contains(t, body, c.says)
		code, body = get("/upkeep", "ended", "2026-04-30", "within", "30", "stage", c.typed)
		assert.Equal(t, c.code, code, c.typed)
		assert.Contains(t, body, c.says)
		code, body = get("/points/p-good", "required", c.typed)
		assert.Equal(t, c.code, code, c.typed)
		assert.Contains(t, body, c.says)
	}
	code, _ := get("/points/p-good", "required", "1,250")
	assert.Equal(t, http.StatusBadRequest, code, "a ratio of 1,250 is none, and 1.25 was not meant for certain")
}
