package server_test

import (
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
)

const firstCode = "ABCDEFGHIJKL"

func first(name, code string, roles ...string) url.Values {
	return url.Values{"name": {name}, "password": {phrase}, "code": {code}, "role": roles}
}

func withCode(wide bool) func(*server.Config) {
	return func(c *server.Config) { c.Wide, c.Code, c.Hasher = wide, firstCode, light() }
}

func TestFirstAccount(t *testing.T) {
	for _, wide := range []bool{true, false} {
		s, store := fixture(t, withCode(wide))
		res := send(t, s, "/first", first("R. Osier", "abcd efgh ijkl", "lead"))
		require.Equal(t, http.StatusSeeOther, res.StatusCode, bodyOf(t, res))
		assert.Equal(t, "/people", res.Header.Get("Location"))
		in := session(t, res)
		page := bodyOf(t, call(t, s, http.MethodGet, "/people", "", in))
		assert.Contains(t, page, "R. Osier")
		assert.Contains(t, page, "make first account", "the log tells of it")
		people, err := store.People(t.Context())
		require.NoError(t, err)
		require.Len(t, people, 1)
		assert.Equal(t, []survey.PersonRole{survey.Lead, survey.Admin}, people[0].Roles)

		assert.Equal(t, http.StatusUnauthorized, call(t, s, http.MethodGet, "/points/p-good", "").StatusCode, "the open door has closed")
		assert.Equal(t, "/sign-in", send(t, s, "/first", first("Late Comer", firstCode)).Header.Get("Location"))
		people, err = store.People(t.Context())
		require.NoError(t, err)
		assert.Len(t, people, 1)
	}
}

// TestFirstAccountCannotBeRaced: many with the code at once make one account.
func TestFirstAccountCannotBeRaced(t *testing.T) {
	s, store := fixture(t, withCode(true), func(c *server.Config) { c.InFlight = 64 })
	var wait sync.WaitGroup
	for i := range 5 { // as many as go free of the throttle
		wait.Go(func() { send(t, s, "/first", first("Keeper "+string(rune('A'+i)), firstCode)) })
	}
	wait.Wait()
	people, err := store.People(t.Context())
	require.NoError(t, err)
	assert.Len(t, people, 1)
}

func TestFirstAccountNeedsTheCode(t *testing.T) {
	s, store := fixture(t, withCode(true))
	codes := map[int]int{}
	for _, code := range []string{"", "ABCDEFGHIJKM", "ABCDEFGHIJK", "ABCDEFGHIJKLM", "%", firstCode, firstCode} {
		codes[send(t, s, "/first", first("R. Osier", code)).StatusCode]++
	}
	assert.Equal(t, map[int]int{http.StatusForbidden: 5, http.StatusTooManyRequests: 2}, codes, "guessing is slowed")
	none, _ := fixture(t, func(c *server.Config) { c.Wide = true })
	assert.Equal(t, http.StatusForbidden, send(t, none, "/first", first("R. Osier", "")).StatusCode, "without a code there is no way")
	people, err := store.People(t.Context())
	require.NoError(t, err)
	assert.Empty(t, people)
}

func TestFirstAccountSaysWhatIsWrong(t *testing.T) {
	s, _ := fixture(t, withCode(true))
	f := first("not signed in", firstCode)
	f.Set("password", "short")
	res := send(t, s, "/first", f)
	assert.Equal(t, http.StatusBadRequest, res.StatusCode)
	assert.Contains(t, bodyOf(t, res), "the atlas itself")
	f = first("R. Osier", firstCode)
	f.Set("password", "")
	assert.Contains(t, bodyOf(t, send(t, s, "/first", f)), "is missing")
}

