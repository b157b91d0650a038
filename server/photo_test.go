package server_test

import (
	"bytes"
	"fmt"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/photo"
	"holdfast/survey/sqlite"
)

// picture is a photo with place, time and names in its metadata; see
// survey/photo/testdata/SOURCE.md.
func picture(t testing.TB) string {
	t.Helper()
	b, err := os.ReadFile("../survey/photo/testdata/placed.jpg")
	require.NoError(t, err)
	return string(b)
}

func TestPutPhoto(t *testing.T) {
	s, store := fixture(t)
	const at = "/api/photos/f1?point=p-good"
	res := call(t, s, http.MethodPut, at, picture(t), "Content-Type: image/jpeg")
	require.Equal(t, http.StatusCreated, res.StatusCode, bodyOf(t, res))
	assert.Equal(t, http.StatusOK, call(t, s, http.MethodPut, at, picture(t)).StatusCode, "sent again after a lost answer")
	all, err := store.PhotosOf(t.Context(), "p-good")
	require.NoError(t, err)
	require.Len(t, all, 1)
	assert.Equal(t, 32, all[0].Width, "turned upright")

	for name, c := range map[string]struct {
		path, body string
		want       int
	}{
		"another file under that id": {at, picture(t) + "-", http.StatusConflict},
		"a point that is not there":  {"/api/photos/f2?point=p-none", picture(t), http.StatusNotFound},
		"no point":                   {"/api/photos/f2", picture(t), http.StatusBadRequest},
		"no photo":                   {"/api/photos/f2?point=p-good", "<html>", http.StatusBadRequest},
		"too large":                  {"/api/photos/f2?point=p-good", string(make([]byte, photo.MostBytes+server.MaxBody+1)), http.StatusRequestEntityTooLarge},
	} {
		t.Run(name, func(t *testing.T) {
			res := call(t, s, http.MethodPut, c.path, c.body)
			assert.Equal(t, c.want, res.StatusCode, bodyOf(t, res))
		})
	}
	for _, path := range []string{"/photos/f1", "/photos/f1/small"} {
		res := call(t, s, http.MethodGet, path, "")
		assert.Equal(t, "image/jpeg", res.Header.Get("Content-Type"))
		assert.Contains(t, res.Header.Get("Cache-Control"), "private")
		assert.NotContains(t, bodyOf(t, res), "Somebody")
	}
	closed, _ := fixture(t, func(c *server.Config) { c.ReadOnly = true })
	assert.Equal(t, http.StatusForbidden, call(t, closed, http.MethodPut, at, picture(t)).StatusCode)
}

// sendPhotos posts photos as a browser without script does.
func sendPhotos(t *testing.T, s http.Handler, path string, photos ...string) *http.Response {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for i, p := range photos {
		part, err := w.CreateFormFile("photo", fmt.Sprintf("%d.jpg", i))
		require.NoError(t, err)
		_, err = part.Write([]byte(p))
		require.NoError(t, err)
	}
	require.NoError(t, w.Close())
	return call(t, s, http.MethodPost, path, b.String(), "Content-Type: "+w.FormDataContentType(), "Accept: text/html")
}

func postForm(t *testing.T, s http.Handler, path string, form url.Values) *http.Response {
	t.Helper()
	return call(t, s, http.MethodPost, path, form.Encode(), "Content-Type: application/x-www-form-urlencoded", "Accept: text/html")
}

func storedPoint(t *testing.T, store *sqlite.Store, id string) sqlite.Row[survey.Point] {
	t.Helper()
	row, err := store.Point(t.Context(), id)
	require.NoError(t, err)
	return row
}

