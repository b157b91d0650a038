package server

import (
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"

	"holdfast/survey/walk"
)

// walkPolicy lets the Walk, and nothing else, compile the engine.
var walkPolicy = strings.Replace(contentPolicy, "script-src 'self'", "script-src 'self' 'wasm-unsafe-eval'", 1)

// walkFiles are what the Walk needs without a network, besides its page.
var walkFiles = []string{
	"css/tokens.css", "css/night.css", "css/base.css", "css/answer.css", "css/parts.css", "css/stack.css", "css/walk.css", "css/print.css",
	"font/next-latin.woff2", "font/next-latin-ext.woff2", "font/mono-latin.woff2",
	"js/ink.js", "js/roles.js", "js/symbol.js", "js/words.js", "js/walk/*.js", "lib/ol.js", "engine/engine.wasm.gz", "engine/wasm_exec.js", "icon.svg", "icon/*.png",
}

// walkPage is what the page of the Walk is made of.
type walkPage struct {
	Base    string   // address of the static files
	Edition string   // of them
	Modules []string // addresses of the scripts that the page starts with
}

// handleWalk is the Walk: the page that records a survey, also where there is
// no network. Devices keep it, so it holds no data.
//
// GET /walk
func (s *Server) handleWalk(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	modules, err := s.static.List("js/walk/*.js")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	modules = slices.DeleteFunc(modules, func(m string) bool { return strings.HasSuffix(m, "/map.js") }) // loaded when it is looked at
	w.Header().Set("Content-Security-Policy", walkPolicy)
	s.render(w, r, http.StatusOK, "walk", page{Title: "Walk", Room: "walk", Body: walkPage{Base: s.static.Path(""), Edition: s.static.Hash(), Modules: modules}})
}

// handleWalkWorker is the service worker that keeps the Walk on a device. It
// changes with any of the files that it keeps, which makes a browser fetch them
// anew.
//
// GET /walk/worker.js
func (s *Server) handleWalkWorker(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	files, err := s.static.List(walkFiles...)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Service-Worker-Allowed", "/walk")
	s.serveScript(w, r, "js/walk/worker/keep.js", map[string]any{
		"edition": s.static.Hash(), "files": append(files, "/walk/engine.js?edition="+s.static.Hash(), "/walk/app.webmanifest"), "page": "/walk",
	})
}

// handleWalkEngine is the script that runs the engine beside the page. A page
// of another edition is refused it: its questions may be other ones.
//
// GET /walk/engine.js?edition=
func (s *Server) handleWalkEngine(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "edition")
	if err == nil && q.Has("edition") && q.Get("edition") != s.static.Hash() {
		err = status(http.StatusNotFound, sayRenewed)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Security-Policy", walkPolicy)
	s.serveScript(w, r, "js/walk/worker/engine.js", map[string]any{
		"starter": s.static.Path("engine/wasm_exec.js"), "program": s.static.Path("engine/engine.wasm"),
	})
}

// serveScript serves one of the static scripts behind what it has to know.
func (s *Server) serveScript(w http.ResponseWriter, r *http.Request, name string, known map[string]any) {
	body, err := s.static.Read(name)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	b, err := json.Marshal(known)
	if err != nil {
		s.fail(w, r, fmt.Errorf("write script: %w", err))
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/javascript; charset=utf-8")
	h.Set("Cache-Control", "no-cache")
	if _, err := fmt.Fprintf(w, "self.known = %s;\n%s", b, body); err != nil {
		s.log.InfoContext(r.Context(), "write script", "error", err)
	}
}

// handleWalkManifest describes the Walk to a device that installs it (W3C Web
// Application Manifest).
//
// GET /walk/app.webmanifest
func (s *Server) handleWalkManifest(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	type icon struct {
		Src     string `json:"src"`
		Sizes   string `json:"sizes"`
		Type    string `json:"type"`
		Purpose string `json:"purpose,omitempty"`
	}
	s.writeJSON(w, r, "application/manifest+json", struct {
		Name        string `json:"name"`
		Short       string `json:"short_name"`
		Description string `json:"description"`
		ID          string `json:"id"`
		Start       string `json:"start_url"`
		Scope       string `json:"scope"`
		Display     string `json:"display"`
		Background  string `json:"background_color"`
		Theme       string `json:"theme_color"`
		Icons       []icon `json:"icons"`
	}{
		Name: "holdfast Walk", Short: "Walk", Description: sayWalkIs,
		ID: "/walk", Start: "/walk", Scope: "/walk", Display: "standalone", Background: "#12241d", Theme: "#12241d",
		Icons: []icon{
			{Src: s.static.Path("icon.svg"), Sizes: "any", Type: "image/svg+xml"},
			{Src: s.static.Path("icon/stake-192.png"), Sizes: "192x192", Type: "image/png"},
			{Src: s.static.Path("icon/stake-512.png"), Sizes: "512x512", Type: "image/png"},
			{Src: s.static.Path("icon/stake-mask-512.png"), Sizes: "512x512", Type: "image/png", Purpose: "maskable"},
		},
	})
}

// walkAccount is whose what a device keeps and records is; empty in an atlas
// without accounts.
type walkAccount struct {
	ID   string `json:"id"`
	Name string `json:"name"`
}

func walkAccountOf(r *http.Request) walkAccount {
	p := visitorOf(r.Context()).person
	return walkAccount{p.ID, p.Name}
}

// handleWalkAccount tells a device who is signed in.
//
// GET /walk/account
func (s *Server) handleWalkAccount(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	s.writeJSON(w, r, typeJSON, walkAccountOf(r))
}

// handleWalkArea is what a device takes along: a district or, without one, the
// whole atlas.
//
// GET /walk/area?district=
func (s *Server) handleWalkArea(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "district")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	area, err := s.atlas.Area(r.Context(), q.Get("district"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Cache-Control", "no-store") // the device keeps it in a place of its own
	s.writeJSON(w, r, typeJSON, struct {
		walk.Area
		Account walkAccount `json:"account"`
	}{area, walkAccountOf(r)})
}

// handleWalkDistricts lists what can be taken along.
//
// GET /walk/districts
func (s *Server) handleWalkDistricts(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	counts, err := s.atlas.Districts(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	type district struct {
		Name  string `json:"name"`
		Sites int    `json:"sites"`
	}
	out := []district{}
	for _, name := range slices.Sorted(maps.Keys(counts)) {
		out = append(out, district{name, counts[name]})
	}
	s.writeJSON(w, r, typeJSON, out)
}