func TestPeopleRoom(t *testing.T) {
	d := newDepartment(t)
	admin := d.key(t, "admin")
	made := send(t, d, "/people", url.Values{"name": {"M. Tern"}, "password": {"wading bird on the bar"}, "role": {"viewer"}, "contacts": {"yes"}}, admin)
	require.Equal(t, http.StatusSeeOther, made.StatusCode, bodyOf(t, made))
	at := made.Header.Get("Location")
	assert.Contains(t, bodyOf(t, call(t, d, http.MethodGet, at, "", admin)), "see contacts and ticket numbers")
	in := session(t, send(t, d, "/sign-in", credentials("m. tern", "wading bird on the bar")))
	require.NotEmpty(t, in)
	assert.Contains(t, bodyOf(t, call(t, d, http.MethodGet, "/sites/s-alder", "", in)), "555 0100", "with leave, a viewer sees contacts")

	res := send(t, d, at, url.Values{"role": {"viewer", "lead"}}, admin)
	assert.Equal(t, http.StatusOK, res.StatusCode)
	assert.Contains(t, bodyOf(t, res), "The roles are now: viewer, lead.")
	assert.NotContains(t, bodyOf(t, call(t, d, http.MethodGet, at, "", in)), "Save", "and it holds at once, and no further")
	assert.Equal(t, http.StatusForbidden, call(t, d, http.MethodGet, at, "", in).StatusCode)

	assert.Equal(t, http.StatusOK, send(t, d, at+"/password", url.Values{"password": {"another bird on the bar"}}, admin).StatusCode)
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", in).StatusCode, "a new password ends the session")
	in = session(t, send(t, d, "/sign-in", credentials("M. Tern", "another bird on the bar")))
	assert.Equal(t, http.StatusSeeOther, send(t, d, at+"/sign-out", nil, admin).StatusCode)
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", in).StatusCode)

	in = session(t, send(t, d, "/sign-in", credentials("M. Tern", "another bird on the bar")))
	assert.Contains(t, bodyOf(t, send(t, d, at, url.Values{"role": {"viewer"}, "closed": {"yes"}}, admin)), "The account is closed.")
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", in).StatusCode)
	assert.Equal(t, http.StatusUnauthorized, send(t, d, "/sign-in", credentials("M. Tern", "another bird on the bar")).StatusCode)

	for _, c := range []struct {
		target string
		fields url.Values
		says   string
	}{
		{"/people", url.Values{"name": {"The LEAD"}, "role": {"viewer"}}, "has an account already"},
		{"/people", url.Values{"name": {"N. Rail"}}, "choose at least one"},
		{"/people", url.Values{"name": {"N. Rail"}, "role": {"chief"}}, "is not a role"},
		{"/people", url.Values{"name": {"N. Rail"}, "role": {"viewer"}, "password": {"password1234"}}, "first that anybody would try"},
		{"/people", url.Values{"name": {"N. Rail"}, "role": {"admin"}}, "is missing"},
		{"/people/" + d.people["admin"].ID, url.Values{"role": {"viewer"}}, "Nobody would be left"},
		{"/people/" + d.people["admin"].ID, url.Values{"role": {"admin"}, "closed": {"yes"}}, "Nobody would be left"},
		{"/people/" + d.people["lead"].ID, nil, "choose at least one"},
		{"/people/" + d.people["lead"].ID + "/password", url.Values{"password": {"the lead 2026"}}, "little more than a name"},
		{"/people/" + d.people["lead"].ID + "/device", url.Values{"name": {""}}, "is missing"},
		{"/people/stations", url.Values{"name": {"Watch room"}, "days": {"4000"}}, "400 days"},
		{"/people/stations", url.Values{"name": {"Watch room"}, "days": {"-1"}}, "not a whole number"},
	} {
		res := send(t, d, c.target, c.fields, d.key(t, "admin"))
		assert.Equal(t, http.StatusBadRequest, res.StatusCode, c.target)
		assert.Contains(t, bodyOf(t, res), c.says, c.target)
	}
}

