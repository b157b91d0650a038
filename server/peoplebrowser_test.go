package server_test

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// fillIn types into the fields of the form that goes to an address, by their
// ids, and sends it.
func (b *tab) fillIn(t *testing.T, action string, fields map[string]string) {
	t.Helper()
	form := `form[action="` + action + `"] `
	for id, text := range fields {
		b.do(t, chromedp.SendKeys(form+"#"+id, text))
	}
	eval[bool](t, b, `document.body.dataset.before = 'yes', true`)
	b.do(t, chromedp.Click(form+"button"))
	b.until(t, `document.body && !document.body.dataset.before && document.readyState === 'complete'`)
}

// TestFirstRunInBrowser sets an atlas up, signs out and in, adds a viewer and
// has them refused, as people do it.
func TestFirstRunInBrowser(t *testing.T) {
	s, _ := fixture(t, withCode(true))
	web := httptest.NewServer(s)
	t.Cleanup(web.Close)
	b := newTab(t, web.URL)
	b.do(t, chromedp.EmulateViewport(820, 1000))
	b.open(t, "/sites/s-alder")
	assert.Equal(t, "/first", eval[string](t, b, `location.pathname`), "nothing is shown before")
	assert.NotContains(t, eval[string](t, b, `document.body.textContent`), "Alder")
	b.fillIn(t, "/first", map[string]string{"code": "ABCD EFGH IJKL", "name": "R. Osier", "password": phrase})
	b.until(t, `location.pathname === '/people'`)
	assert.Equal(t, "R. Osier", eval[string](t, b, `document.querySelector('.who a').textContent`))

	b.do(t, chromedp.Click(`input[value=viewer]`))
	b.fillIn(t, "/people", map[string]string{"name": "M. Tern", "password": "wading bird on the bar"})
	b.until(t, `document.querySelector('h1').textContent === 'M. Tern'`)
	b.do(t, chromedp.Click(`.who button`))
	b.until(t, `location.pathname === '/sign-in'`)

	b.open(t, "/sites/s-alder")
	b.fillIn(t, "/sign-in", map[string]string{"name": "M. Tern", "password": "not the password at all"})
	assert.Contains(t, eval[string](t, b, `document.querySelector('.wrong').textContent`), "do not belong together")
	b.fillIn(t, "/sign-in", map[string]string{"password": "wading bird on the bar"})
	b.until(t, `location.pathname === '/sites/s-alder'`)
	text := eval[string](t, b, `document.body.textContent`)
	assert.Contains(t, text, "Alder Bend")
	assert.Contains(t, text, "Hidden: this site has contacts")
	assert.NotContains(t, text, "555 0100")
	assert.Equal(t, 0, eval[int](t, b, `document.querySelectorAll('nav a[href="/people"]').length`))
	b.mu.Lock()
	complaints := b.complaints // the refusals above are told on the console, and nothing else
	b.complaints = nil
	b.mu.Unlock()
	for _, one := range complaints {
		assert.Contains(t, one, "401")
	}
	b.open(t, "/people")
	assert.Contains(t, eval[string](t, b, `document.querySelector('main').textContent`), "Your account does not allow this")
}

// inBrowser opens the department as somebody.
func inBrowser(t *testing.T, who string) (*tab, department) {
	t.Helper()
	d := newDepartment(t)
	web := httptest.NewServer(d)
	t.Cleanup(web.Close)
	b := newTab(t, web.URL)
	b.as(t, d, who)
	return b, d
}

// as has the browser be somebody.
func (b *tab) as(t *testing.T, d department, who string) {
	t.Helper()
	_, token, _ := strings.Cut(d.key(t, who), "=")
	_, err := chromedp.Call(b, network.SetCookie, network.SetCookieParams{Name: "holdfast", Value: token, URL: b.origin + "/"})
	require.NoError(t, err)
}

// looks are the pages of this room, by who looks at them.
func (d department) looks(t *testing.T) map[string][2]string {
	t.Helper()
	admin := d.key(t, "admin")
	d.key(t, "device")
	d.key(t, "token")
	d.key(t, "station")
	made := bodyOf(t, send(t, d, "/people/"+d.people["lead"].ID+"/device", url.Values{"name": {"Tablet 3, engine 4"}, "days": {"20"}}, admin))
	link := between(t, made, `<code class="secret">http://localhost`, "</code>")
	for range 7 {
		call(t, d, http.MethodPost, "/sign-in", credentials("The lead", "wrong words in a row").Encode(), "Content-Type: application/x-www-form-urlencoded")
	}
	return map[string][2]string{
		"people": {"admin", "/people"}, "person": {"admin", "/people/" + d.people["lead"].ID}, "account": {"lead", "/account"}, "refused": {"viewer", "/people"},
		"sign-in": {"nobody", "/sign-in"}, "link": {"nobody", link}, "site-hidden": {"viewer", "/sites/s-alder"}, "about-nobody": {"nobody", "/about"},
	}
}

// TestPeopleAccessible is TestAccessible and TestPagesFit for these pages.
func TestPeopleAccessible(t *testing.T) {
	needsAxe(t)
	b, d := inBrowser(t, "admin")
	looks := d.looks(t)
	first, _ := fixture(t, withCode(true))
	web := httptest.NewServer(first)
	t.Cleanup(web.Close)
	looks["first"] = [2]string{"nobody", web.URL + "/first"}
	b.screens(t, []int64{320, 1280}, func(lit string, width int64) {
		for name, look := range looks {
			t.Run(fmt.Sprintf("%s by %s at %d", name, lit, width), func(t *testing.T) {
				b.as(t, d, look[0])
				b.open(t, look[1])
				b.accessible(t)
				b.fits(t, width)
			})
		}
	})
}

// TestPeopleLook takes pictures of these pages; see TestLook.
func TestPeopleLook(t *testing.T) {
	needsShots(t)
	b, d := inBrowser(t, "admin")
	looks := d.looks(t)
	first, _ := fixture(t, withCode(true))
	web := httptest.NewServer(first)
	t.Cleanup(web.Close)
	looks["first"] = [2]string{"nobody", web.URL + "/first"}
	b.screens(t, lookedAt, func(lit string, width int64) {
		for name, look := range looks {
			b.as(t, d, look[0])
			b.open(t, look[1])
			b.shootAll(t, fmt.Sprintf("%s-%s-%d", name, lit, width))
		}
	})
}
