package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/go-chi/chi/v5"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// anyone may: signing in, what pages are made of, what tells no more than
// that a holdfast is here.
const anyone survey.Leave = 0

// self is for a person who signed in with a password: not for a token, a lent
// device or a wall screen.
const self survey.Leave = 1 << 15

// What another holdfast needs: it sees everything, and what it sends keeps the
// names of those who recorded it there, so that whoever lets it send answers
// for them all.
const (
	stationReads  = survey.Look | survey.Contacts
	stationWrites = stationReads | survey.Record | survey.Remove | survey.Rate | survey.SignOff
)

// access is the whole of who may do what over the network: every route, by
// method and pattern as Routes lists them, and the leave it needs. A route
// that is missing here is refused to everybody, and a test fails. A further
// leave may be asked for where it depends on what is sent: see may.
var access = map[string]survey.Leave{
	"GET /":                               survey.Look,
	"GET /map/points":                     survey.Look,
	"GET /map/grid":                       survey.Look,
	"GET /map/ledger":                     survey.Look,
	"GET /map/here":                       survey.Look,
	"GET /map/casualty":                   survey.Look,
	"GET /map/measure":                    survey.Look,
	"GET /map/coverage":                   survey.Look,
	"GET /map/reaches":                    survey.Look,
	"GET /map/zones":                      survey.Look,
	"GET /map/print":                      survey.Look,
	"GET /map/base/{z}/{x}/{y}":           survey.Look,
	"GET /map/tiles/{matrix}/{row}/{col}": survey.Look,
	"GET /sites/{id}":                     survey.Look,
	"GET /sites/{id}/sheet":               survey.Look,
	"GET /sites/{id}/sheet.pdf":           survey.Look,
	"GET /book.pdf":                       survey.Look,
	"GET /points/{id}":                    survey.Look,
	"GET /points/{id}/layout.svg":         survey.Look,
	"GET /points/{id}/layout.dxf":         survey.Look,
	"GET /upkeep":                         survey.Look,
	"POST /sites/{id}/review":             survey.SignOff,

	"GET /ratings":             survey.Look,
	"GET /ratings/policy.json": survey.Look,
	"GET /ratings/change":      survey.Rate,
	"POST /ratings/try":        survey.Rate,
	"POST /ratings":            survey.Rate,

	"GET /sites/{id}/revisions":               survey.Look,
	"GET /sites/{id}/revisions/{number}":      survey.Look,
	"POST /sites/{id}/revisions/{number}":     survey.Record | survey.Contacts, // a site has contacts, which must be seen to be put back
	"GET /points/{id}/revisions":              survey.Look,
	"GET /points/{id}/revisions/{number}":     survey.Look,
	"POST /points/{id}/revisions/{number}":    survey.Record | survey.Contacts,
	"POST /sites/{id}/conflicts":              survey.Record | survey.Contacts,
	"POST /points/{id}/conflicts":             survey.Record | survey.Contacts,
	"GET /walk":                               survey.Record,
	"POST /points/{id}/pull-tests":            survey.Record,
	"POST /points/{id}/photos":                survey.Record,
	"POST /points/{id}/photos/{photo}/remove": survey.Record,
	"POST /points/{id}/photos/{photo}/place":  survey.Record,
	"GET /photos/{photo}":                     survey.Look,
	"GET /photos/{photo}/small":               survey.Look,
	"PUT /api/photos/{photo}":                 survey.Record,

	"GET /walk/account":         survey.Record,
	"GET /walk/area":            survey.Record,
	"GET /walk/districts":       survey.Record,
	"GET /walk/worker.js":       anyone,
	"GET /walk/engine.js":       anyone,
	"GET /walk/app.webmanifest": anyone,

	"GET /people":                 survey.Keep,
	"POST /people":                survey.Keep | self,
	"GET /people/{id}":            survey.Keep,
	"POST /people/{id}":           survey.Keep | self,
	"POST /people/{id}/password":  survey.Keep | self,
	"POST /people/{id}/device":    survey.Keep | self,
	"POST /people/{id}/sign-out":  survey.Keep | self,
	"POST /people/stations":       survey.Keep | self,
	"POST /people/keys/{key}/end": survey.Keep | self,

	"GET /account":                 self,
	"POST /account/password":       self,
	"POST /account/tokens":         self,
	"POST /account/devices":        self | survey.Record,
	"POST /account/keys/{key}/end": self,
	"POST /account/sign-out":       self,

	"GET /sign-in":        anyone,
	"POST /sign-in":       anyone,
	"POST /sign-out":      anyone,
	"GET /first":          anyone,
	"POST /first":         anyone,
	"GET /link/{code}":    anyone,
	"POST /link/{code}":   anyone,
	"GET /station/{code}": anyone,
	"GET /healthz":        anyone,
	"GET /readyz":         anyone,

	"GET /layers":                              survey.Look,
	"GET /layers/export":                       survey.Look,
	"POST /layers/files":                       survey.Load,
	"GET /layers/files/{file}":                 survey.Load,
	"GET /layers/files/{file}/work":            survey.Load,
	"GET /layers/files/{file}/report.{format}": survey.Load,
	"POST /layers/files/{file}/look":           survey.Load,
	"POST /layers/files/{file}/take":           survey.Load,
	"POST /layers/files/{file}/discard":        survey.Load,
	"GET /layers/{id}/describe":                survey.Load,
	"POST /layers/{id}/describe":               survey.Load,
	"GET /layers/{id}/remove":                  survey.Load,
	"POST /layers/{id}/remove":                 survey.Load,
	"POST /layers/{id}/restore":                survey.Load,
	"GET /imports/{number}/undo":               survey.Load,
	"POST /imports/{number}/undo":              survey.Load,

	"GET /about":       anyone,
	"GET /sheet.css":   anyone,
	"GET /static/*":    anyone,
	"GET /favicon.ico": anyone,
	"POST /display":    anyone,

	"GET /api/":                                               survey.Look,
	"GET /api/conformance":                                    survey.Look,
	"GET /api/openapi":                                        survey.Look,
	"GET /api/collections":                                    survey.Look,
	"GET /api/collections/{collection}":                       survey.Look,
	"GET /api/collections/{collection}/queryables":            survey.Look,
	"GET /api/collections/{collection}/tiles":                 survey.Look,
	"GET /api/collections/{collection}/tiles/WebMercatorQuad": survey.Look,
	"GET /api/collections/{collection}/tiles/WebMercatorQuad/{matrix}/{row}/{col}": survey.Look,
	"GET /api/tileMatrixSets":                                         survey.Look,
	"GET /api/tileMatrixSets/WebMercatorQuad":                         survey.Look,
	"GET /api/schemas/{noun}":                                         survey.Look,
	"GET /api/collections/{collection}/items":                         survey.Look,
	"POST /api/collections/{collection}/items":                        survey.Record,
	"OPTIONS /api/collections/{collection}/items":                     survey.Look,
	"GET /api/collections/{collection}/items/{id}":                    survey.Look,
	"PUT /api/collections/{collection}/items/{id}":                    survey.Record,
	"DELETE /api/collections/{collection}/items/{id}":                 survey.Remove,
	"OPTIONS /api/collections/{collection}/items/{id}":                survey.Look,
	"GET /api/collections/{collection}/items/{id}/revisions":          survey.Look,
	"GET /api/collections/{collection}/items/{id}/revisions/{number}": survey.Look,
	"GET /api/sync":                                  stationReads,
	"GET /api/sync/revisions":                        stationReads,
	"POST /api/sync/revisions":                       stationWrites,
	"POST /api/sync/missing":                         stationReads,
	"GET /api/sync/contents":                         stationReads,
	"GET /api/sync/contents/{kind}/{id}/{sha256}":    stationReads,
	"PUT /api/sync/contents/{kind}/{id}/{sha256}":    stationWrites,
	"GET /api/collections/points/items/{id}/options": survey.Look,
	"GET /api/collections/sites/items/{id}/sheet":    survey.Look,
	"POST /api/options":                              survey.Look,
	"GET /api/near":                                  survey.Look,
	"GET /api/coverage":                              survey.Look,
	"GET /api/convert":                               survey.Look,
}

