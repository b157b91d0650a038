package server_test

import (
	"bytes"
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/secret"
)

func credentials(name, password string) url.Values {
	return url.Values{"name": {name}, "password": {password}, "to": {"/sites/s-alder"}}
}

func TestSignInAndOut(t *testing.T) {
	d := newDepartment(t)
	res := call(t, d, http.MethodGet, "/sites/s-alder?f=html", "", "Accept: text/html")
	assert.Equal(t, http.StatusSeeOther, res.StatusCode)
	assert.Equal(t, "/sign-in?to=%2Fsites%2Fs-alder%3Ff%3Dhtml", res.Header.Get("Location"))
	assert.Contains(t, bodyOf(t, call(t, d, http.MethodGet, res.Header.Get("Location"), "")), `name="to" value="/sites/s-alder?f=html"`)
	api := call(t, d, http.MethodGet, "/api/collections/points/items", "")
	assert.Equal(t, http.StatusUnauthorized, api.StatusCode)
	assert.Equal(t, `Bearer realm="holdfast"`, api.Header.Get("WWW-Authenticate"))

	res = send(t, d, "/sign-in", credentials(" the   LEAD ", phrase))
	require.Equal(t, http.StatusSeeOther, res.StatusCode, bodyOf(t, res))
	assert.Equal(t, "/sites/s-alder", res.Header.Get("Location"))
	in := session(t, res)
	require.NotEmpty(t, in)
	page := bodyOf(t, call(t, d, http.MethodGet, "/sites/s-alder", "", in))
	assert.Contains(t, page, "The lead")
	assert.Contains(t, page, "Alder Bend")

	res = send(t, d, "/sign-out", nil, in)
	assert.Equal(t, http.StatusSeeOther, res.StatusCode)
	assert.Negative(t, res.Cookies()[0].MaxAge)
	assert.Equal(t, `"cache"`, res.Header.Get("Clear-Site-Data"))
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/sites/s-alder", "", in).StatusCode, "the session is over, not only forgotten")
}

// TestNoOtherSiteIsLedTo after a sign-in.
func TestNoOtherSiteIsLedTo(t *testing.T) {
	d := newDepartment(t)
	for _, to := range []string{"https://elsewhere.example/", "//elsewhere.example", `/\elsewhere.example`, "javascript:alert(1)", "/\r\nSet-Cookie: x=y", "/\t/elsewhere.example", ""} {
		f := credentials("The lead", phrase)
		f.Set("to", to)
		assert.Equal(t, "/", send(t, d, "/sign-in", f).Header.Get("Location"), "%q", to)
	}
}

// TestCookies: RFC 6265bis, section 4.1.3.2 for the prefix.
func TestCookies(t *testing.T) {
	d := newDepartment(t)
	form := credentials("The lead", phrase).Encode()
	res := secureCall(t, d, http.MethodPost, "/sign-in", form, "Content-Type: application/x-www-form-urlencoded")
	require.Len(t, res.Cookies(), 1)
	c := res.Cookies()[0]
	assert.Equal(t, "__Host-holdfast", c.Name)
	assert.True(t, c.Secure)
	assert.True(t, c.HttpOnly)
	assert.Equal(t, "/", c.Path)
	assert.Empty(t, c.Domain)
	assert.Equal(t, http.SameSiteLaxMode, c.SameSite)
	assert.Equal(t, int(survey.SessionLast.Seconds()), c.MaxAge)
	assert.Contains(t, res.Header.Get("Strict-Transport-Security"), "max-age=31536000")

	plain := send(t, d, "/sign-in", credentials("The lead", phrase))
	c = plain.Cookies()[0]
	assert.Equal(t, "holdfast", c.Name)
	assert.True(t, c.HttpOnly)
	assert.Empty(t, plain.Header.Get("Strict-Transport-Security"))
	over := secureCall(t, d, http.MethodGet, "/sites/s-alder", "", "Cookie: holdfast="+c.Value)
	assert.Equal(t, http.StatusUnauthorized, over.StatusCode, "a cookie that any host of the domain could have set is not read under TLS")
}

