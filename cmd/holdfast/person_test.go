package main

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

const phrase = "reeds along the old ferry"

func TestPeopleByCommand(t *testing.T) {
	atlas := district(t)
	do := func(stdin string, args ...string) result { return call(t, stdin, append(args, "--atlas", atlas)...) }
	assert.Contains(t, do("", "person", "list").err, "Nobody has an account")
	do(phrase+"\n", "person", "add", "M. Tern", "--role", "viewer").sentence(t, exitFailed, "nobody would be left with the role admin")
	do("short\n", "person", "add", "R. Osier", "--role", "admin").sentence(t, exitFailed, "at least 12")
	do("", "person", "add", "R. Osier", "--role", "admin", "--no-password").sentence(t, exitFailed, "nobody would be left")

	r := do(phrase+"\n", "person", "add", "R. Osier", "--role", "admin,lead")
	require.Equal(t, exitDone, r.code, r.err)
	assert.Contains(t, r.out, "R. Osier may read the atlas")
	assert.Contains(t, r.err, "From now on everybody signs in")
	assert.Equal(t, exitDone, do(phrase+"\n", "person", "add", "M. Tern", "--role", "viewer", "--json").code)
	do(phrase+"\n", "person", "add", "m. tern", "--role", "viewer").sentence(t, exitFailed, "has an account already")

	var list struct{ People []survey.Person }
	require.NoError(t, json.Unmarshal([]byte(do("", "person", "list", "--json").out), &list))
	require.Len(t, list.People, 2)
	assert.Equal(t, []survey.PersonRole{survey.Admin, survey.Lead}, list.People[1].Roles)
	assert.Contains(t, do("", "person", "change", "M. Tern", "--role", "surveyor", "--contacts").out, "record sites and points")
	do("", "person", "change", "R. Osier", "--close").sentence(t, exitFailed, "nobody would be left")
	do("", "person", "change", "Nobody Here", "--close").sentence(t, exitFailed, "no person")

	token := strings.TrimSpace(do("", "person", "token", "M. Tern", "--for", "county map").out)
	assert.Regexp(t, `^holdfast_[A-Z2-7]{32}$`, token)
	do("", "person", "token", "M. Tern", "--for", "too much", "--role", "lead").sentence(t, exitUsage, "would allow more than M. Tern may do")
	do("", "person", "token", "M. Tern", "--for", "too long", "--days", "1000").sentence(t, exitUsage, "400 days")
	assert.Regexp(t, `^https://district.example:8443/link/[A-Z2-7]{32}\n$`, do("", "person", "device", "M. Tern", "--device", "tablet 3", "--url", "https://district.example:8443/").out)
	assert.Regexp(t, `^http://127.0.0.1:8080/station/[A-Z2-7]{32}\n$`, do("", "person", "screen", "R. Osier", "--screen", "watch room").out)
	keys := do("", "person", "keys")
	for _, want := range []string{"county map", "tablet 3", "watch room", "viewer, reads only"} {
		assert.Contains(t, keys.out, want)
	}
	assert.NotContains(t, keys.out, token)
	var held struct{ Keys []survey.Key }
	require.NoError(t, json.Unmarshal([]byte(do("", "person", "keys", "M. Tern", "--json").out), &held))
	require.Len(t, held.Keys, 2)
	assert.Equal(t, exitDone, do("", "person", "end", held.Keys[0].ID).code)
	do("", "person", "end", held.Keys[0].ID).sentence(t, exitFailed, "no key")
	assert.Equal(t, exitDone, do("", "person", "sign-out", "M. Tern").code)
	require.NoError(t, json.Unmarshal([]byte(do("", "person", "keys", "M. Tern", "--json").out), &held))
	assert.Empty(t, held.Keys)
	assert.Equal(t, exitDone, do("another bird on the bar\n", "person", "password", "M. Tern").code)

	s, err := sqlite.Open(t.Context(), atlas, sqlite.Options{ReadOnly: true})
	require.NoError(t, err)
	defer s.Close()
	_, hash, err := s.Person(t.Context(), "M. Tern")
	require.NoError(t, err)
	assert.Regexp(t, `^\$argon2id\$v=19\$m=65536,t=3,p=4\$`, hash)
}

// TestServingWider: without accounts nothing but setting up is served, and
// the code for it is on the terminal.
func TestServingWider(t *testing.T) {
	out := serving(t, district(t), "--listen", "0.0.0.0:0")
	assert.Contains(t, out, "nothing is shown until the first is made")
	assert.Contains(t, out, "Warning: without TLS")
	assert.Regexp(t, `give this code: [A-Z2-7]{12}\n`, out)

	atlas := district(t)
	require.Equal(t, exitDone, call(t, phrase, "person", "add", "R. Osier", "--role", "admin", "--atlas", atlas).code)
	out = serving(t, atlas, "--listen", "0.0.0.0:0")
	assert.NotContains(t, out, "code")
	out = serving(t, atlas, "--read-only")
	assert.NotContains(t, out, "nobody can sign in")
}

