package sqlite_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// offer is a parcel of one site and one point, as another atlas would send it.
func offer(t testing.TB) sqlite.Parcel {
	t.Helper()
	s := newAtlas(t)
	site := knoll()
	site.ID = "kb"
	putSite(t, s, site)
	p := stand("kb", "P1")
	p.ID = "p1"
	putPoint(t, s, p)
	require.NoError(t, s.DeletePoint(t.Context(), "p1", officer, anyRev))
	parcel, err := s.Parcel(t.Context(), sqlite.Mark{}, 0)
	require.NoError(t, err)
	require.Len(t, parcel.Revisions, 3)
	return parcel
}

// What another atlas sends is taken in whole or refused with a reason, and
// what was refused leaves nothing.
func TestTakeRefuses(t *testing.T) {
	text := func(s string) *string { return &s }
	for name, c := range map[string]struct {
		spoil func(*sqlite.Parcel)
		says  string
	}{
		"another format":        {func(p *sqlite.Parcel) { p.Format = 3 }, "same version"},
		"no atlas":              {func(p *sqlite.Parcel) { p.Atlas = "" }, "does not name an atlas"},
		"an account":            {func(p *sqlite.Parcel) { p.Revisions[0].Collection = "people" }, "nothing that atlases exchange"},
		"a time in words":       {func(p *sqlite.Parcel) { p.Revisions[0].At = "yesterday" }, "is no time"},
		"nobody":                {func(p *sqlite.Parcel) { p.Revisions[0].Who = "" }, "/who"},
		"no JSON":               {func(p *sqlite.Parcel) { p.Revisions[0].After = text(`{`) }, "is no sites"},
		"another item":          {func(p *sqlite.Parcel) { p.Revisions[0].ID = "x" }, "it is that of"},
		"a point that is none":  {func(p *sqlite.Parcel) { p.Revisions[1].After = p.Revisions[0].After }, "is no points"},
		"a parent unheard of":   {func(p *sqlite.Parcel) { p.Revisions[2].On[0][0]++ }, "has not come yet"},
		"a parent of another":   {func(p *sqlite.Parcel) { p.Revisions[2].ID = "kb"; p.Revisions[2].Collection = sqlite.Sites }, "revision of another item"},
		"out of order":          {func(p *sqlite.Parcel) { p.Revisions[1], p.Revisions[2] = p.Revisions[2], p.Revisions[1] }, "has not come yet"},
		"a verb that is none":   {func(p *sqlite.Parcel) { p.Revisions[0].Verb = "replace" }, "for what is a create"},
		"a deletion of nothing": {func(p *sqlite.Parcel) { p.Revisions[0].After = nil }, "takes out what is not there"},
		"a point of no site":    {func(p *sqlite.Parcel) { p.Revisions = p.Revisions[1:2] }, "refuses this value"},
		"off the globe": {func(p *sqlite.Parcel) {
			p.Revisions = p.Revisions[:2]
			*p.Revisions[1].After = strings.Replace(*p.Revisions[1].After, "44.65", "144.65", 1)
		}, "refuses this value"},
		"too many": {func(p *sqlite.Parcel) { p.Revisions = make([]sqlite.Sent, 5000) }, "at most"},
	} {
		t.Run(name, func(t *testing.T) {
			s := newAtlas(t)
			p := offer(t)
			c.spoil(&p)
			_, err := s.Take(t.Context(), p, officer)
			require.ErrorIs(t, err, survey.ErrInvalid)
			assert.ErrorContains(t, err, c.says)
			n, err := s.Revision(t.Context())
			require.NoError(t, err)
			assert.Zero(t, n, "nothing of it is left")
		})
	}
}

func FuzzTake(f *testing.F) {
	whole, err := json.Marshal(offer(f))
	require.NoError(f, err)
	f.Add(whole)
	f.Add([]byte(`{"format":2,"atlas":"x","from":{},"to":{"number":1},"revisions":[{"collection":"policies","id":"policy","at":"2026-05-04T12:00:00.000000Z","who":"x","verb":"create","after":"{\"version\":\"1\"}"}]}`))
	f.Add([]byte(`{"format":2,"atlas":"x","revisions":[{"collection":"layers","id":"gas","at":"2026-05-04T12:00:00.000000Z","who":"x","verb":"create","after":"{\"id\":\"gas\",\"title\":\"G\",\"role\":\"water\",\"sha256\":\"00\"}"}]}`))
	s, err := sqlite.Open(f.Context(), filepath.Join(f.TempDir(), "atlas.db"), sqlite.Options{Create: true})
	require.NoError(f, err)
	f.Cleanup(func() { _ = s.Close() })
	f.Fuzz(func(t *testing.T, b []byte) {
		var p sqlite.Parcel
		if json.Unmarshal(b, &p) != nil {
			return
		}
		if _, err := s.Take(t.Context(), p, officer); err != nil {
			require.ErrorIs(t, err, survey.ErrInvalid, "what is sent is wrong, not the atlas")
			return
		}
		r, err := sqlite.Check(t.Context(), s.Path(), nil)
		require.NoError(t, err)
		require.Empty(t, r.Findings)
	})
}

