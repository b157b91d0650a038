package server_test

import (
	"fmt"
	"net/http"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
)

// TestSignatureRunsOut: a signature that comes in runs out, by whatever door;
// one that was on file before stays as it is while the rest is changed.
func TestSignatureRunsOut(t *testing.T) {
	h, store := fixture(t)
	put := func(id, name, review string, headers ...string) int {
		f := fmt.Sprintf(`{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"name":%q,"code":%q,"review":%s}}`, name, id, review)
		return call(t, h, http.MethodPut, "/api/collections/sites/items/"+id, f, append(headers, "Content-Type: application/geo+json")...).StatusCode
	}
	const endless = `{"state":"signed","by":"R. Vale","at":"2026-05-01T00:00:00Z"}`
	assert.Equal(t, http.StatusBadRequest, put("n1", "New", endless, "If-None-Match: *"))
	assert.Equal(t, http.StatusBadRequest, put("n1", "New", endless[:len(endless)-1]+`,"due":"2026-05-02T00:00:00Z"}`, "If-None-Match: *"), "run out before it was sent")
	assert.Equal(t, http.StatusCreated, put("n1", "New", endless[:len(endless)-1]+`,"due":"2027-05-01T00:00:00Z"}`, "If-None-Match: *"))

	old := survey.Site{ID: "o1", Name: "Old", Code: "o1", Geometry: orb.Point{-91.2, 44.65}}
	old.Review = survey.Review{State: survey.Signed, By: "R. Vale", At: survey.Known(time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC))}
	row, err := store.PutSite(t.Context(), old, author, survey.Opt[int64]{})
	require.NoError(t, err)
	assert.Equal(t, http.StatusOK, put("o1", "Old, renamed", endless, fmt.Sprintf(`If-Match: "%d"`, row.Revision)))
	got, err := store.Site(t.Context(), "o1")
	require.NoError(t, err)
	assert.Equal(t, "Old, renamed", got.Item.Name)
	assert.True(t, got.Item.Review.Same(old.Review))
}
