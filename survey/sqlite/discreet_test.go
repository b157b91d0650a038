package sqlite_test

import (
	"encoding/json"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// TestDiscreet: in every form in which sites and points leave the store, what
// is sensitive says that it is hidden, and nothing else changes.
func TestDiscreet(t *testing.T) {
	s := newAtlas(t)
	site := survey.Site{
		ID: "s", Name: "Mill Bank", Code: "MB", Geometry: orb.Point{-91.2, 44.6},
		Contacts: []survey.Contact{{Who: "Farm on the lane", Phone: "555 0100", For: "gate"}},
	}
	point := survey.Point{
		ID: "p", Site: "s", Label: "P1", Position: orb.Point{-91.2, 44.6},
		BuriedUtilities: survey.BuriedUtilities{State: survey.BuriedClear, Ticket: "T-77"},
		PullTests:       []survey.PullTest{{Rig: "1-1", ForceKN: 5, Outcome: survey.Held}},
	}
	plain := survey.Site{ID: "n", Name: "No Contact", Code: "NC", Geometry: orb.Point{-91.2, 44.6}}
	ctx := t.Context()
	for _, one := range []survey.Site{site, plain} {
		_, err := s.PutSite(ctx, one, officer, survey.Opt[int64]{})
		require.NoError(t, err)
	}
	_, err := s.PutPoint(ctx, point, officer, survey.Opt[int64]{})
	require.NoError(t, err)
	require.NoError(t, s.DeletePoint(ctx, "p", officer, survey.Opt[int64]{}))
	_, err = s.PutPoint(ctx, point, officer, survey.Opt[int64]{})
	require.NoError(t, err)

	hidden := sqlite.Discreet(ctx)
	forms := map[string]func() (any, error){
		"site":       func() (any, error) { return s.Site(hidden, "s") },
		"sites":      func() (any, error) { return s.Sites(hidden, sqlite.Filter{Site: "s"}) },
		"point":      func() (any, error) { return s.Point(hidden, "p") },
		"points":     func() (any, error) { return s.Points(hidden, sqlite.Filter{}) },
		"tested":     func() (any, error) { return s.PointsWithTests(hidden) },
		"near":       func() (any, error) { return s.PointsWithin(hidden, point.Position, 10) },
		"tile sites": func() (any, error) { return s.Within(hidden, sqlite.Sites, site.Geometry.Bound(), 0) },
		"tile":       func() (any, error) { return s.Within(hidden, sqlite.Points, point.Position.Bound(), 0) },
		"past site":  func() (any, error) { return s.History(hidden, sqlite.Sites, "s") },
		"past point": func() (any, error) { return s.History(hidden, sqlite.Points, "p") },
	}
	for name, form := range forms {
		got, err := form()
		require.NoError(t, err, name)
		text, err := json.Marshal(got)
		require.NoError(t, err)
		for _, secret := range []string{"Farm on the lane", "555 0100", `"gate"`, "T-77"} {
			assert.NotContains(t, string(text), secret, name)
		}
		assert.Contains(t, string(text), `"hidden"`, name)
	}

	none, err := s.Site(hidden, "n")
	require.NoError(t, err)
	assert.Equal(t, plain, none.Item, "no contact is no contact")
	row, err := s.Point(hidden, "p")
	require.NoError(t, err)
	row.Item.BuriedUtilities.Ticket = "T-77"
	assert.Equal(t, point, row.Item)

	_, err = s.PutSite(ctx, site.Discreet(), officer, survey.Opt[int64]{})
	assert.ErrorIs(t, err, survey.ErrInvalid, "what is hidden cannot be stored over what is there")
	_, err = s.PutPoint(ctx, point.Discreet(), officer, survey.Opt[int64]{})
	assert.ErrorIs(t, err, survey.ErrInvalid)
}