// TestSessionsCannotBeFixed: what a browser had before a sign-in is worth
// nothing after it.
func TestSessionsCannotBeFixed(t *testing.T) {
	d := newDepartment(t)
	planted := "Cookie: holdfast=PLANTEDBYSOMEBODYELSE"
	mine := session(t, send(t, d, "/sign-in", credentials("The lead", phrase), planted))
	require.NotEmpty(t, mine)
	assert.NotContains(t, mine, "PLANTED")
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/", "", planted).StatusCode)

	viewer := d.key(t, "viewer") // somebody else's session, put into the browser
	after := session(t, send(t, d, "/sign-in", credentials("The lead", phrase), viewer))
	assert.NotEqual(t, viewer, after)
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/", "", viewer).StatusCode, "it ended with the sign-in")
	again := session(t, send(t, d, "/sign-in", credentials("The lead", phrase), after))
	assert.NotEqual(t, after, again, "each sign-in has a session of its own")
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/", "", after).StatusCode)
}

// TestKeysAreOfTheirKind: a token is no cookie and a cookie no token.
func TestKeysAreOfTheirKind(t *testing.T) {
	d := newDepartment(t)
	for who, other := range map[string]string{"token": "Cookie: holdfast=", "lead": "Authorization: Bearer ", "station": "Authorization: Bearer ", "device": "Authorization: Bearer "} {
		_, token, _ := strings.Cut(strings.NewReplacer("Bearer ", "=").Replace(d.key(t, who)), "=")
		assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", other+token).StatusCode, who)
	}
	for _, header := range []string{"Authorization: Bearer", "Authorization: Bearer x", "Authorization: Basic YTpi", "Authorization: bearer  ", "Cookie: holdfast=", "Cookie: holdfast=x"} {
		assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", header).StatusCode, header)
	}
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", "Authorization: Bearer x", d.key(t, "lead")).StatusCode, "a bad token is not helped out by a good cookie")
}

func TestSessionsRunOut(t *testing.T) {
	d := newDepartment(t)
	in := session(t, send(t, d, "/sign-in", credentials("The lead", phrase)))
	for range 13 { // used every eleven hours, for six days
		*d.clock = d.clock.Add(11 * time.Hour)
		require.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/points/p-good", "", in).StatusCode)
	}
	*d.clock = d.clock.Add(13 * time.Hour)
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", in).StatusCode, "idle for longer than twelve hours")
	in = session(t, send(t, d, "/sign-in", credentials("The lead", phrase)))
	for range 15 {
		*d.clock = d.clock.Add(11 * time.Hour)
		require.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/points/p-good", "", in).StatusCode)
	}
	*d.clock = d.clock.Add(11 * time.Hour)
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", in).StatusCode, "older than seven days, in use or not")
}

// TestOtherSitesCannotWrite: requests that a page elsewhere makes a browser
// send carry Sec-Fetch-Site or Origin (Fetch standard) and are refused.
func TestOtherSitesCannotWrite(t *testing.T) {
	d := newDepartment(t)
	lead := d.key(t, "lead")
	for _, target := range []string{"/sign-in", "/sign-out", "/account/password", "/account/tokens", "/account/sign-out", "/first", "/link/x", "/display", "/sites/s-alder/review", "/api/options"} {
		for _, header := range []string{"Sec-Fetch-Site: cross-site", "Sec-Fetch-Site: same-site", "Origin: https://elsewhere.example", "Origin: null"} {
			res := send(t, d, target, credentials("The lead", phrase), header, lead)
			assert.Equal(t, http.StatusForbidden, res.StatusCode, "%s with %s", target, header)
			assert.Empty(t, res.Cookies(), "%s with %s", target, header)
		}
	}
	assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/points/p-good", "", lead).StatusCode, "nothing of it happened")
	assert.Equal(t, http.StatusSeeOther, send(t, d, "/sign-in", credentials("The lead", phrase), "Sec-Fetch-Site: same-origin").StatusCode)
	res := call(t, d, http.MethodGet, "/points/p-good", "", "Origin: https://elsewhere.example", lead)
	assert.Empty(t, res.Header.Get("Access-Control-Allow-Origin"), "nor can it read an answer")
}

