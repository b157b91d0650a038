package server_test

import (
	"encoding/json"
	"io"
	"net/http"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
)

// The incident question over HTTP: the casualty lies 25 m down the pull
// bearing of QR-02 P3 in the invented district.
func TestNearAndCoverage(t *testing.T) {
	b := invented(t)
	var near struct {
		Found []struct {
			Site, Label, Verdict, Sentence string
			InSector                       bool    `json:"in_sector"`
			DistanceM                      float64 `json:"distance_m"`
		}
		Cautions []string
	}
	body := fetch(t, b+"/api/near?lon=-91.2101&lat=44.64635&rope_m=60", http.StatusOK)
	require.NoError(t, json.Unmarshal(body, &near))
	require.Len(t, near.Found, 1)
	assert.Equal(t, "QR-02", near.Found[0].Site)
	assert.Equal(t, "P3", near.Found[0].Label)
	assert.Equal(t, "holds", near.Found[0].Verdict)
	assert.True(t, near.Found[0].InSector)
	assert.InDelta(t, 25.468, near.Found[0].DistanceM, 0.01) // source: GeodSolve -i of the two positions
	assert.NotEmpty(t, near.Cautions)

	require.NoError(t, json.Unmarshal(fetch(t, b+"/api/near?lon=-91.2101&lat=44.64635&rope_m=20", http.StatusOK), &near))
	assert.Empty(t, near.Found, "too far for the rope")

	var cover struct {
		Type string
		All  map[string]float64
	}
	require.NoError(t, json.Unmarshal(fetch(t, b+"/api/coverage?rope_m=60", http.StatusOK), &cover))
	assert.Equal(t, "FeatureCollection", cover.Type)
	assert.Positive(t, cover.All["holds_m"])
	assert.Positive(t, cover.All["uncovered_m"])

	for _, bad := range []string{"/api/near", "/api/near?lon=x&lat=1", "/api/near?lon=1&lat=91", "/api/near?lon=1&lat=1&rope_m=-1", "/api/near?lon=1&lat=1&rope=60", "/api/coverage?rope_m=NaN"} {
		fetch(t, b+bad, http.StatusBadRequest)
	}
}

// TestCoverageFollowsTheAtlas: what was measured is remembered only as long as
// it is true.
func TestCoverageFollowsTheAtlas(t *testing.T) {
	h, store := fixture(t)
	get := func() string { return bodyOf(t, call(t, h, http.MethodGet, "/api/coverage", "")) }
	before := get()
	assert.Equal(t, before, get())
	require.NoError(t, store.DeletePoint(t.Context(), "p-good", author, survey.Opt[int64]{}))
	assert.NotEqual(t, before, get(), "the anchor that reached the bank is gone")
}

func fetch(t *testing.T, url string, code int) []byte {
	t.Helper()
	res, err := http.Get(url) //nolint:noctx // loopback, in a test
	require.NoError(t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	require.Equal(t, code, res.StatusCode, "%s: %s", url, body)
	return body
}