// slow is a sender who takes a break after every piece.
type slow struct {
	io.Reader
	rest func()
}

func (s slow) Read(b []byte) (int, error) {
	s.rest()
	return s.Reader.Read(b[:min(len(b), 300)])
}

// While a layer comes in slowly, others write.
func TestSlowSenderKeepsNobodyWaiting(t *testing.T) {
	from := newAtlas(t)
	l, err := from.AddLayer(t.Context(), gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	parcel, err := from.Parcel(t.Context(), sqlite.Mark{}, 0)
	require.NoError(t, err)
	content := sqlite.Content{Kind: sqlite.LayerContent, ID: "gas", SHA256: l.SHA256}
	var whole bytes.Buffer
	require.NoError(t, from.WriteContent(t.Context(), content, &whole))

	t.Setenv("TMPDIR", t.TempDir())
	s := newAtlas(t)
	_, err = s.Take(t.Context(), parcel, officer)
	require.NoError(t, err)
	breaks := 0
	sender := slow{&whole, func() {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second) // else a failure would hang
		defer cancel()
		site := knoll()
		breaks++
		site.ID, site.Code = "", fmt.Sprint("KB", breaks)
		_, err := s.PutSite(ctx, site, officer, anyRev)
		require.NoError(t, err)
	}}
	require.NoError(t, s.TakeContent(t.Context(), content, sender, officer))
	assert.Greater(t, breaks, 2)
	got, err := s.Layer(t.Context(), "gas")
	require.NoError(t, err)
	assert.Equal(t, l, got)
	assert.Empty(t, files(t, os.TempDir()), "nothing is left lying about")
}

func FuzzTakeContent(f *testing.F) {
	from := newAtlas(f)
	l, err := from.AddLayer(f.Context(), gas(), sequence(awkward()...), officer)
	require.NoError(f, err)
	parcel, err := from.Parcel(f.Context(), sqlite.Mark{}, 0)
	require.NoError(f, err)
	content := sqlite.Content{Kind: sqlite.LayerContent, ID: "gas", SHA256: l.SHA256}
	var whole strings.Builder
	require.NoError(f, from.WriteContent(f.Context(), content, &whole))
	f.Add([]byte(whole.String()))
	f.Add([]byte("F\xff\xff\xff\xff\xff\xff\xff\xff"))
	f.Add([]byte("E"))
	f.Fuzz(func(t *testing.T, b []byte) {
		s := newAtlas(t)
		_, err := s.Take(t.Context(), parcel, officer)
		require.NoError(t, err)
		err = s.TakeContent(t.Context(), content, strings.NewReader(string(b)), officer)
		if string(b) != whole.String() {
			_, lacking := s.Layer(t.Context(), "gas")
			if err != nil {
				require.ErrorIs(t, lacking, survey.ErrNotFound, "nothing of a torn layer is there")
				return
			}
		}
		require.NoError(t, err)
		got, err := s.Layer(t.Context(), "gas")
		require.NoError(t, err)
		assert.Equal(t, l, got)
	})
}

// FuzzTakePhoto: whatever comes in the place of a photo is refused, or is one
// that can be read again, and the atlas stays sound.
func FuzzTakePhoto(f *testing.F) {
	from := newAtlas(f)
	site := knoll()
	site.ID = "kb"
	putSite(f, from, site)
	p := stand("kb", "P1")
	p.ID, p.Photos = "kb-P1", []string{"f1"}
	putPoint(f, from, p)
	_, err := from.AddPhoto(f.Context(), picture("f1", "kb-P1", 1), officer)
	require.NoError(f, err)
	parcel, err := from.Parcel(f.Context(), sqlite.Mark{}, 0)
	require.NoError(f, err)
	content := sqlite.Content{Kind: sqlite.PhotoContent, ID: "f1", SHA256: "-"}
	var whole strings.Builder
	require.NoError(f, from.WriteContent(f.Context(), content, &whole))
	f.Add(whole.String())
	f.Add(strings.Replace(whole.String(), `"AddedAt":"2026`, `"AddedAt":"0000`, 1))
	f.Add(strings.Replace(whole.String(), `-91.2`, `-991.2`, 1))
	f.Add(strings.Replace(whole.String(), `12:00:00.123456Z`, `00:00:00+23:59`, 1))
	f.Add(`{"ID":"f1"}`)
	f.Fuzz(func(t *testing.T, text string) {
		s := newAtlas(t)
		_, err := s.Take(t.Context(), parcel, officer)
		require.NoError(t, err)
		err = s.TakeContent(t.Context(), content, strings.NewReader(text), officer)
		_, there := s.Photo(t.Context(), "f1")
		if err != nil {
			require.ErrorIs(t, err, survey.ErrInvalid)
			require.ErrorIs(t, there, survey.ErrNotFound)
			return
		}
		require.NoError(t, there)
		_, err = s.PhotosOf(t.Context(), "kb-P1")
		require.NoError(t, err)
		require.Empty(t, findings(t, s.Path()))
	})
}
