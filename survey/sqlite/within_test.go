package sqlite_test

import (
	"fmt"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// TestWithin looks in boxes with and without a limit: of too many, an even
// part is left, and what another layer has there takes nothing away.
func TestWithin(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	var fs []survey.LayerFeature
	var points []survey.Point
	for i := range 1000 {
		at := orb.Point{float64(i % 40), float64(i / 40)}
		fs = append(fs, survey.LayerFeature{Geometry: at})
		p := stand("KB", fmt.Sprint("P", i))
		p.Position = at
		points = append(points, p)
	}
	_, err := s.AddLayer(ctx, gas(), sequence(fs...), officer)
	require.NoError(t, err)
	_, err = s.AddLayer(ctx, survey.Layer{ID: "few", Title: "Few", Role: survey.RoleOther}, sequence(fs[:5]...), officer)
	require.NoError(t, err)
	require.NoError(t, s.ImportAll(ctx, []survey.Site{knoll()}, points, officer))
	all := orb.Bound{Min: orb.Point{-1, -1}, Max: orb.Point{41, 26}}
	box := orb.Bound{Min: orb.Point{0, 0}, Max: orb.Point{9, 4}} // 10 by 5
	for _, c := range []struct {
		collection string
		b          orb.Bound
		limit      int
		least, at  int
	}{
		{"gas", all, 0, 1000, 1000},
		{"gas", all, 1000, 1000, 1000},
		{"gas", all, 999, 499, 501},
		{"gas", all, 100, 95, 105},
		{"gas", box, 60, 50, 50},
		{"gas", box, 10, 5, 15},
		{"few", all, 10, 5, 5},
		{"few", all, 5, 5, 5},
		{"points", all, 100, 95, 105},
		{"points", box, 0, 50, 50},
		{"sites", all, 10, 0, 0},
		{"sites", orb.Bound{Min: orb.Point{-92, 44}, Max: orb.Point{-91, 45}}, 10, 1, 1},
	} {
		got, err := s.Within(ctx, c.collection, c.b, c.limit)
		require.NoError(t, err)
		assert.GreaterOrEqual(t, len(got), c.least, "%+v", c)
		assert.LessOrEqual(t, len(got), c.at, "%+v", c)
		seen := map[string]bool{}
		for _, f := range got {
			assert.True(t, c.b.Intersects(f.Geometry.Bound()))
			seen[f.ID] = true
		}
		assert.Len(t, seen, len(got))
	}
	_, err = s.Within(ctx, "none", all, 1)
	assert.ErrorIs(t, err, survey.ErrNotFound)
}

// TestLayersWithin: a device takes the features of a box along, or is told that
// there are too many.
func TestLayersWithin(t *testing.T) {
	s := open(t, unpack(t, 8), sqlite.Options{})
	all, err := s.Features(t.Context(), "gas", sqlite.Filter{})
	require.NoError(t, err)
	box := all[0].Geometry.Bound()
	near, roles, err := s.LayersWithin(t.Context(), box, 100)
	require.NoError(t, err)
	assert.True(t, roles[survey.RoleBuried])
	assert.NotEmpty(t, near)
	for _, f := range near {
		assert.True(t, f.Geometry.Bound().Intersects(box))
	}
	none, roles, err := s.LayersWithin(t.Context(), orb.Bound{Min: orb.Point{10, 10}, Max: orb.Point{11, 11}}, 100)
	require.NoError(t, err)
	assert.Empty(t, none)
	assert.True(t, roles[survey.RoleBuried], "the role was looked at, and nothing is there")
	_, _, err = s.LayersWithin(t.Context(), box, 0)
	assert.ErrorIs(t, err, survey.ErrConflict)
}