// guarded lets a request to the route it asks for when the visitor may use it.
// What is no route at all goes on, to be told so.
func (s *Server) guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		route := s.route(r)
		if route == staticRoute {
			next.ServeHTTP(w, r) // without asking who: the same files for everybody
			return
		}
		h := w.Header()
		h.Add("Vary", "Cookie, Authorization")
		h.Set("Cache-Control", cachePrivate)
		need, listed := access[route]
		v, err := s.visitor(r)
		if err != nil && (route == "" || listed && need == anyone) {
			err = nil // here it does not matter who asks
		} else if err == nil && route != "" {
			err = cmp.Or(allowed(route, v), ownedBy(r, v))
		}
		if err != nil {
			s.refuse(w, r, v, err)
			return
		}
		ctx := context.WithValue(r.Context(), visitorKey{}, v)
		if !v.leave.Has(survey.Contacts) {
			ctx = sqlite.Discreet(ctx)
		}
		next.ServeHTTP(w, r.WithContext(ctx))
	})
}

// ownedBy refuses what a device recorded under one account and sends under
// another: it says by Holdfast-Account, the id of an account, whose it is.
func ownedBy(r *http.Request, v visitor) error {
	if owner := r.Header.Get("Holdfast-Account"); owner != "" && owner != v.person.ID {
		return status(http.StatusUnauthorized, sayOtherAccount)
	}
	return nil
}

