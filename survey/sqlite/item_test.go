package sqlite_test

import (
	"encoding/json"
	"errors"
	"math"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func TestWhatIsPutIsRead(t *testing.T) {
	s := newAtlas(t)
	site := knoll()
	site.Heights = []float64{231.5, 232, math.NaN(), 0, 231.5} // one vertex without a height
	put := putSite(t, s, site)
	assert.NotEmpty(t, put.Item.ID)
	assert.Equal(t, noon, put.UpdatedAt)
	assert.Equal(t, officer.Who, put.UpdatedBy)
	got, err := s.Site(t.Context(), put.Item.ID)
	require.NoError(t, err)
	assert.True(t, math.IsNaN(got.Item.Heights[2]), "no height stays no height")
	got.Item.Heights[2], put.Item.Heights[2] = -1, -1
	assert.Equal(t, put, got)

	p := stand("kb", "P1")
	p.Ground.Tests = []survey.GroundTest{
		{Kind: survey.PocketPenetrometer, Reading: survey.Num(0), Unit: "tsf"},
		{Kind: survey.Thumb, Reading: survey.Word("stiff")},
	}
	p.Anchors = []survey.Anchor{{ID: "T1", Kind: survey.KindTree, BearingDeg: survey.Known(geo.Bearing(0))}}
	row := putPoint(t, s, p)
	assert.Equal(t, put.Item.ID, row.Item.Site, "the code becomes the id")
	back, err := s.Point(t.Context(), row.Item.ID)
	require.NoError(t, err)
	assert.Equal(t, row, back)

	// Recorded zero, recorded no, asked and unknown, and never asked are four
	// different things.
	slope, known := back.Item.Terrain.SlopeDeg.Get()
	assert.True(t, known)
	assert.Zero(t, slope)
	height, known := back.Item.ElevationM.Get()
	assert.True(t, known)
	assert.Zero(t, height)
	assert.False(t, back.Item.Terrain.HeightM.Known())
	assert.Equal(t, survey.No, back.Item.Ground.Disturbed)
	assert.Equal(t, survey.AnswerUnknown, back.Item.Ground.Fissured)
	assert.Equal(t, survey.Answer(""), back.Item.Ground.Seeping)

	p.ElevationM = survey.Opt[geo.Length]{}
	p.Label = "P2"
	row = putPoint(t, s, p)
	back, err = s.Point(t.Context(), "kB/p2")
	require.NoError(t, err)
	assert.Equal(t, row, back)
	assert.False(t, back.Item.ElevationM.Known())
}

func TestPutRefuses(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	nan := math.NaN()
	point := func(change func(*survey.Point)) survey.Point {
		p := stand("KB", "P1")
		change(&p)
		return p
	}
	for _, c := range []struct {
		name, pointer string
		p             survey.Point
	}{
		{"a site that is not there", "/properties/site", point(func(p *survey.Point) { p.Site = "XX" })},
		{"NaN for a longitude", "/geometry/coordinates", point(func(p *survey.Point) { p.Position[0] = nan })},
		{"infinity for an elevation", "/geometry/coordinates/2", point(func(p *survey.Point) { p.ElevationM = survey.Known(geo.Length(math.Inf(1))) })},
		{"NaN for a slope", "/properties/terrain/slope_deg", point(func(p *survey.Point) { p.Terrain.SlopeDeg = survey.Known(nan) })},
		{"NaN for a force", "/properties/pull_tests/0/force_kn", point(func(p *survey.Point) {
			p.PullTests = []survey.PullTest{{Rig: "1-1", ForceKN: nan, Outcome: survey.Held}}
		})},
		{"an endless id", "/id", point(func(p *survey.Point) { p.ID = string(make([]byte, 101)) })},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := s.PutPoint(t.Context(), c.p, officer, anyRev)
			invalid, ok := errors.AsType[*survey.InvalidError](err)
			require.True(t, ok, "%v", err)
			assert.Equal(t, c.pointer, invalid.Problems[0].Pointer)
		})
	}
	_, err := s.PutSite(t.Context(), survey.Site{}, officer, anyRev)
	assert.ErrorIs(t, err, survey.ErrInvalid)
	_, err = s.PutSite(t.Context(), knoll(), sqlite.Author{Device: "tablet"}, anyRev)
	assert.ErrorIs(t, err, survey.ErrInvalid, "a change by nobody")
	n, err := s.Revision(t.Context())
	require.NoError(t, err)
	assert.EqualValues(t, 1, n, "what is refused leaves no revision")
}

