package server

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"path"
	"strings"
	"time"

	"github.com/paulmach/orb"

	"holdfast/survey"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/rig"
)

//go:embed html/*.html
var pageFiles embed.FS

// display is how the screen is lit.
type display string

const (
	displayAuto  display = "auto" // as the device is set
	displayDay   display = "day"
	displayNight display = "night"
)

// page is what every page is rendered from; Body is its own matter.
type page struct {
	Title string
	Room  string // which entry of the navigation this is
	Body  any

	Hush bool // what is in the address is not led back to

	Who     string // who is signed in; "" is nobody
	Account bool   // and has a page for it
	Open    bool   // the atlas has no accounts
	People  bool   // may see the room of people
	Record  bool   // may survey
	Inside  bool   // may read the atlas at all
	Units   survey.Units
	Display display
	Here    string // path and query, for coming back after a change of display
	Demo    bool
	Version string
	Policy  string // version of the policy in force
	Atlas   int64  // revision of the atlas
	Now     time.Time
}

// Night is the media query under which the night style sheet applies.
func (p page) Night() string {
	switch p.Display {
	case displayNight:
		return "screen"
	case displayDay:
		return ""
	default:
		return "screen and (prefers-color-scheme: dark)"
	}
}

// Scheme keeps the browser from flashing white before the style sheets are in.
func (p page) Scheme() string {
	switch p.Display {
	case displayNight:
		return "dark"
	case displayDay:
		return "light"
	default:
		return "light dark"
	}
}

// parsePages reads every page together with the frame and the shared parts.
func parsePages(asset func(string) string) (map[string]*template.Template, error) {
	funcs := template.FuncMap{
		"asset":  asset,
		"words":  words,
		"date":   wording.Date,
		"moment": func(t time.Time) string { return wording.Moment(t.UTC()) },
		"lastUse": func(o survey.Opt[time.Time]) any {
			return orElse(o, func(t time.Time) string { return wording.Moment(t.UTC()) }, "never")
		},
		"count":   wording.Count,
		"said":    said,
		"shape":   shape,
		"sorted":  sorted,
		"told":    told,
		"bearing": wording.Bearing,
		"lines":   lines,
		"grid":    func(p rig.Place) string { return usng(orb.Point(p)) },
		"list":    func(v ...any) []any { return v },
		"dated":   layerDate,
		"modules": func() []string { return mapModules },
		"inc":     func(i int) int { return i + 1 },
	}
	frame, err := template.New("frame").Funcs(funcs).ParseFS(pageFiles, "html/_*.html")
	if err != nil {
		return nil, fmt.Errorf("parse page frame: %w", err)
	}
	names, err := pageFiles.ReadDir("html")
	if err != nil {
		return nil, fmt.Errorf("list pages: %w", err)
	}
	pages := make(map[string]*template.Template, len(names))
	for _, f := range names {
		if strings.HasPrefix(f.Name(), "_") {
			continue
		}
		t, err := template.Must(frame.Clone()).ParseFS(pageFiles, path.Join("html", f.Name()))
		if err != nil {
			return nil, fmt.Errorf("parse page %s: %w", f.Name(), err)
		}
		pages[strings.TrimSuffix(f.Name(), ".html")] = t
	}
	return pages, nil
}

// render writes a page. It is put together in full first, so that a page is
// either whole or an error.
func (s *Server) render(w http.ResponseWriter, r *http.Request, code int, name string, p page) {
	p.Demo, p.Version, p.Now = s.demo, s.version, s.now().UTC()
	p.Display = displayOf(r)
	if p.Here = r.URL.RequestURI(); p.Hush {
		p.Here = "/"
	}
	v := visitorOf(r.Context())
	p.Open, p.Inside, p.People, p.Account = v.open, v.leave.Has(survey.Look), v.leave.Has(survey.Keep), v.leave.Has(self)
	p.Record = v.leave.Has(survey.Record)
	if p.Who = v.person.Name; v.key.Kind == survey.Station {
		p.Who = v.key.Name
	}
	p.Units = survey.UnitsUS
	if !p.Inside {
		p.Version = ""
	} else if policy, err := s.store.Policy(r.Context()); err == nil {
		p.Policy, p.Units = policy.Version, policy.Units
	}
	if revision, err := s.store.Revision(r.Context()); p.Inside && err == nil {
		p.Atlas = revision
	}
	var b bytes.Buffer
	if err := s.pages[name].ExecuteTemplate(&b, "frame", p); err != nil {
		s.log.ErrorContext(r.Context(), "render", "page", name, "id", w.Header().Get("X-Request-Id"), "error", err)
		http.Error(w, sayPageFailed, http.StatusInternalServerError)
		return
	}
	h := w.Header()
	h.Set("Content-Type", typeHTML+"; charset=utf-8")
	h.Add("Vary", "Accept, Cookie")
	w.WriteHeader(code)
	if _, err := w.Write(b.Bytes()); err != nil {
		s.log.InfoContext(r.Context(), "write page", "page", name, "error", err)
	}
}

const displayCookie = "display"

func displayOf(r *http.Request) display {
	c, err := r.Cookie(displayCookie)
	if err != nil {
		return displayAuto
	}
	switch d := display(c.Value); d {
	case displayDay, displayNight:
		return d
	}
	return displayAuto
}

// handleDisplay changes how the screen is lit and goes back to the page.
//
// POST /display
func (s *Server) handleDisplay(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, status(http.StatusBadRequest, sayFormUnread))
		return
	}
	d := display(r.PostFormValue("to"))
	switch d {
	case displayAuto, displayDay, displayNight:
	default:
		s.fail(w, r, status(http.StatusBadRequest, sayDisplays))
		return
	}
	http.SetCookie(w, &http.Cookie{
		Name: displayCookie, Value: string(d), Path: "/", MaxAge: 365 * 24 * 3600, HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteLaxMode,
	})
	http.Redirect(w, r, localPath(r.PostFormValue("here")), http.StatusSeeOther)
}

// localPath keeps a redirect on this server: "//elsewhere" and "\\elsewhere"
// would leave it, and so would "/\t/elsewhere", since browsers drop tabs and
// ends of lines before they read an address (WHATWG URL, 4.4).
func localPath(p string) string {
	if !strings.HasPrefix(p, "/") || strings.HasPrefix(p, "//") || strings.ContainsFunc(p, func(c rune) bool { return c < ' ' || c == 0x7F || c == '\\' }) {
		return "/"
	}
	return p
}

// handleAbout tells what this is and its cautions in full.
//
// GET /about
func (s *Server) handleAbout(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "about", page{Title: sayAboutTitle, Room: "about"})
}
