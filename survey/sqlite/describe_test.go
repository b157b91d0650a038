package sqlite_test

import (
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func TestDescribeLayer(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	was, err := s.AddLayer(ctx, gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	before, err := s.State(ctx)
	require.NoError(t, err)
	row, err := s.LayerRow(ctx, "gas")
	require.NoError(t, err)
	assert.Equal(t, sqlite.Row[survey.Layer]{Item: was, Revision: before.Revision, UpdatedAt: noon, UpdatedBy: officer.Who}, row)

	as := was
	as.Title, as.Role, as.Licence, as.AsOf = "Power", survey.RoleOverhead, "open", survey.Known(noon.Add(-24*time.Hour))
	want := as
	as.Features, as.SHA256, as.SourceFile, as.LoadedBy = 99, "no", "other.geojson", "somebody" // are not for people to say
	got, err := s.DescribeLayer(ctx, as, survey.Known(row.Revision), other)
	require.NoError(t, err)
	assert.Equal(t, want, got)
	now, err := s.LayerRow(ctx, "gas")
	require.NoError(t, err)
	assert.Equal(t, []any{want, other.Who}, []any{now.Item, now.UpdatedBy})
	_, roles, err := s.LayersWithin(ctx, orb.Bound{Min: orb.Point{-92, 44}, Max: orb.Point{-91, 45}}, 10)
	require.NoError(t, err)
	assert.Equal(t, map[survey.Role]bool{survey.RoleOverhead: true}, roles, "it takes part at once")

	again, err := s.State(ctx)
	require.NoError(t, err)
	_, err = s.DescribeLayer(ctx, as, survey.Known(now.Revision), other)
	require.NoError(t, err)
	after, err := s.State(ctx)
	require.NoError(t, err)
	assert.Equal(t, again, after, "what says nothing new is no change")

	_, err = s.DescribeLayer(ctx, gas(), survey.Known(row.Revision), other)
	assert.ErrorIs(t, err, survey.ErrStale)
	as.Role = survey.RoleElevation
	_, err = s.DescribeLayer(ctx, as, survey.Opt[int64]{}, other)
	assert.ErrorIs(t, err, survey.ErrInvalid, "shapes are no grid of heights")
	as.Role, as.Title = survey.RoleRoad, ""
	_, err = s.DescribeLayer(ctx, as, survey.Opt[int64]{}, other)
	assert.ErrorIs(t, err, survey.ErrInvalid)
	as.ID = "water"
	_, err = s.DescribeLayer(ctx, as, survey.Opt[int64]{}, other)
	assert.ErrorIs(t, err, survey.ErrNotFound)
	r, err := sqlite.Check(ctx, s.Path(), nil)
	require.NoError(t, err)
	assert.Empty(t, r.Findings)
}