func TestPhotosByForm(t *testing.T) {
	s, store := fixture(t)
	res := sendPhotos(t, s, "/points/p-good/photos", picture(t))
	require.Equal(t, http.StatusSeeOther, res.StatusCode, bodyOf(t, res))
	require.Equal(t, http.StatusSeeOther, sendPhotos(t, s, "/points/p-good/photos", picture(t)).StatusCode, "a double tap")
	row := storedPoint(t, store, "p-good")
	require.Len(t, row.Item.Photos, 1)
	id := row.Item.Photos[0]

	page := bodyOf(t, call(t, s, http.MethodGet, "/points/p-good", "", "Accept: text/html"))
	assert.Contains(t, page, `src="/photos/`+id+`/small"`)
	assert.Contains(t, page, "44.651230, -91.204560", "where it was taken is offered")

	seen := url.Values{"revision": {fmt.Sprint(row.Revision)}}
	t.Run("its place becomes the point's", func(t *testing.T) {
		require.Equal(t, http.StatusSeeOther, postForm(t, s, "/points/p-good/photos/"+id+"/place", seen).StatusCode)
		row = storedPoint(t, store, "p-good")
		assert.InDelta(t, 44.65123, row.Item.Position.Lat(), 1e-6) // as ExifTool was told
		assert.InDelta(t, -91.20456, row.Item.Position.Lon(), 1e-6)
		assert.False(t, row.Item.Fix.AccuracyM.Known(), "a photo does not say how well")
	})
	t.Run("an older page is told so", func(t *testing.T) {
		assert.Equal(t, http.StatusPreconditionFailed, postForm(t, s, "/points/p-good/photos/"+id+"/remove", seen).StatusCode)
	})
	t.Run("taken off, it stays in the history", func(t *testing.T) {
		require.Equal(t, http.StatusSeeOther, postForm(t, s, "/points/p-good/photos/"+id+"/remove", url.Values{"revision": {fmt.Sprint(row.Revision)}}).StatusCode)
		assert.Empty(t, storedPoint(t, store, "p-good").Item.Photos)
		assert.Equal(t, http.StatusOK, call(t, s, http.MethodGet, "/photos/"+id, "").StatusCode)
	})
	for name, photos := range map[string][]string{"nothing chosen": {""}, "no photo": {"text"}, "an empty form": nil} {
		t.Run(name, func(t *testing.T) {
			assert.Equal(t, http.StatusBadRequest, sendPhotos(t, s, "/points/p-good/photos", photos...).StatusCode)
		})
	}
}

func TestPullTestByForm(t *testing.T) {
	s, store := fixture(t)
	form := func(change ...string) url.Values {
		f := url.Values{
			"revision": {fmt.Sprint(storedPoint(t, store, "p-good").Revision)}, "rig": {"1-1-1"}, "force": {"2000"}, "force_unit": {"lbf"}, "outcome": {"held"},
			"movement": {"0.5"}, "movement_unit": {"in"}, "bearing": {"170"}, "north": {"true"}, "at": {"2026-05-03"}, "moisture": {""}, "instrument": {"load cell"}, "note": {""},
		}
		for i := 0; i < len(change); i += 2 {
			f.Set(change[i], change[i+1])
		}
		return f
	}
	sent := form()
	res := postForm(t, s, "/points/p-good/pull-tests", sent)
	require.Equal(t, http.StatusSeeOther, res.StatusCode, bodyOf(t, res))
	require.Equal(t, http.StatusSeeOther, postForm(t, s, "/points/p-good/pull-tests", sent).StatusCode, "a double tap")
	tests := storedPoint(t, store, "p-good").Item.PullTests
	require.Len(t, tests, 1)
	got := tests[0]
	assert.InDelta(t, 8.8964, got.ForceKN, 1e-4) // 2,000 lbf: NIST SP 811, B.8, 1 lbf = 4.448222 N
	moved, _ := got.MovementMM.Get()
	assert.InDelta(t, 12.7, moved, 1e-9)
	b, _ := got.BearingDeg.Get()
	assert.InDelta(t, 170, b.Degrees(), 1e-9)
	assert.Empty(t, got.Moisture, "what was left empty is not known")

	require.Equal(t, http.StatusSeeOther, postForm(t, s, "/points/p-good/pull-tests", form("bearing", "", "movement", "", "rig", "T1", "outcome", "failed")).StatusCode)
	got = storedPoint(t, store, "p-good").Item.PullTests[1]
	assert.False(t, got.MovementMM.Known())
	assert.False(t, got.BearingDeg.Known())

	require.Equal(t, http.StatusSeeOther, postForm(t, s, "/points/p-good/pull-tests", form("force", "8,5", "force_unit", "kN", "movement", "12,5", "movement_unit", "mm")).StatusCode)
	got = storedPoint(t, store, "p-good").Item.PullTests[2]
	assert.InDelta(t, 8.5, got.ForceKN, 1e-9)
	moved, _ = got.MovementMM.Get()
	assert.InDelta(t, 12.5, moved, 1e-9)

	for name, f := range map[string]url.Values{
		"no force": form("force", ""), "no number": form("force", "lots"), "no unit": form("force_unit", "stone"), "no such rig": form("rig", "9-9"),
		"no day": form("at", "yesterday"), "no such outcome": form("outcome", "fine"), "beyond the circle": form("bearing", "361"), "no version": form("revision", "", "note", "other"),
		"less than nothing": form("movement", "-1"), "no unit of movement": form("movement_unit", "stone"), "movement in no unit": form("movement_unit", ""),
		"a comma for one of two": form("force", "1,800"), "hexadecimal": form("force", "0x10"), "an exponent": form("movement", "1e1"), "two ways of bearing": form("bearing", "1,125"),
	} {
		t.Run(name, func(t *testing.T) {
			res := postForm(t, s, "/points/p-good/pull-tests", f)
			assert.Equal(t, http.StatusBadRequest, res.StatusCode, bodyOf(t, res))
		})
	}
	t.Run("an older page", func(t *testing.T) {
		assert.Equal(t, http.StatusPreconditionFailed, postForm(t, s, "/points/p-good/pull-tests", form("revision", "1", "note", "other")).StatusCode)
	})
	assert.Len(t, storedPoint(t, store, "p-good").Item.PullTests, 3)
}

