package server_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

// TestWhoDoesNotReadHoldsNothing: however many ask for a large layer and do not
// read it, the others are served.
func TestWhoDoesNotReadHoldsNothing(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	s, store := fixture(t)
	s.SetQueueWait(20 * time.Millisecond)
	large := strings.Repeat("231 232\n", 3<<20) // more than two ends of a connection keep
	covers := orb.Polygon{{{-91.3, 44.6}, {-91.1, 44.6}, {-91.1, 44.8}, {-91.3, 44.6}}}
	l, _, err := store.ImportRaster(t.Context(), survey.Layer{ID: "ground", Title: "Ground", Role: survey.RoleElevation}, covers, strings.NewReader(large), sqlite.Origin{File: "ground.tif", Size: int64(len(large)), SHA256: strings.Repeat("ab", 32), Report: func() (json.RawMessage, error) { return json.RawMessage(`{}`), nil }}, author)
	require.NoError(t, err)
	web := httptest.NewServer(s)
	defer web.Close()
	codes := map[string]int{}
	var open []net.Conn
	for range max(4, runtime.NumCPU()) + 2 { // more than the atlas has readers
		c, err := net.Dial("tcp", web.Listener.Addr().String())
		require.NoError(t, err)
		open = append(open, c)
		require.NoError(t, c.SetDeadline(time.Now().Add(20*time.Second))) // else a failure would hang
		_, err = fmt.Fprintf(c, "GET /api/sync/contents/layer/ground/%s HTTP/1.1\r\nHost: localhost\r\n\r\n", l.SHA256)
		require.NoError(t, err)
		line, err := bufio.NewReaderSize(c, 16).ReadString('\n')
		require.NoError(t, err, "answered at once, whatever the answer")
		codes[strings.TrimSpace(line[9:])]++
	}
	assert.Equal(t, 2, codes["200 OK"])
	assert.Equal(t, len(open)-2, codes["503 Service Unavailable"])
	for _, path := range []string{"/readyz", "/api/collections/points/items/p-good"} {
		assert.Equal(t, http.StatusOK, call(t, s, http.MethodGet, path, "").StatusCode, path)
	}
	for _, c := range open {
		assert.NoError(t, c.Close())
	}
	require.Eventually(t, func() bool { return s.AtWork() == 0 }, 20*time.Second, time.Millisecond)
	left, err := os.ReadDir(os.TempDir())
	require.NoError(t, err)
	assert.Empty(t, left)
}

// TestLayersAreSentByWhoMayBringThemIn: a lead exchanges everything else; what
// is here already is passed over, whoever sends it.
func TestLayersAreSentByWhoMayBringThemIn(t *testing.T) {
	d := newDepartment(t)
	_, away := fixture(t)
	site, err := away.Site(t.Context(), "s-alder")
	require.NoError(t, err)
	site.Item.Name = "Alder Bend, upstream"
	_, err = away.PutSite(t.Context(), site.Item, author, survey.Known(site.Revision))
	require.NoError(t, err)
	parcelAfter := func(mark sqlite.Mark) (string, sqlite.Mark) {
		p, err := away.Parcel(t.Context(), mark, 0)
		require.NoError(t, err)
		b, err := json.Marshal(p)
		require.NoError(t, err)
		return string(b), p.To
	}
	token := func(p survey.Person) string {
		text := secret.NewToken("")
		_, err := d.store.AddKey(t.Context(), survey.Key{Kind: survey.Token, Role: survey.Lead, Name: "station", Person: p.ID, Expires: now.Add(time.Hour)}, secret.Digest(text), author)
		require.NoError(t, err)
		return "Authorization: Bearer " + text
	}
	lead := token(d.people["lead"])
	post := func(body, who string) *http.Response {
		return call(t, d, http.MethodPost, "/api/sync/revisions", body, "Content-Type: application/json", who)
	}
	plain, mark := parcelAfter(sqlite.Mark{})
	res := post(plain, lead)
	require.Equal(t, http.StatusOK, res.StatusCode, bodyOf(t, res))

	gas := survey.Layer{ID: "gas", Title: "Gas mains", Role: survey.RoleBuried}
	_, err = away.AddLayer(t.Context(), gas, func(yield func(survey.LayerFeature, error) bool) {
		yield(survey.LayerFeature{Geometry: orb.LineString{{-91.2, 44.65}, {-91.2, 44.66}}}, nil)
	}, author)
	require.NoError(t, err)
	site, err = away.Site(t.Context(), "s-alder")
	require.NoError(t, err)
	site.Item.Name = "Alder Bend, downstream"
	_, err = away.PutSite(t.Context(), site.Item, author, survey.Known(site.Revision))
	require.NoError(t, err)
	added, later := parcelAfter(mark)
	id, err := away.ID(t.Context())
	require.NoError(t, err)
	takenTo := func() sqlite.Mark {
		st, err := d.store.Standing(t.Context(), id)
		require.NoError(t, err)
		return st.Taken
	}
	require.Equal(t, mark, takenTo())
	for range 2 {
		res = post(added, lead)
		body := bodyOf(t, res)
		require.Equal(t, http.StatusOK, res.StatusCode, body)
		assert.Contains(t, body, `"left_out":[{"collection":"layers","id":"gas","why":"your account may not bring in layers`)
		got, err := d.store.Site(t.Context(), "s-alder")
		require.NoError(t, err)
		assert.Equal(t, "Alder Bend, downstream", got.Item.Name, "all else comes")
		past, err := d.store.History(t.Context(), sqlite.Layers, "gas")
		require.NoError(t, err)
		assert.Len(t, past, 1, "only what was here")
		assert.Equal(t, mark, takenTo(), "so that it comes again")
	}

	hash, err := light().Hash(t.Context(), phrase)
	require.NoError(t, err)
	both, err := d.store.AddPerson(t.Context(), survey.Person{Name: "Both", Roles: []survey.PersonRole{survey.Lead, survey.GIS}}, hash, author)
	require.NoError(t, err)
	res = post(added, token(both))
	require.Equal(t, http.StatusOK, res.StatusCode, bodyOf(t, res))
	assert.Equal(t, later, takenTo())
	past, err := d.store.History(t.Context(), sqlite.Layers, "gas")
	require.NoError(t, err)
	assert.Greater(t, len(past), 1)
	assert.NotContains(t, bodyOf(t, post(added, lead)), "left_out", "here already")

	require.NoError(t, away.RemoveLayer(t.Context(), "gas", author))
	removed, _ := parcelAfter(later)
	assert.Contains(t, bodyOf(t, post(removed, lead)), "left_out")
	assert.NotContains(t, bodyOf(t, post(removed, token(both))), "left_out")
}