// TestRefusedSignInsLookAlike: an unknown name, a wrong password, a closed
// account and one without a password are answered with the same text, and
// each costs one hash.
func TestRefusedSignInsLookAlike(t *testing.T) {
	d := newDepartment(t)
	closed := d.people["viewer"]
	closed.Closed = survey.Known(now)
	require.NoError(t, d.store.ChangePerson(t.Context(), closed, author))
	_, err := d.store.AddPerson(t.Context(), survey.Person{Name: "Engine 4", Roles: []survey.PersonRole{survey.Surveyor}}, "", author)
	require.NoError(t, err)
	var first string
	for _, c := range []struct{ name, password string }{
		{"The lead", "wrong words in a row"}, {"Nobody Here", "wrong words in a row"}, {"The viewer", phrase}, {"Engine 4", phrase}, {"Engine 4", ""}, {d.people["lead"].ID, phrase}, {"' OR 1=1 --", phrase}, {"", phrase},
	} {
		res := send(t, d, "/sign-in", credentials(c.name, c.password))
		assert.Equal(t, http.StatusUnauthorized, res.StatusCode, c.name)
		assert.Empty(t, res.Cookies())
		body := bodyOf(t, res)
		assert.NotContains(t, body, phrase)
		i := strings.Index(body, `id="name"`)
		body = body[:i] + body[i+strings.Index(body[i:], "required"):] // the name is given back to be mended
		if first == "" {
			first = body
		}
		assert.Equal(t, first, body, c.name)
	}
	// Measured by counting, not by a clock: with no turn for a hash, none of
	// them is answered.
	stuck := newDepartment(t, func(c *server.Config) { c.Hasher = secret.NewHasher(secret.Recommended, 0) })
	for _, name := range []string{"The lead", "Nobody Here", "Engine 4"} {
		ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
		r := httptest.NewRequestWithContext(ctx, http.MethodPost, "http://localhost/sign-in", strings.NewReader(credentials(name, "wrong words in a row").Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		w := httptest.NewRecorder()
		stuck.ServeHTTP(w, r)
		assert.NotEqual(t, http.StatusUnauthorized, w.Code, name)
		cancel()
	}
}

// TestGuessingIsSlowed, in turn and at once, by name and by address, and the
// same for names that are nobody's.
func TestGuessingIsSlowed(t *testing.T) {
	for _, name := range []string{"The lead", "Nobody Here"} {
		d := newDepartment(t)
		guess := func() *http.Response { return send(t, d, "/sign-in", credentials(name, "wrong words in a row")) }
		for range 5 {
			assert.Equal(t, http.StatusUnauthorized, guess().StatusCode)
		}
		waited := time.Duration(0)
		for range 12 {
			res := guess()
			require.Equal(t, http.StatusTooManyRequests, res.StatusCode)
			wait, err := time.ParseDuration(res.Header.Get("Retry-After") + "s")
			require.NoError(t, err)
			assert.Greater(t, wait, waited, "each wait is longer")
			waited = min(wait, 15*time.Minute-1)
			*d.clock = d.clock.Add(wait)
			require.Equal(t, http.StatusUnauthorized, guess().StatusCode, "after the wait, one try")
		}
		if name == "The lead" {
			assert.Equal(t, http.StatusTooManyRequests, send(t, d, "/sign-in", credentials(name, phrase)).StatusCode, "the right password waits too")
		}
	}
}

// TestGuessingAtOnce: tries count when they begin.
func TestGuessingAtOnce(t *testing.T) {
	d := newDepartment(t)
	codes := map[int]int{}
	var mu sync.Mutex
	var wait sync.WaitGroup
	for range 60 {
		wait.Go(func() {
			code := send(t, d, "/sign-in", credentials("The lead", "wrong words in a row")).StatusCode
			mu.Lock()
			codes[code]++
			mu.Unlock()
		})
	}
	wait.Wait()
	assert.Equal(t, map[int]int{http.StatusUnauthorized: 5, http.StatusTooManyRequests: 55}, codes)
}

// TestSuccessForgets: who mistypes now and then is not slowed for it.
func TestSuccessForgets(t *testing.T) {
	d := newDepartment(t)
	for range 12 {
		for range 4 {
			assert.Equal(t, http.StatusUnauthorized, send(t, d, "/sign-in", credentials("The lead", "wrong words in a row")).StatusCode)
		}
		*d.clock = d.clock.Add(time.Hour)
		assert.Equal(t, http.StatusSeeOther, send(t, d, "/sign-in", credentials("The lead", phrase)).StatusCode)
		if d.clock.Sub(now) >= 3*time.Hour {
			break
		}
	}
}

// TestGuessingLeavesATrace in the log of the atlas, of names that are ours
// only, and ever fewer.
func TestGuessingLeavesATrace(t *testing.T) {
	d := newDepartment(t)
	for i := range 20 {
		*d.clock = d.clock.Add(20 * time.Minute)
		send(t, d, "/sign-in", credentials([]string{"The lead", "my-secret-typed-as-a-name"}[i%2], "wrong words in a row"))
	}
	log, err := d.store.Audit(t.Context(), 0, 100)
	require.NoError(t, err)
	refused, text := 0, ""
	for _, e := range log {
		if e.Event == "sign-in refused" {
			refused++
		}
		text += string(e.Detail) + e.Who
	}
	assert.Equal(t, 10, refused, "of ten tries of each name the first four and the eighth")
	assert.Contains(t, text, "The lead")
	assert.NotContains(t, text, "my-secret")
	assert.NotContains(t, text, "wrong words")
}

// TestNothingSecretIsLogged: not passwords, tokens, cookies or links.
func TestNothingSecretIsLogged(t *testing.T) {
	var log bytes.Buffer
	var mu sync.Mutex
	d := newDepartment(t, func(c *server.Config) {
		c.Log = slog.New(slog.NewJSONHandler(lockedWriter{&mu, &log}, &slog.HandlerOptions{Level: slog.LevelDebug}))
		c.Code = "ABCDEFGHIJKL"
	})
	lead := session(t, send(t, d, "/sign-in", credentials("The lead", phrase)))
	send(t, d, "/sign-in", credentials("The lead", "a wrong secret phrase"))
	made := bodyOf(t, send(t, d, "/account/tokens", url.Values{"name": {"county"}, "role": {"lead"}, "days": {"10"}, "writes": {"yes"}}, lead))
	token := between(t, made, `<code class="secret">`, "</code>")
	call(t, d, http.MethodGet, "/points/p-good", "", "Authorization: Bearer "+token)
	call(t, d, http.MethodGet, "/points/p-good", "", "Authorization: Bearer "+token+"x")
	made = bodyOf(t, send(t, d, "/account/devices", url.Values{"name": {"tablet"}, "days": {"10"}}, lead))
	link := between(t, made, `<code class="secret">http://localhost/link/`, "</code>")
	call(t, d, http.MethodGet, "/link/"+link, "")
	call(t, d, http.MethodGet, "/link/"+link+"/more", "")
	device := session(t, send(t, d, "/link/"+link, nil))
	require.NotEmpty(t, device)
	send(t, d, "/link/"+link, nil)
	send(t, d, "/first", url.Values{"code": {"ABCDEFGHIJKL"}, "password": {"another secret phrase"}})
	mu.Lock()
	defer mu.Unlock()
	require.Contains(t, log.String(), "/link/...")
	for _, never := range []string{phrase, "a wrong secret", "another secret", token, link, "ABCDEFGHIJKL", strings.TrimPrefix(lead, "Cookie: holdfast="), strings.TrimPrefix(device, "Cookie: holdfast=")} {
		require.Greater(t, len(never), 8)
		assert.NotContains(t, log.String(), never)
	}
}

type lockedWriter struct {
	mu *sync.Mutex
	to *bytes.Buffer
}

func (w lockedWriter) Write(b []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.to.Write(b)
}

func between(t testing.TB, text, after, before string) string {
	t.Helper()
	_, rest, ok := strings.Cut(text, after)
	require.True(t, ok, "%q is not in %.2000s", after, text)
	out, _, ok := strings.Cut(rest, before)
	require.True(t, ok)
	return out
}

// TestOldHashesAreRenewed at the next sign-in.
func TestOldHashesAreRenewed(t *testing.T) {
	dear := secret.Cost{MemoryKiB: 128, Passes: 2, Lanes: 1}
	d := newDepartment(t, func(c *server.Config) { c.Hasher = secret.NewHasher(dear, 2) })
	assert.Equal(t, http.StatusSeeOther, send(t, d, "/sign-in", credentials("The lead", phrase)).StatusCode)
	_, hash, err := d.store.Person(t.Context(), "The lead")
	require.NoError(t, err)
	assert.Contains(t, hash, "m=128,t=2,p=1")
	assert.Equal(t, http.StatusSeeOther, send(t, d, "/sign-in", credentials("The lead", phrase)).StatusCode)
}