// TestTokens: shown once, no more than they were made for, ended at will.
func TestTokens(t *testing.T) {
	d := newDepartment(t)
	lead := d.key(t, "lead")
	ask := func(fields url.Values) (string, *http.Response) {
		res := send(t, d, "/account/tokens", fields, lead)
		if res.StatusCode != http.StatusOK {
			return "", res
		}
		assert.Equal(t, "no-store", res.Header.Get("Cache-Control"))
		return between(t, bodyOf(t, res), `<code class="secret">`, "</code>"), res
	}
	reader, _ := ask(url.Values{"name": {"county map"}, "role": {"viewer"}, "days": {"30"}})
	writer, _ := ask(url.Values{"name": {"field sync"}, "role": {"surveyor"}, "days": {"30"}, "writes": {"yes"}})
	assert.Regexp(t, `^holdfast_[A-Z2-7]{32}$`, reader)
	page := bodyOf(t, call(t, d, http.MethodGet, "/account", "", lead))
	assert.Contains(t, page, "county map")
	assert.NotContains(t, page, reader, "it is not shown again")
	for _, role := range []string{"admin", "gis", "", "chief"} {
		_, res := ask(url.Values{"name": {"too much"}, "role": {role}, "days": {"30"}})
		assert.Equal(t, http.StatusBadRequest, res.StatusCode, role)
	}

	get := func(token, path string) *http.Response {
		return call(t, d, http.MethodGet, path, "", "Authorization: Bearer "+token)
	}
	assert.NotContains(t, bodyOf(t, get(reader, "/api/collections/sites/items/s-alder")), "555 0100")
	assert.Contains(t, bodyOf(t, get(writer, "/api/collections/sites/items/s-alder")), "555 0100")
	put := func(token string) int {
		f := `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"site":"s-alder","label":"Z1"}}`
		return call(t, d, http.MethodPost, "/api/collections/points/items", f, "Content-Type: application/geo+json", "Authorization: Bearer "+token).StatusCode
	}
	assert.Equal(t, http.StatusForbidden, put(reader))
	assert.Equal(t, http.StatusCreated, put(writer))
	points := bodyOf(t, get(writer, "/api/collections/points/items?label=Z1"))
	id := between(t, points, `"id":"`, `"`)
	past, err := d.store.History(t.Context(), "points", id)
	require.NoError(t, err)
	assert.Equal(t, "The lead", past[0].Who)
	assert.Equal(t, "field sync", past[0].Device)
	assert.Equal(t, http.StatusForbidden, get(writer, "/account").StatusCode, "a token keeps no account")
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good?token="+writer, "").StatusCode, "an address is no place for a token")

	demoted := d.people["lead"]
	demoted.Roles = []survey.PersonRole{survey.Viewer}
	require.NoError(t, d.store.ChangePerson(t.Context(), demoted, author))
	assert.Equal(t, http.StatusForbidden, put(writer), "no token is more than its owner is now")
	*d.clock = d.clock.Add(31 * 24 * time.Hour)
	assert.Equal(t, http.StatusUnauthorized, get(reader, "/points/p-good").StatusCode, "it has run out")
}

func TestDeviceLink(t *testing.T) {
	d := newDepartment(t)
	made := send(t, d, "/people/"+d.people["lead"].ID+"/device", url.Values{"name": {"tablet 3"}, "days": {"20"}}, d.key(t, "admin"))
	link := between(t, bodyOf(t, made), `<code class="secret">http://localhost`, "</code>")
	for range 3 { // looking ahead does not use it up
		res := call(t, d, http.MethodGet, link, "")
		assert.Equal(t, http.StatusOK, res.StatusCode)
		assert.Empty(t, res.Cookies())
		assert.NotContains(t, between(t, bodyOf(t, res), "<header", "</header>"), strings.TrimPrefix(link, "/link/"))
	}
	res := send(t, d, link, nil)
	device := session(t, res)
	require.NotEmpty(t, device, bodyOf(t, res))
	assert.Equal(t, http.StatusNotFound, send(t, d, link, nil).StatusCode, "it works once")
	assert.Equal(t, http.StatusNotFound, call(t, d, http.MethodGet, link, "").StatusCode)

	assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/walk", "", device).StatusCode)
	assert.Equal(t, http.StatusForbidden, send(t, d, "/sites/s-alder/review", nil, device).StatusCode, "a lead's tablet signs nothing")
	assert.Equal(t, http.StatusForbidden, call(t, d, http.MethodGet, "/account", "", device).StatusCode)
	f := `{"type":"Feature","id":"n-1","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"site":"s-alder","label":"Z2"}}`
	assert.Equal(t, http.StatusCreated, call(t, d, http.MethodPost, "/api/collections/points/items", f, "Content-Type: application/geo+json", device).StatusCode)
	past, err := d.store.History(t.Context(), "points", "n-1")
	require.NoError(t, err)
	assert.Equal(t, []string{"The lead", "tablet 3"}, []string{past[0].Who, past[0].Device})

	*d.clock = d.clock.Add(19 * 24 * time.Hour)
	assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/points/p-good", "", device).StatusCode)
	*d.clock = d.clock.Add(24 * time.Hour)
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", device).StatusCode)
}

