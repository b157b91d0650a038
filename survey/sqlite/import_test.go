package sqlite_test

import (
	"context"
	"encoding/json"
	"errors"
	"iter"
	"maps"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func origin(file string) sqlite.Origin {
	return sqlite.Origin{
		File: file, Size: 12, SHA256: strings.Repeat("ab", 32), Mapping: json.RawMessage(`{"columns":{}}`),
		Report: func() (json.RawMessage, error) { return json.RawMessage(`{"accepted":2}`), nil },
	}
}

// imported brings the sites and points in as a file would.
func imported(t *testing.T, s *sqlite.Store, items sqlite.Items) sqlite.Import {
	t.Helper()
	made, err := s.ImportItems(t.Context(), items, origin("points.csv"), officer)
	require.NoError(t, err)
	return made
}

func rows[T any](all ...sqlite.Row[T]) iter.Seq2[sqlite.Row[T], error] {
	return func(yield func(sqlite.Row[T], error) bool) {
		for _, row := range all {
			if !yield(row, nil) {
				return
			}
		}
	}
}

func seen(p survey.Point, revision int64) sqlite.Row[survey.Point] {
	return sqlite.Row[survey.Point]{Item: p, Revision: revision}
}

func anew(site, label string) sqlite.Row[survey.Point] { return seen(stand(site, label), 0) }

func labelled(t *testing.T, s *sqlite.Store) []string {
	t.Helper()
	rows, err := s.Points(t.Context(), sqlite.Filter{Order: sqlite.Order{By: "label"}})
	require.NoError(t, err)
	var out []string
	for _, r := range rows {
		out = append(out, r.Item.Label)
	}
	return out
}

func TestImportOnFile(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	old := putPoint(t, s, stand("KB", "P1"))
	changed := old.Item
	changed.Label = "P1 anew"
	made := imported(t, s, sqlite.Items{Of: sqlite.Points, Points: rows(seen(changed, old.Revision), anew("KB", "P2"))})

	assert.Equal(t, sqlite.Import{
		Number: 1, At: noon, Who: officer.Who, Device: officer.Device, File: "points.csv", Size: 12, SHA256: strings.Repeat("ab", 32), Target: sqlite.Points,
		Mapping: json.RawMessage(`{"columns":{}}`), Report: json.RawMessage(`{"accepted":2}`), First: 3, Last: 4,
	}, made)
	all, err := s.Imports(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []sqlite.Import{made}, all)
	same, err := s.ImportsOf(t.Context(), made.SHA256)
	require.NoError(t, err)
	assert.Len(t, same, 1)
	_, err = s.Import(t.Context(), 7)
	assert.ErrorIs(t, err, survey.ErrNotFound)

	nothing := imported(t, s, sqlite.Items{Of: sqlite.Points})
	assert.Zero(t, nothing.First)
	_, err = s.UndoImport(t.Context(), nothing.Number, false, officer)
	assert.NoError(t, err, "an import that wrote nothing is undone by doing nothing")
}

func TestUndoItems(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	old, gone := putPoint(t, s, stand("KB", "P1")), putPoint(t, s, stand("KB", "P9"))
	changed := old.Item
	changed.SurveyedBy = "the file"
	made := imported(t, s, sqlite.Items{
		Of: sqlite.Points, Points: rows(seen(changed, old.Revision), anew("KB", "P2")), Remove: maps.All(map[string]int64{gone.Item.ID: gone.Revision}),
	})
	require.Equal(t, []string{"P1", "P2"}, labelled(t, s))

	plan, err := s.PlanUndo(t.Context(), 0)
	require.NoError(t, err)
	require.Equal(t, []string{"P1", "P2"}, labelled(t, s), "a plan changes nothing")
	fates := map[string]sqlite.Fate{}
	for _, i := range plan.Items {
		fates[i.Name] = i.Fate
	}
	assert.Equal(t, map[string]sqlite.Fate{"P1": sqlite.PutBack, "P2": sqlite.Deleted, "P9": sqlite.PutBack}, fates)

	undone, err := s.UndoImport(t.Context(), made.Number, false, other)
	require.NoError(t, err)
	assert.Equal(t, other.Who, undone.Import.UndoneBy)
	assert.Equal(t, []string{"P1", "P9"}, labelled(t, s))
	back, err := s.Point(t.Context(), old.Item.ID)
	require.NoError(t, err)
	assert.Equal(t, old.Item, back.Item)
	history, err := s.History(t.Context(), sqlite.Points, old.Item.ID)
	require.NoError(t, err)
	assert.Len(t, history, 3, "undoing is a revision like any other")

	_, err = s.UndoImport(t.Context(), made.Number, false, other)
	assert.ErrorIs(t, err, survey.ErrConflict)
	assert.ErrorContains(t, err, "already")
	_, err = s.UndoImport(t.Context(), 0, false, other)
	assert.ErrorIs(t, err, survey.ErrNotFound, "no import stands")
}

func TestUndoAfterChanges(t *testing.T) {
	s := newAtlas(t)
	made := imported(t, s, sqlite.Items{Of: sqlite.Sites, Sites: rows(sqlite.Row[survey.Site]{Item: knoll()})})
	points := imported(t, s, sqlite.Items{Of: sqlite.Points, Points: rows(anew("KB", "P1"), anew("KB", "P2"))})

	_, err := s.UndoImport(t.Context(), made.Number, false, officer)
	require.ErrorIs(t, err, sqlite.ErrChangedSince, "a site that holds points stays")
	require.ErrorContains(t, err, "still holds points (2)")

	p, err := s.Point(t.Context(), "KB/P1")
	require.NoError(t, err)
	p.Item.SurveyedBy = "by hand"
	_, err = s.PutPoint(t.Context(), p.Item, other, anyRev)
	require.NoError(t, err)
	_, err = s.UndoImport(t.Context(), points.Number, false, officer)
	require.ErrorIs(t, err, sqlite.ErrChangedSince)
	require.ErrorIs(t, err, survey.ErrConflict)
	require.ErrorContains(t, err, "P1 was changed by B. Other")
	require.Equal(t, []string{"P1", "P2"}, labelled(t, s), "all or nothing")

	undone, err := s.UndoImport(t.Context(), points.Number, true, officer)
	require.NoError(t, err)
	require.Len(t, undone.Kept(), 1)
	assert.Equal(t, "P1", undone.Kept()[0].Name)
	assert.Equal(t, []string{"P1"}, labelled(t, s))
}

func TestImportHoldsToWhatItSaw(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	old := putPoint(t, s, stand("KB", "P1"))
	putPoint(t, s, old.Item)
	_, err := s.ImportItems(t.Context(), sqlite.Items{
		Of: sqlite.Points, Points: rows(anew("KB", "P2"), seen(old.Item, old.Revision)),
	}, origin("x"), officer)
	require.ErrorIs(t, err, survey.ErrStale)
	all, err := s.Imports(t.Context())
	require.NoError(t, err)
	assert.Empty(t, all)
	assert.Equal(t, []string{"P1"}, labelled(t, s))
}

func TestUndoLayer(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	first, one, err := s.ImportLayer(ctx, gas(), sequence(awkward()...), origin("gas.geojson"), officer)
	require.NoError(t, err)
	_, two, err := s.ImportLayer(ctx, gas(), sequence(awkward()[0]), origin("gas-2027.geojson"), officer)
	require.NoError(t, err)
	near := func() int {
		fs, _, err := s.LayersNear(ctx, orb.Point{-91.2, 44.65}, 50)
		require.NoError(t, err)
		return len(fs)
	}
	require.Equal(t, 1, near(), "the former edition is out of sight")
	all, err := s.Layers(ctx)
	require.NoError(t, err)
	require.Len(t, all, 1)

	_, err = s.UndoImport(ctx, one.Number, false, officer)
	require.ErrorIs(t, err, sqlite.ErrChangedSince, "the later one is undone first")
	plan, err := s.PlanUndo(ctx, two.Number)
	require.NoError(t, err)
	assert.Contains(t, plan.Layer, "comes back")
	require.Equal(t, 1, near())

	_, err = s.UndoImport(ctx, 0, false, officer)
	require.NoError(t, err)
	got, err := s.Layer(ctx, "gas")
	require.NoError(t, err)
	assert.Equal(t, first, got)
	assert.Equal(t, 2, near(), "it is found again")
	fs, err := s.Features(ctx, "gas", sqlite.Filter{})
	require.NoError(t, err)
	assert.Len(t, fs, 8)

	undone, err := s.UndoImport(ctx, 0, false, officer)
	require.NoError(t, err)
	assert.Contains(t, undone.Layer, "none before")
	_, err = s.Layer(ctx, "gas")
	assert.ErrorIs(t, err, survey.ErrNotFound)
	assert.Zero(t, near())
	history, err := s.History(ctx, sqlite.Layers, "gas")
	require.NoError(t, err)
	var verbs []sqlite.Verb
	for _, r := range history {
		verbs = append(verbs, r.Verb)
	}
	assert.Equal(t, []sqlite.Verb{sqlite.Delete, sqlite.Replace, sqlite.Replace, sqlite.Create}, verbs)
	_, read := s.Pools()
	var rows int
	require.NoError(t, read.QueryRow(`SELECT (SELECT count(*) FROM layer_features_box) + (SELECT count(*) FROM layer_features) + (SELECT count(*) FROM layers)`).Scan(&rows))
	assert.Zero(t, rows)
}

// Only one edition before the one in force is kept.
func TestUndoLayerTwiceReplaced(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	var numbers []int64
	for i := range 3 {
		_, made, err := s.ImportLayer(ctx, gas(), sequence(awkward()[i]), origin("gas.geojson"), officer)
		require.NoError(t, err)
		numbers = append(numbers, made.Number)
	}
	_, err := s.UndoImport(ctx, numbers[2], false, officer)
	require.NoError(t, err)
	_, err = s.UndoImport(ctx, numbers[1], false, officer)
	require.ErrorIs(t, err, survey.ErrConflict)
	assert.ErrorContains(t, err, "not kept any more")
}

func TestRestoreLayer(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	l, err := s.AddLayer(ctx, gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	require.ErrorIs(t, s.RestoreLayer(ctx, "gas", officer), survey.ErrConflict)
	require.NoError(t, s.RemoveLayer(ctx, "gas", officer))
	removed, err := s.RemovedLayers(ctx)
	require.NoError(t, err)
	assert.Equal(t, []survey.Layer{l}, removed)
	_, roles, err := s.LayersNear(ctx, orb.Point{-91.2, 44.65}, 50)
	require.NoError(t, err)
	assert.Empty(t, roles, "the role of a layer that was taken out was not looked at")
	require.NoError(t, s.RestoreLayer(ctx, "gas", officer))
	got, err := s.Layer(ctx, "gas")
	require.NoError(t, err)
	assert.Equal(t, l, got)
	assert.ErrorIs(t, s.RestoreLayer(ctx, "water", officer), survey.ErrNotFound)
}

// A load that is cancelled half-way leaves the edition in force and no trace.
func TestCancelledLoad(t *testing.T) {
	s := newAtlas(t)
	_, err := s.AddLayer(t.Context(), gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	before, err := s.Revision(t.Context())
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	given := 0
	_, _, err = s.ImportLayer(ctx, gas(), func(yield func(survey.LayerFeature, error) bool) {
		for yield(awkward()[0], nil) {
			if given++; given == 5000 {
				cancel()
			}
		}
	}, origin("gas.geojson"), officer)
	require.ErrorIs(t, err, context.Canceled)
	after, err := s.Revision(t.Context())
	require.NoError(t, err)
	assert.Equal(t, before, after)
	fs, err := s.Features(t.Context(), "gas", sqlite.Filter{})
	require.NoError(t, err)
	assert.Len(t, fs, 8)
	all, err := s.Imports(t.Context())
	require.NoError(t, err)
	assert.Empty(t, all)
}

// What the sequence panics with comes out where AddLayer was called.
func TestLoadPanics(t *testing.T) {
	s := newAtlas(t)
	assert.PanicsWithError(t, "a fault of the reader", func() {
		_, _ = s.AddLayer(t.Context(), gas(), func(func(survey.LayerFeature, error) bool) { panic(errors.New("a fault of the reader")) }, officer)
	})
	putSite(t, s, knoll()) // the writer is free again
}

func TestMappings(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	m := sqlite.Mapping{Name: "County soils", Of: sqlite.Points, Body: json.RawMessage(`{"columns":{"A":"label"}}`)}
	require.NoError(t, s.SaveMapping(ctx, m, officer))
	m.Name, m.Body = "county soils", json.RawMessage(`{"columns":{"B":"label"}}`)
	require.NoError(t, s.SaveMapping(ctx, m, other))
	all, err := s.Mappings(ctx)
	require.NoError(t, err)
	assert.Equal(t, []sqlite.Mapping{{Name: "County soils", Of: sqlite.Points, Body: m.Body, SavedAt: noon, SavedBy: other.Who}}, all)
	got, err := s.Mapping(ctx, "COUNTY SOILS")
	require.NoError(t, err)
	assert.Equal(t, all[0], got)
	_, err = s.Mapping(ctx, "none")
	assert.ErrorIs(t, err, survey.ErrNotFound)
	assert.ErrorIs(t, s.SaveMapping(ctx, sqlite.Mapping{Name: "x", Of: "layers", Body: m.Body}, officer), survey.ErrInvalid)
	assert.ErrorIs(t, s.SaveMapping(ctx, sqlite.Mapping{Of: sqlite.Points, Body: m.Body}, officer), survey.ErrInvalid)
	history, err := s.History(ctx, sqlite.Mappings, "County soils")
	require.NoError(t, err)
	assert.Len(t, history, 2)
}
