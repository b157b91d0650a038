package server_test

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/secret"
	"holdfast/survey/sqlite"
)

// light hashes fast: what is tested with it does not depend on the cost.
func light() *secret.Hasher {
	return secret.NewHasher(secret.Cost{MemoryKiB: 64, Passes: 1, Lanes: 1}, 4)
}

// phrase is everybody's password.
const phrase = "reeds along the old ferry"

// department is the fixture with people: one of each role, named after it.
type department struct {
	*server.Server
	store  *sqlite.Store
	people map[string]survey.Person
	clock  *time.Time
}

func newDepartment(t testing.TB, change ...func(*server.Config)) department {
	t.Helper()
	clock := now
	tick := func() time.Time { return clock }
	s, store := fixture(t, append([]func(*server.Config){func(c *server.Config) { c.Wide, c.Hasher, c.Now = true, light(), tick }}, change...)...)
	d := department{s, store, map[string]survey.Person{}, &clock}
	hash, err := light().Hash(t.Context(), phrase)
	require.NoError(t, err)
	add := store.AddFirstPerson
	for _, role := range []survey.PersonRole{survey.Admin, survey.Viewer, survey.Surveyor, survey.GIS, survey.Lead} {
		p, err := add(t.Context(), survey.Person{Name: "The " + string(role), Roles: []survey.PersonRole{role}}, hash, author)
		require.NoError(t, err)
		d.people[string(role)] = p
		add = store.AddPerson
	}
	return d
}

// key lets somebody in and returns the header that does.
func (d department) key(t testing.TB, who string) string {
	t.Helper()
	k := survey.Key{Kind: survey.Session, Name: "browser of " + who, Expires: now.Add(survey.SessionLast), Person: d.people[who].ID}
	header := "Cookie: holdfast="
	switch who {
	case "nobody":
		return "X-Nobody: yes"
	case "station":
		k.Kind, k.Role, k.ReadOnly, k.Person = survey.Station, survey.Viewer, true, d.people["admin"].ID
	case "device":
		k.Kind, k.Role, k.Person = survey.Device, survey.Surveyor, d.people["lead"].ID
	case "token":
		k.Kind, k.Role, k.Person = survey.Token, survey.Surveyor, d.people["lead"].ID
		header = "Authorization: Bearer "
	case "reader":
		k.Kind, k.Role, k.ReadOnly, k.Person = survey.Token, survey.Surveyor, true, d.people["surveyor"].ID
		header = "Authorization: Bearer "
	}
	token := secret.NewToken("")
	_, err := d.store.AddKey(t.Context(), k, secret.Digest(token), author)
	require.NoError(t, err)
	return header + token
}

// send posts a form; headers as with call.
func send(t testing.TB, h http.Handler, target string, fields url.Values, headers ...string) *http.Response {
	t.Helper()
	return call(t, h, http.MethodPost, target, fields.Encode(), append([]string{"Content-Type: application/x-www-form-urlencoded", "Accept: text/html"}, headers...)...)
}

// session is the header that a browser sends after an answer; "" when the
// answer has ended it or sets none.
func session(t testing.TB, res *http.Response) string {
	t.Helper()
	for _, c := range res.Cookies() {
		if strings.HasSuffix(c.Name, "holdfast") && c.Value != "" && c.MaxAge > 0 {
			return "Cookie: " + c.Name + "=" + c.Value
		}
	}
	return ""
}

// secureCall is call over TLS.
func secureCall(t testing.TB, h http.Handler, method, target, body string, headers ...string) *http.Response {
	t.Helper()
	r := httptest.NewRequestWithContext(t.Context(), method, "https://district.example"+target, strings.NewReader(body))
	for _, one := range headers {
		name, value, _ := strings.Cut(one, ": ")
		r.Header.Set(name, value)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result()
}