// TestSentAgain: a write that is repeated because its answer was lost is taken
// for what it is (RFC 9110, 13.1.1), and another version is still refused.
func TestSentAgain(t *testing.T) {
	s, store := fixture(t)
	const at = "/api/collections/points/items/p-new"
	body := func(label string) string {
		return fmt.Sprintf(`{"type": "Feature", "geometry": {"type": "Point", "coordinates": [-91.2, 44.65]}, "properties": {"site": "s-alder", "label": %q, "anchors": []}}`, label)
	}
	put := func(label string, headers ...string) *http.Response {
		return call(t, s, http.MethodPut, at, body(label), append(headers, "Content-Type: application/geo+json", `Idempotency-Key: "p-new"`)...)
	}
	first := put("N1", "If-None-Match: *")
	require.Equal(t, http.StatusCreated, first.StatusCode, bodyOf(t, first))
	again := put("N1", "If-None-Match: *")
	assert.Equal(t, http.StatusOK, again.StatusCode)
	assert.Equal(t, first.Header.Get("ETag"), again.Header.Get("ETag"))
	assert.Equal(t, http.StatusPreconditionFailed, put("N2", "If-None-Match: *").StatusCode)
	plain := call(t, s, http.MethodPut, at, body("N1"), "If-None-Match: *", "Content-Type: application/geo+json")
	assert.Equal(t, http.StatusPreconditionFailed, plain.StatusCode, "who does not say that it is sent again sends on an old version")

	changed := put("N2", "If-Match: "+first.Header.Get("ETag"))
	require.Equal(t, http.StatusOK, changed.StatusCode)
	again = put("N2", "If-Match: "+first.Header.Get("ETag"))
	assert.Equal(t, http.StatusOK, again.StatusCode)
	assert.Equal(t, changed.Header.Get("ETag"), again.Header.Get("ETag"))
	assert.Equal(t, http.StatusPreconditionFailed, put("N3", "If-Match: "+first.Header.Get("ETag")).StatusCode)
	past, err := store.History(t.Context(), sqlite.Points, "p-new")
	require.NoError(t, err)
	assert.Len(t, past, 2)
}