func TestCodeIsUnique(t *testing.T) {
	s := newAtlas(t)
	first := knoll()
	first.Code = "Ähre" // case folding beyond ASCII
	first = putSite(t, s, first).Item
	second := knoll()
	second.Code = "A\u0308HRE" // the same letters, composed otherwise
	_, err := s.PutSite(t.Context(), second, officer, anyRev)
	require.ErrorIs(t, err, survey.ErrConflict)
	assert.ErrorContains(t, err, first.Name, "the error names the site that has the code")

	putSite(t, s, first) // its own code is no conflict
	require.NoError(t, s.DeleteSite(t.Context(), first.ID, officer, anyRev))
	second = putSite(t, s, second).Item
	_, err = s.PutSite(t.Context(), first, officer, anyRev)
	assert.ErrorIs(t, err, survey.ErrConflict, "a restored site must not share a code either")
	got, err := s.Site(t.Context(), "ÄHRE")
	require.NoError(t, err)
	assert.Equal(t, second.ID, got.Item.ID)
}

func TestStale(t *testing.T) {
	s := newAtlas(t)
	site := putSite(t, s, knoll()).Item
	ctx := t.Context()
	none, some := survey.Known(int64(0)), func(n int64) survey.Opt[int64] { return survey.Known(n) }
	stale := func(err error, current int64) {
		t.Helper()
		require.ErrorIs(t, err, survey.ErrStale)
		e, ok := errors.AsType[*sqlite.StaleError](err)
		require.True(t, ok)
		assert.Equal(t, current, e.Current)
	}

	first, err := s.PutPoint(ctx, stand("KB", "P1"), officer, none)
	require.NoError(t, err, "0 expects that there is none")
	p := first.Item
	_, err = s.PutPoint(ctx, p, other, none)
	stale(err, first.Revision)
	p.SurveyedBy = "officer"
	second, err := s.PutPoint(ctx, p, officer, some(first.Revision))
	require.NoError(t, err)
	assert.Greater(t, second.Revision, first.Revision)
	p.SurveyedBy = "other"
	_, err = s.PutPoint(ctx, p, other, some(first.Revision))
	stale(err, second.Revision)
	now, err := s.Point(ctx, p.ID)
	require.NoError(t, err)
	assert.Equal(t, second, now, "a stale write changes nothing")

	stale(s.DeletePoint(ctx, p.ID, other, some(first.Revision)), second.Revision)
	require.NoError(t, s.DeletePoint(ctx, p.ID, officer, some(second.Revision)))
	_, err = s.PutPoint(ctx, p, other, some(second.Revision))
	stale(err, 0)
	_, err = s.PutPoint(ctx, p, other, none)
	assert.NoError(t, err, "a deleted point is as good as none")

	site.Name = "Renamed"
	_, err = s.PutSite(ctx, site, other, some(99))
	stale(err, 1)
}