func TestWallScreen(t *testing.T) {
	d := newDepartment(t)
	admin := d.key(t, "admin")
	made := send(t, d, "/people/stations", url.Values{"name": {"Watch room"}, "days": {"30"}}, admin)
	link := between(t, bodyOf(t, made), `<code class="secret">http://localhost`, "</code>")
	var screen string
	for range 2 { // it may be switched off and on
		screen = session(t, call(t, d, http.MethodGet, link, ""))
		require.NotEmpty(t, screen)
	}
	page := call(t, d, http.MethodGet, "/sites/s-alder", "", screen)
	body := bodyOf(t, page)
	assert.Contains(t, body, "Watch room")
	assert.Contains(t, body, "Hidden: this site has contacts")
	assert.NotContains(t, body, "555 0100")
	assert.NotContains(t, body, `action="/sites/s-alder/review"`)
	assert.NotContains(t, body, `href="/walk"`)
	assert.Equal(t, http.StatusForbidden, call(t, d, http.MethodDelete, "/api/collections/points/items/p-good", "", screen).StatusCode)
	assert.Empty(t, call(t, d, http.MethodGet, link, "", d.key(t, "lead")).Cookies(), "who is signed in stays")

	list := bodyOf(t, call(t, d, http.MethodGet, "/people", "", d.key(t, "admin")))
	end := between(t, list[strings.Index(list, "Watch room"):], `action="`, `"`)
	assert.Equal(t, http.StatusSeeOther, send(t, d, end, nil, admin).StatusCode)
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", screen).StatusCode)
	assert.Equal(t, http.StatusNotFound, call(t, d, http.MethodGet, link, "").StatusCode)
}

func TestOwnAccount(t *testing.T) {
	d := newDepartment(t)
	here, there := session(t, send(t, d, "/sign-in", credentials("The surveyor", phrase))), session(t, send(t, d, "/sign-in", credentials("The surveyor", phrase)))
	change := func(present, password string) *http.Response {
		return send(t, d, "/account/password", url.Values{"present": {present}, "password": {password}}, here)
	}
	assert.Contains(t, bodyOf(t, change("wrong words in a row", "a heron on the weir")), "is not your password")
	assert.Contains(t, bodyOf(t, change(phrase, "short")), "at least 12")
	require.Equal(t, http.StatusOK, change(phrase, "a heron on the weir").StatusCode)
	assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/account", "", here).StatusCode)
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", there).StatusCode)
	assert.Equal(t, http.StatusUnauthorized, send(t, d, "/sign-in", credentials("The surveyor", phrase)).StatusCode)

	other, err := d.store.Keys(t.Context(), d.people["lead"].ID)
	require.NoError(t, err)
	assert.Empty(t, other)
	d.key(t, "lead")
	other, err = d.store.Keys(t.Context(), d.people["lead"].ID)
	require.NoError(t, err)
	assert.Equal(t, http.StatusNotFound, send(t, d, "/account/keys/"+other[0].ID+"/end", nil, here).StatusCode, "others' keys are none of theirs")
	tablet := d.key(t, "device")
	assert.Equal(t, http.StatusSeeOther, send(t, d, "/account/sign-out", nil, d.key(t, "lead")).StatusCode)
	assert.Equal(t, http.StatusUnauthorized, call(t, d, http.MethodGet, "/points/p-good", "", tablet).StatusCode, "everywhere is everywhere")
	assert.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/account", "", here).StatusCode, "and others stay")
}

// TestExportsAreNoted in the log, with who took what out.
func TestExportsAreNoted(t *testing.T) {
	d := newDepartment(t)
	require.Equal(t, http.StatusOK, call(t, d, http.MethodGet, "/layers/export?collection=points&format=csv", "", d.key(t, "gis")).StatusCode)
	log, err := d.store.Audit(t.Context(), 0, 1)
	require.NoError(t, err)
	assert.Equal(t, "export", log[0].Event)
	assert.Equal(t, "The gis", log[0].Who)
	assert.JSONEq(t, `{"collection": "points", "format": "csv", "records": 4}`, string(log[0].Detail))
}