// TestLayerThatComesLaterIsSeen: what a layer holds follows its description on
// its own, and nothing that was remembered before hides it.
func TestLayerThatComesLaterIsSeen(t *testing.T) {
	s, store := fixture(t)
	_, away := fixture(t)
	good, err := store.Point(t.Context(), "p-good")
	require.NoError(t, err)
	at := good.Item.Position
	l, err := away.AddLayer(t.Context(), survey.Layer{ID: "gas", Title: "Gas mains", Role: survey.RoleBuried}, func(yield func(survey.LayerFeature, error) bool) {
		yield(survey.LayerFeature{Geometry: orb.LineString{{at.Lon() - 0.001, at.Lat()}, {at.Lon() + 0.001, at.Lat()}}}, nil)
	}, author)
	require.NoError(t, err)
	parcel, err := away.Parcel(t.Context(), sqlite.Mark{}, 0)
	require.NoError(t, err)
	parcel.Revisions = slices.DeleteFunc(parcel.Revisions, func(r sqlite.Sent) bool { return r.Collection != sqlite.Layers })
	_, err = store.Take(t.Context(), parcel, author)
	require.NoError(t, err)
	paths := []string{"/api/collections", "/api/collections/points/items", "/map/points?bbox=-91.3,44.6,-91.1,44.7"}
	ask := func(h http.Handler) (out []string) {
		for _, path := range paths {
			res := call(t, h, http.MethodGet, path, "", "Accept: application/json, application/geo+json")
			body := bodyOf(t, res)
			require.Equal(t, http.StatusOK, res.StatusCode, body)
			if out = append(out, body); path == paths[1] {
				out[1] = res.Header.Get("ETag")
			}
		}
		return out
	}
	before := ask(s)
	var content bytes.Buffer
	require.NoError(t, away.WriteContent(t.Context(), sqlite.Content{Kind: sqlite.LayerContent, ID: "gas", SHA256: l.SHA256}, &content))
	res := call(t, s, http.MethodPut, "/api/sync/contents/layer/gas/"+l.SHA256, content.String())
	require.Equal(t, http.StatusNoContent, res.StatusCode, bodyOf(t, res))
	after := ask(s)
	anew, err := server.New(server.Config{Store: store, Now: func() time.Time { return now }, Version: "test"})
	require.NoError(t, err)
	assert.Equal(t, ask(anew), after, "as one that remembers nothing has it")
	for i := range paths {
		assert.NotEqual(t, before[i], after[i], paths[i])
	}
}
