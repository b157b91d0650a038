package sqlite_test

import (
	"encoding/json"
	"errors"
	"iter"
	"math"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func sequence(fs ...survey.LayerFeature) iter.Seq2[survey.LayerFeature, error] {
	return func(yield func(survey.LayerFeature, error) bool) {
		for _, f := range fs {
			if !yield(f, nil) {
				return
			}
		}
	}
}

func gas() survey.Layer {
	return survey.Layer{ID: "gas", Title: "Gas mains", Role: survey.RoleBuried, SourceFile: "gas.geojson", SourceCRS: "EPSG:4326", Refused: 2, AsOf: survey.Known(noon)}
}

// The kinds of geometry a layer can hold, with and without heights.
func awkward() []survey.LayerFeature {
	nan := math.NaN()
	return []survey.LayerFeature{
		{ID: "a-1", Geometry: orb.Point{-91.2, 44.65}, Heights: []float64{0}, Properties: json.RawMessage(`{"d":0}`)},
		{Geometry: orb.LineString{{-91.3, 44.6}, {-91.1, 44.7}}, Heights: []float64{230.25, nan}, Properties: json.RawMessage(`{"mm": 150, "ü": null}`)},
		{ID: "7", Geometry: orb.Polygon{{{0, 0}, {1, 0}, {1, 1}, {0, 0}}}, Properties: json.RawMessage(`{"source_id":"kept"}`)},
		{Geometry: orb.MultiPoint{{5, 5}, {6, 6}}},
		{Geometry: orb.MultiLineString{{{179.9, -17.7}, {180, -17.65}}, {{-180, -17.65}, {-179.9, -17.6}}}},
		{Geometry: orb.MultiPolygon{{{{10, 10}, {11, 10}, {11, 11}, {10, 10}}}}},
		{Geometry: orb.Collection{orb.Point{20, 20}, orb.LineString{{20, 20}, {21, 21}}}},
		{Geometry: orb.LineString{{179.95, 10}, {-179.95, 10}}}, // not cut at 180°
	}
}

func TestLayer(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	l, err := s.AddLayer(ctx, gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	want := gas()
	want.Features, want.LoadedAt, want.LoadedBy = 8, noon, officer.Who
	assert.Len(t, l.SHA256, 64)
	want.SHA256 = l.SHA256
	assert.Equal(t, want, l)
	got, err := s.Layer(ctx, "gas")
	require.NoError(t, err)
	assert.Equal(t, want, got)

	fs, err := s.Features(ctx, "gas", sqlite.Filter{})
	require.NoError(t, err)
	require.Len(t, fs, 8)
	for i, was := range awkward() {
		f := fs[i]
		assert.Equal(t, was.Geometry, f.Geometry)
		assert.Equal(t, len(was.Heights), len(f.Heights))
		for j, z := range was.Heights {
			assert.True(t, z == f.Heights[j] || math.IsNaN(z) && math.IsNaN(f.Heights[j]))
		}
		assert.Equal(t, []any{"Gas mains", "gas", survey.RoleBuried, survey.Known(noon)}, []any{f.Layer, f.LayerID, f.Role, f.AsOf})
	}
	assert.Equal(t, []string{"1", "2", "3"}, []string{fs[0].ID, fs[1].ID, fs[2].ID})
	assert.JSONEq(t, `{"d":0,"source_id":"a-1"}`, string(fs[0].Properties))
	assert.Equal(t, `{"mm": 150, "ü": null}`, string(fs[1].Properties))
	assert.JSONEq(t, `{"source_id":"kept"}`, string(fs[2].Properties))
	assert.Nil(t, fs[3].Properties)

	page, err := s.Features(ctx, "gas", sqlite.Filter{After: "3", Limit: 2})
	require.NoError(t, err)
	assert.Equal(t, []string{"4", "5"}, []string{page[0].ID, page[1].ID})
	one, err := s.LayerFeature(ctx, "gas", 2)
	require.NoError(t, err)
	assert.Equal(t, "2", one.ID)
	_, err = s.LayerFeature(ctx, "gas", 9)
	assert.ErrorIs(t, err, survey.ErrNotFound)
	_, err = s.Features(ctx, "water", sqlite.Filter{})
	assert.ErrorIs(t, err, survey.ErrNotFound)

	bound := &orb.Bound{Min: orb.Point{-91.25, 44.6}, Max: orb.Point{-91.15, 44.7}}
	n, err := s.CountFeatures(ctx, "gas", sqlite.Filter{Bound: bound})
	require.NoError(t, err)
	in, err := s.Features(ctx, "gas", sqlite.Filter{Bound: bound})
	require.NoError(t, err)
	assert.Equal(t, 2, n)
	assert.Len(t, in, 2)
	b, ok, err := s.Bounds(ctx)
	require.NoError(t, err)
	assert.True(t, ok)
	assertRound(t, orb.Bound{Min: orb.Point{-180, -17.7}, Max: orb.Point{180, 44.7}}, b)
}

func TestLayerEditions(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	_, err := s.AddLayer(ctx, gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	water := survey.Layer{ID: "water", Title: "Water", Role: survey.RoleWater}
	_, err = s.AddLayer(ctx, water, sequence(awkward()[0]), officer)
	require.NoError(t, err)

	broken := errors.New("the file ends in the middle of a record")
	_, err = s.AddLayer(ctx, gas(), func(yield func(survey.LayerFeature, error) bool) {
		_ = yield(awkward()[0], nil) && yield(survey.LayerFeature{}, broken)
	}, other)
	require.ErrorIs(t, err, broken)
	kept, err := s.Layer(ctx, "gas")
	require.NoError(t, err)
	assert.Equal(t, 8, kept.Features, "a load that fails leaves the edition in force")

	next := gas()
	next.SourceFile = "gas-2027.geojson"
	_, err = s.AddLayer(ctx, next, sequence(awkward()[1]), other)
	require.NoError(t, err)
	fs, err := s.Features(ctx, "gas", sqlite.Filter{})
	require.NoError(t, err)
	assert.Len(t, fs, 1)
	require.NoError(t, s.RemoveLayer(ctx, "gas", officer))
	_, err = s.Layer(ctx, "gas")
	assert.ErrorIs(t, err, survey.ErrNotFound)
	assert.ErrorIs(t, s.RemoveLayer(ctx, "gas", officer), survey.ErrNotFound)
	_, err = s.AddLayer(ctx, gas(), sequence(), officer)
	require.NoError(t, err)

	history, err := s.History(ctx, sqlite.Layers, "gas")
	require.NoError(t, err)
	var verbs []sqlite.Verb
	for _, r := range history {
		verbs = append(verbs, r.Verb)
	}
	assert.Equal(t, []sqlite.Verb{sqlite.Restore, sqlite.Delete, sqlite.Replace, sqlite.Create}, verbs)
	var was survey.Layer
	require.NoError(t, json.Unmarshal(history[2].Before, &was))
	assert.Equal(t, "gas.geojson", was.SourceFile, "the older edition's description stays")

	_, read := s.Pools()
	var boxes, rows int
	require.NoError(t, read.QueryRow(`SELECT (SELECT count(*) FROM layer_features_box), (SELECT count(*) FROM layer_features)`).Scan(&boxes, &rows))
	assert.Equal(t, []int{1, 1}, []int{boxes, rows}, "only the water layer has a feature now")
	all, err := s.Layers(ctx)
	require.NoError(t, err)
	assert.Equal(t, []string{"gas", "water"}, []string{all[0].ID, all[1].ID})
}

func TestLayerRefuses(t *testing.T) {
	s := newAtlas(t)
	for name, f := range map[string]survey.LayerFeature{
		"no geometry":       {},
		"no position":       {Geometry: orb.LineString{}},
		"NaN":               {Geometry: orb.Point{math.NaN(), 1}},
		"off the globe":     {Geometry: orb.LineString{{0, 0}, {181072, 333611}}},
		"properties a list": {Geometry: orb.Point{1, 1}, Properties: json.RawMessage(`[1]`), ID: "x"},
		"properties broken": {Geometry: orb.Point{1, 1}, Properties: json.RawMessage(`{`)},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := s.AddLayer(t.Context(), gas(), sequence(f), officer)
			assert.ErrorIs(t, err, survey.ErrInvalid)
			assert.ErrorContains(t, err, "feature 1")
		})
	}
	_, err := s.AddLayer(t.Context(), survey.Layer{ID: "points"}, sequence(), officer)
	assert.ErrorIs(t, err, survey.ErrInvalid)
	_, err = s.Layer(t.Context(), "gas")
	assert.ErrorIs(t, err, survey.ErrNotFound)
}

func TestLayersNear(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	near, roles, err := s.LayersNear(ctx, orb.Point{-91.2, 44.65}, 50)
	require.NoError(t, err)
	assert.Empty(t, near)
	assert.Empty(t, roles)
	_, err = s.AddLayer(ctx, gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	_, err = s.AddLayer(ctx, survey.Layer{ID: "roads", Title: "Roads", Role: survey.RoleRoad}, sequence(), officer)
	require.NoError(t, err)

	for _, c := range []struct {
		name string
		at   orb.Point
		want []string
	}{
		{"at the point and the line round it", orb.Point{-91.2, 44.65}, []string{"1", "2"}},
		{"just off the point", orb.Point{-91.2005, 44.65}, []string{"1", "2"}},
		{"across 180°, cut line", orb.Point{-179.9999, -17.65}, []string{"5"}},
		{"across 180°, line not cut", orb.Point{179.999, 10}, []string{"8"}},
		{"in the empty south", orb.Point{0, -80}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			near, roles, err := s.LayersNear(ctx, c.at, 50)
			require.NoError(t, err)
			var ids []string
			for _, f := range near {
				ids = append(ids, f.ID)
			}
			assert.Equal(t, c.want, ids)
			assert.Equal(t, map[survey.Role]bool{survey.RoleBuried: true, survey.RoleRoad: true}, roles, "a layer without features was still looked at")
		})
	}
}

func TestPolicies(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	_, err := s.Policy(ctx)
	require.ErrorIs(t, err, survey.ErrNotFound)
	p := defaultPolicy(t)
	require.NoError(t, s.SetPolicy(ctx, p, officer))
	require.NoError(t, s.SetPolicy(ctx, p, other), "setting what is in force changes nothing")
	changed := p
	changed.RequiredRatio.Value = 12
	require.ErrorIs(t, s.SetPolicy(ctx, changed, officer), survey.ErrConflict, "one version, one document")
	changed.Version = "2"
	require.NoError(t, s.SetPolicy(ctx, changed, other))
	assert.ErrorIs(t, s.SetPolicy(ctx, survey.Policy{}, officer), survey.ErrInvalid)

	now, err := s.Policy(ctx)
	require.NoError(t, err)
	assert.Equal(t, changed, now)
	rows, err := s.Policies(ctx)
	require.NoError(t, err)
	require.Len(t, rows, 2)
	third := changed
	third.Version, third.Reason = "3", "a trial"
	require.ErrorIs(t, s.ReplacePolicy(ctx, third, officer, rows[1].Revision), survey.ErrStale, "tried against the one before")
	require.NoError(t, s.ReplacePolicy(ctx, third, officer, rows[0].Revision))
	require.ErrorIs(t, s.ReplacePolicy(ctx, changed, officer, rows[0].Revision), survey.ErrStale)
	rows, err = s.Policies(ctx)
	require.NoError(t, err)
	require.Len(t, rows, 3)
	assert.Equal(t, third, rows[0].Item)
	rows = rows[1:]
	assert.Equal(t, p, rows[1].Item)
	assert.Equal(t, []string{other.Who, officer.Who}, []string{rows[0].UpdatedBy, rows[1].UpdatedBy})
	history, err := s.History(ctx, sqlite.Policies, "policy")
	require.NoError(t, err)
	assert.Len(t, history, 3)
}

// Every edition has a number of its own, so that a state tells it from those
// that were there before.
func TestEditionsOnlyGrow(t *testing.T) {
	s := newAtlas(t)
	var last int64
	for range 3 {
		_, err := s.AddLayer(t.Context(), gas(), sequence(awkward()...), officer)
		require.NoError(t, err)
		state, err := s.State(t.Context())
		require.NoError(t, err)
		assert.Greater(t, state.Edition, last)
		last = state.Edition
		require.NoError(t, s.RemoveLayer(t.Context(), "gas", officer))
	}
}