func TestHistory(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	site := putSite(t, s, knoll()).Item
	p := putPoint(t, s, stand("KB", "P1")).Item
	p.Label = "P1a"
	_, err := s.PutPoint(ctx, p, other, anyRev)
	require.NoError(t, err)

	err = s.DeleteSite(ctx, site.ID, officer, anyRev)
	require.ErrorIs(t, err, survey.ErrConflict)
	assert.ErrorContains(t, err, "still holds points (1)")
	require.NoError(t, s.DeletePoint(ctx, p.ID, officer, anyRev))
	_, err = s.Point(ctx, p.ID)
	require.ErrorIs(t, err, survey.ErrNotFound)
	_, err = s.Point(ctx, "KB/P1a")
	require.ErrorIs(t, err, survey.ErrNotFound)
	assert.ErrorIs(t, s.DeletePoint(ctx, p.ID, officer, anyRev), survey.ErrNotFound)
	n, err := s.CountPoints(ctx, sqlite.Filter{})
	require.NoError(t, err)
	assert.Zero(t, n)

	_, read := s.Pools()
	var boxes int
	require.NoError(t, read.QueryRow(`SELECT count(*) FROM points_box`).Scan(&boxes))
	assert.Zero(t, boxes, "a tombstone has no place")

	restored := putPoint(t, s, p)
	got, err := s.Point(ctx, p.ID)
	require.NoError(t, err)
	assert.Equal(t, restored, got)

	revisions, err := s.History(ctx, sqlite.Points, p.ID)
	require.NoError(t, err)
	require.Len(t, revisions, 4)
	var verbs []sqlite.Verb
	for _, r := range revisions {
		verbs = append(verbs, r.Verb)
		assert.Equal(t, noon, r.At)
	}
	assert.Equal(t, []sqlite.Verb{sqlite.Restore, sqlite.Delete, sqlite.Replace, sqlite.Create}, verbs, "newest first")
	label := func(raw json.RawMessage) string {
		var f struct{ Properties struct{ Label string } }
		require.NoError(t, json.Unmarshal(raw, &f))
		return f.Properties.Label
	}
	assert.Equal(t, []string{"P1", "P1a"}, []string{label(revisions[2].Before), label(revisions[2].After)})
	assert.Equal(t, other.Who, revisions[2].Who)
	assert.Equal(t, officer.Device, revisions[3].Device)
	assert.Nil(t, revisions[3].Before)
	assert.Nil(t, revisions[1].After)
	assert.Nil(t, revisions[0].Before)
	number, err := s.Revision(ctx)
	require.NoError(t, err)
	assert.Equal(t, revisions[0].Number, number)

	require.NoError(t, s.DeletePoint(ctx, p.ID, officer, anyRev))
	require.NoError(t, s.DeleteSite(ctx, site.ID, officer, anyRev))
	_, err = s.PutPoint(ctx, p, officer, anyRev)
	assert.ErrorIs(t, err, survey.ErrInvalid, "a point cannot join a deleted site")
}

func TestPointByName(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	a := putPoint(t, s, stand("KB", "P1")).Item
	b := putPoint(t, s, stand("KB", "p1")).Item
	_, err := s.Point(t.Context(), "KB/P1")
	require.ErrorIs(t, err, survey.ErrConflict, "two points of one name are not chosen between")
	assert.ErrorContains(t, err, a.ID)
	assert.ErrorContains(t, err, b.ID)
	odd := stand("KB", "x")
	odd.ID = "KB/P1"
	putPoint(t, s, odd)
	got, err := s.Point(t.Context(), "KB/P1")
	require.NoError(t, err)
	assert.Equal(t, "x", got.Item.Label, "an id goes before a name")
	for _, id := range []string{"", "/", "KB/", "KB", "XX/P1"} {
		_, err := s.Point(t.Context(), id)
		assert.ErrorIs(t, err, survey.ErrNotFound, id)
	}
}

func TestImportAll(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	site := knoll()
	points := []survey.Point{stand("kb", "P1"), stand("KB", "P2")}
	bad := stand("KB", "P3")
	bad.Position = orb.Point{44.6, -91.2}
	err := s.ImportAll(ctx, []survey.Site{site}, append(points, bad), officer)
	require.ErrorIs(t, err, survey.ErrInvalid)
	assert.ErrorContains(t, err, "point 3 (P3)")
	err = s.ImportAll(ctx, []survey.Site{site}, append(points, stand("XX", "P4")), officer)
	require.ErrorIs(t, err, survey.ErrInvalid)
	assert.ErrorContains(t, err, `point 3 (P4)`)
	err = s.ImportAll(ctx, []survey.Site{site, site}, nil, officer)
	require.ErrorIs(t, err, survey.ErrConflict)
	assert.ErrorContains(t, err, `site 2 (KB)`)
	n, err := s.Revision(ctx)
	require.NoError(t, err)
	require.Zero(t, n, "one refusal refuses all")

	require.NoError(t, s.ImportAll(ctx, []survey.Site{site}, points, officer))
	rows, err := s.Points(ctx, sqlite.Filter{Site: "KB"})
	require.NoError(t, err)
	require.Len(t, rows, 2)
	assert.NotEqual(t, "kb", rows[0].Item.Site)
	assert.Equal(t, rows[0].Item.Site, rows[1].Item.Site)
}