// serving starts a server, stops it when it answers and returns what it said.
func serving(t *testing.T, atlas string, args ...string) string {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	out, in := io.Pipe()
	var errs bytes.Buffer
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, append([]string{"serve", "--atlas", atlas, "--listen", "127.0.0.1:0"}, args...), strings.NewReader(""), in, &errs)
		_ = in.Close()
	}()
	var address string
	_, err := fmt.Fscanln(out, &address)
	require.NoError(t, err)
	_, port, err := net.SplitHostPort(strings.Trim(strings.TrimPrefix(address, "http://"), "/"))
	require.NoError(t, err)
	resp, err := http.Get("http://127.0.0.1:" + port + "/readyz") //nolint:noctx // loopback, in a test
	require.NoError(t, err)
	require.NoError(t, resp.Body.Close())
	assert.Equal(t, http.StatusOK, resp.StatusCode)
	stop()
	assert.Equal(t, exitDone, <-code, errs.String())
	return errs.String()
}

// TestSupportHoldsNobody: every text of the invented district and of its
// people is looked for in the file.
func TestSupportHoldsNobody(t *testing.T) {
	atlas := district(t)
	require.Equal(t, exitDone, call(t, phrase, "person", "add", "Rosalind Osier", "--role", "admin", "--atlas", atlas).code)
	require.Equal(t, exitDone, call(t, "", "person", "token", "Rosalind Osier", "--for", "county map of Orrel", "--atlas", atlas).code)
	s, err := sqlite.Open(t.Context(), atlas, sqlite.Options{})
	require.NoError(t, err)
	defer s.Close()
	log := file(t, "holdfast.log", `{"time":"2026-05-04T08:00:00Z","level":"INFO","msg":"request","id":"X","method":"GET","path":"/sites/orrel-quay","status":200}
{"time":"2026-05-04T08:00:01Z","level":"ERROR","msg":"failed","kind":"busy","path":"/sites/orrel-quay","error":"the code OQ belongs to Rosalind Osier 555-0141"}
{"time":"2026-05-04T08:00:02Z","level":"WARN","msg":"http: TLS handshake error from 192.0.2.77:4711: EOF"}
{"time":"2026-05-04T08:00:03Z","level":"Rosalind Osier","msg":"request"}
Rosalind Osier wrote this by hand, 555-0141
`)
	to := filepath.Join(t.TempDir(), "support.zip")
	r := call(t, "", "support", "--to", to, "--log", log, "--atlas", atlas)
	require.Equal(t, exitDone, r.code, r.err)
	z, err := zip.OpenReader(to)
	require.NoError(t, err)
	defer z.Close()
	text := ""
	for _, f := range z.File {
		in, err := f.Open()
		require.NoError(t, err)
		b, err := io.ReadAll(in)
		require.NoError(t, err)
		text += f.Name + "\n" + string(b)
	}
	for _, want := range []string{`"format"`, `"sites"`, `"admin": 1`, `"token": 1`, `"check": "ok"`, `"ERROR failed, busy": 1`, `"INFO request, 200": 1`, `"others": 3`, `"github.com/mattn/go-sqlite3"`} {
		assert.Contains(t, text, want)
	}
	never := []string{"Rosalind", "Osier", "Orrel", "orrel", "555-0141", "192.0.2.77", "4711", atlas, filepath.Dir(to), "argon2", "county map"}
	sites, err := s.Sites(t.Context(), sqlite.Filter{})
	require.NoError(t, err)
	for _, one := range sites {
		v := one.Item
		never = append(never, v.Name, v.District, v.Access, v.Staging, v.Notes, v.Water.Gauge, v.Review.By, v.ID)
		never = append(never, v.Hazards...)
		for _, c := range v.Contacts {
			never = append(never, c.Who, c.Phone, c.For)
		}
	}
	points, err := s.Points(t.Context(), sqlite.Filter{})
	require.NoError(t, err)
	for _, one := range points {
		never = append(never, one.Item.SurveyedBy, one.Item.BuriedUtilities.Ticket, one.Item.ID)
	}
	looked := 0
	for _, one := range never {
		if len(one) > 3 {
			looked++
			assert.NotContains(t, text, one)
		}
	}
	assert.Greater(t, looked, 100)
}
