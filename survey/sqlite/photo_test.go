package sqlite_test

import (
	"bytes"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func picture(id, point string, source byte) sqlite.Photo {
	return sqlite.Photo{
		ID: id, Point: point, Source: bytes.Repeat([]byte{source}, 32), Width: 4, Height: 3, Taken: "2026-05-04T10:00:00",
		Position: survey.Known(orb.Point{-91.2, 44.6}), JPEG: []byte("picture"), Small: []byte("small"),
	}
}

func TestPhotos(t *testing.T) {
	s := open(t, unpack(t, 8), sqlite.Options{})
	ctx := t.Context()
	points, err := s.Points(ctx, sqlite.Filter{})
	require.NoError(t, err)
	id := points[0].Item.ID

	already, err := s.AddPhoto(ctx, picture("f1", id, 1), officer)
	require.NoError(t, err)
	assert.False(t, already)
	already, err = s.AddPhoto(ctx, picture("f1", id, 1), officer)
	require.NoError(t, err, "sent again after a lost answer")
	assert.True(t, already)
	_, err = s.AddPhoto(ctx, picture("f1", id, 2), officer)
	assert.ErrorIs(t, err, survey.ErrConflict)
	_, err = s.AddPhoto(ctx, picture("f2", "nowhere", 1), officer)
	assert.ErrorIs(t, err, survey.ErrNotFound)

	got, err := s.Photo(ctx, "f1")
	require.NoError(t, err)
	assert.Equal(t, "picture", string(got.JPEG))
	assert.Equal(t, survey.Known(orb.Point{-91.2, 44.6}), got.Position)
	assert.Equal(t, officer.Who, got.AddedBy)
	_, err = s.Photo(ctx, "f9")
	assert.ErrorIs(t, err, survey.ErrNotFound)

	t.Run("listed with its point in one revision", func(t *testing.T) {
		require.NoError(t, s.AddPhotoTo(ctx, picture("f3", id, 3), officer))
		require.NoError(t, s.AddPhotoTo(ctx, picture("f3", id, 3), officer), "a double tap")
		row, err := s.Point(ctx, id)
		require.NoError(t, err)
		assert.Equal(t, []string{"f3"}, row.Item.Photos)
		past, err := s.History(ctx, sqlite.Points, id)
		require.NoError(t, err)
		assert.Equal(t, row.Revision, past[0].Number)
	})
	t.Run("taken off the list, it stays", func(t *testing.T) {
		off := func(p *survey.Point) error { p.Photos = nil; return nil }
		row, err := s.Point(ctx, id)
		require.NoError(t, err)
		assert.ErrorIs(t, s.AlterPoint(ctx, id, officer, survey.Known(row.Revision-1), off), survey.ErrStale)
		require.NoError(t, s.AlterPoint(ctx, id, officer, survey.Known(row.Revision), off))
		all, err := s.PhotosOf(ctx, id)
		require.NoError(t, err)
		require.Len(t, all, 2)
		assert.Equal(t, []string{"f1", "f3"}, []string{all[0].ID, all[1].ID})
	})
	t.Run("and can be put back", func(t *testing.T) {
		require.NoError(t, s.AddPhotoTo(ctx, picture("f3", id, 3), officer))
		row, err := s.Point(ctx, id)
		require.NoError(t, err)
		assert.Equal(t, []string{"f3"}, row.Item.Photos)
	})
	t.Run("more than a page of them", func(t *testing.T) {
		row, err := s.Point(ctx, id)
		require.NoError(t, err)
		for i := range 60 - len(row.Item.Photos) {
			if err = s.AddPhotoTo(ctx, picture("g"+string(rune('A'+i)), id, byte(i)), officer); err != nil {
				break
			}
		}
		assert.ErrorIs(t, err, survey.ErrInvalid)
	})
}