const (
	staticRoute = "GET /static/*"
	// What one person may see is not kept for the next.
	cachePrivate = "private, no-cache"
)

// allowed says why a visitor may not use a route; nil when they may.
func allowed(route string, v visitor) error {
	need, listed := access[route]
	switch lacks := need &^ v.leave; {
	case !listed:
		return status(http.StatusForbidden, sayNobodyMay)
	case lacks == 0:
		return nil
	case v.open:
		return status(http.StatusForbidden, sayNeedsAccounts)
	case v.nobody():
		return errSignIn
	case lacks&^self == 0:
		return status(http.StatusForbidden, sayNeedsPassword)
	default:
		return lacking(lacks &^ self)
	}
}

// lacking says what is needed and who has it.
func lacking(l survey.Leave) error {
	return status(http.StatusForbidden, sayNotAllowed, whoHas(l))
}

// whoHas names a leave and the roles that have it.
func whoHas(l survey.Leave) string {
	var who []string
	for _, r := range l.Who() {
		who = append(who, string(r))
	}
	if who == nil {
		return fmt.Sprintf(sayLeaveOfSeveral, l)
	}
	return fmt.Sprintf(sayLeaveOfRole, l, strings.Join(who, " or "))
}

// refuse answers a request that the door does not let in. Who reads pages and
// has not signed in is led there.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, v visitor, err error) {
	if errors.Is(err, errSignIn) {
		if (r.Method == http.MethodGet || r.Method == http.MethodHead) && prefersHTML(r) {
			http.Redirect(w, r, signInAddress(r.URL.RequestURI()), http.StatusSeeOther)
			return
		}
		w.Header().Set("WWW-Authenticate", `Bearer realm="holdfast"`)
	}
	s.fail(w, r.WithContext(context.WithValue(r.Context(), visitorKey{}, v)), err)
}

// route is the method and pattern a request is served by, as access lists
// them; "" when there is none.
func (s *Server) route(r *http.Request) string {
	path := r.URL.RawPath // what the router goes by
	if path == "" {
		path = r.URL.Path
	}
	method := r.Method
	pattern := s.Routes().Find(chi.NewRouteContext(), method, path)
	if pattern == "" && method == http.MethodHead {
		method = http.MethodGet
		pattern = s.Routes().Find(chi.NewRouteContext(), method, path)
	}
	if pattern == "" {
		return ""
	}
	if pattern == "/api" { // where a branch of the tree hangs, the router serves the bare name too
		pattern = "/api/"
	}
	return method + " " + pattern
}