// TestOnlyALeadSigns, through whatever door the sign-off comes.
func TestOnlyALeadSigns(t *testing.T) {
	d := newDepartment(t)
	surveyor, lead := d.key(t, "surveyor"), d.key(t, "lead")
	write := func(who, id, state, match string) int {
		f := `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"name":"` + id + `","code":"` + id + `","review":` + state + `}}`
		return call(t, d, http.MethodPut, "/api/collections/sites/items/"+id, f, "Content-Type: application/geo+json", match, who).StatusCode
	}
	const signed = `{"state":"signed","by":"the surveyor","at":"2026-05-01T00:00:00Z","due":"2027-05-01T00:00:00Z"}`
	assert.Equal(t, http.StatusForbidden, write(surveyor, "n1", signed, "If-None-Match: *"))
	assert.Equal(t, http.StatusCreated, write(surveyor, "n1", `{"state":"draft"}`, "If-None-Match: *"))
	etag := call(t, d, http.MethodGet, "/api/collections/sites/items/n1", "", surveyor).Header.Get("ETag")
	assert.Equal(t, http.StatusForbidden, write(surveyor, "n1", signed, "If-Match: "+etag))
	assert.Equal(t, http.StatusOK, write(lead, "n1", signed, "If-Match: "+etag))
	etag = call(t, d, http.MethodGet, "/api/collections/sites/items/n1", "", surveyor).Header.Get("ETag")
	assert.Equal(t, http.StatusForbidden, write(surveyor, "n1", `{"state":"draft"}`, "If-Match: "+etag), "nor takes a signature away")
	assert.Equal(t, http.StatusOK, write(lead, "n1", `{"state":"draft"}`, "If-Match: "+etag))
	past, err := d.store.History(t.Context(), "sites", "n1")
	require.NoError(t, err)
	back := url.Values{"seen": {"0"}}
	back.Set("seen", number(past[0].Number))
	assert.Equal(t, http.StatusForbidden, send(t, d, "/sites/n1/revisions/"+number(past[1].Number), back, surveyor).StatusCode, "nor brings one back")
	assert.Equal(t, http.StatusSeeOther, send(t, d, "/sites/n1/revisions/"+number(past[1].Number), back, lead).StatusCode)
}

// TestASignatureMakesOtherWritesStale: who recorded on a version that was signed
// meanwhile is told so and shown both (RFC 9110, 13.1.1 and 15.5.13), not that
// they may not sign; and no guess at a later version gets past the sign-off.
func TestASignatureMakesOtherWritesStale(t *testing.T) {
	d := newDepartment(t)
	surveyor, lead := d.key(t, "surveyor"), d.key(t, "lead")
	write := func(who, match, properties string) *http.Response {
		f := `{"type":"Feature","geometry":{"type":"Point","coordinates":[-91.2,44.65]},"properties":{"name":"Weir","code":"W1"` + properties + `}}`
		return call(t, d, http.MethodPut, "/api/collections/sites/items/w1", f, "Content-Type: application/geo+json", `Idempotency-Key: "w1"`, match, who)
	}
	const signed = `,"review":{"state":"signed","by":"the lead","at":"2026-05-01T00:00:00Z","due":"2027-05-01T00:00:00Z"}`
	made := write(surveyor, "If-None-Match: *", "")
	require.Equal(t, http.StatusCreated, made.StatusCode)
	old := "If-Match: " + made.Header.Get("ETag")
	sign := write(lead, old, signed)
	require.Equal(t, http.StatusOK, sign.StatusCode)
	type both struct {
		Current struct {
			Properties struct{ Review struct{ State string } }
		}
		ETag string `json:"current_etag"`
	}
	for name, res := range map[string]*http.Response{
		"changed": write(surveyor, old, `,"hazards":["Weir pool"]`), "sent again": write(surveyor, "If-None-Match: *", ""), "signed": write(surveyor, old, strings.Replace(signed, "the lead", "the surveyor", 1)),
	} {
		require.Equal(t, http.StatusPreconditionFailed, res.StatusCode, name)
		now := parse[both](t, res)
		assert.Equal(t, "signed", now.Current.Properties.Review.State, name)
		assert.Equal(t, sign.Header.Get("ETag"), now.ETag, name)
	}
	past, err := d.store.History(t.Context(), "sites", "w1")
	require.NoError(t, err)
	require.Len(t, past, 2)
	for _, guess := range []int64{past[0].Number + 1, past[1].Number, 0, -1} { // a version to come, too
		res := write(surveyor, `If-Match: "`+number(guess)+`"`, `,"review":{"state":"draft"}`)
		assert.Equal(t, http.StatusPreconditionFailed, res.StatusCode, guess)
	}
	assert.Equal(t, http.StatusForbidden, write(surveyor, "If-Match: "+sign.Header.Get("ETag"), "").StatusCode, "on the present version it is taking the signature away")
	assert.Equal(t, http.StatusPreconditionFailed, send(t, d, "/sites/w1/revisions/"+number(past[1].Number), url.Values{"seen": {number(past[1].Number)}}, surveyor).StatusCode)
}

func number(n int64) string { return strconv.FormatInt(n, 10) }
