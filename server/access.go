package server

import (
	"context"
	"net"
	"net/http"
	"strings"

	"github.com/go-chi/chi/v5"

	"holdfast/survey"
)

// anyone may: signing in, what pages are made of, what tells no more than
// that a holdfast is here.
const anyone survey.Leave = 0

// access is the whole of who may do what over the network: every route, by
// method and pattern as Routes lists them, and the leave it needs. A route
// that is missing here is refused to everybody, and a test fails. A further
// leave may be asked for where it depends on what is sent: see may.
var access = map[string]survey.Leave{
	"GET /":                     survey.Look,
	"GET /map/points":           survey.Look,
	"GET /map/grid":             survey.Look,
	"GET /sites/{id}":           survey.Look,
	"GET /sites/{id}/sheet":     survey.Look,
	"GET /sites/{id}/sheet.pdf": survey.Look,
	"GET /points/{id}":          survey.Look,
	"GET /upkeep":               survey.Look,
	"POST /sites/{id}/review":   survey.SignOff,

	"GET /sites/{id}/revisions":            survey.Look,
	"GET /sites/{id}/revisions/{number}":   survey.Look,
	"POST /sites/{id}/revisions/{number}":  survey.Record | survey.Contacts, // a site has contacts, which must be seen to be put back
	"GET /points/{id}/revisions":           survey.Look,
	"GET /points/{id}/revisions/{number}":  survey.Look,
	"POST /points/{id}/revisions/{number}": survey.Record | survey.Contacts,
	"GET /walk":                            survey.Record,
	"GET /walk/area":                       survey.Record,
	"GET /walk/districts":                  survey.Record,
	"GET /walk/worker.js":                  anyone,
	"GET /walk/engine.js":                  anyone,
	"GET /walk/app.webmanifest":            anyone,

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
	"GET /api/collections/points/items/{id}/options":                  survey.Look,
	"GET /api/collections/sites/items/{id}/sheet":                     survey.Look,
	"POST /api/options":                                               survey.Look,
	"GET /api/near":                                                   survey.Look,
	"GET /api/coverage":                                               survey.Look,
	"GET /api/convert":                                                survey.Look,
}

// visitor is who a request comes from.
type visitor struct {
	name  string // that the history gets; "" is nobody
	leave survey.Leave
}

type visitorKey struct{}

// visitorOf is who the request of a context comes from; nobody when it has
// not passed the door.
func visitorOf(ctx context.Context) visitor {
	v, _ := ctx.Value(visitorKey{}).(visitor)
	return v
}

// may tells whether the visitor has all of a leave.
func may(ctx context.Context, l survey.Leave) bool { return visitorOf(ctx).leave.Has(l) }

// guarded lets a request to the route it asks for when the visitor may use it.
// What is no route at all goes on, to be told so.
func (s *Server) guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		v, err := s.visitor(r)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		r = r.WithContext(context.WithValue(r.Context(), visitorKey{}, v))
		if route := s.route(r); route != "" {
			if err := allowed(route, v); err != nil {
				s.fail(w, r, err)
				return
			}
		}
		next.ServeHTTP(w, r)
	})
}

func allowed(route string, v visitor) error {
	need, listed := access[route]
	switch {
	case !listed:
		return status(http.StatusForbidden, "Nobody may do this: it is not in the table of access.")
	case !v.leave.Has(need):
		return status(http.StatusForbidden, "You may not do this: it needs leave to %s.", need&^v.leave)
	}
	return nil
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

// visitor finds out who a request comes from. An atlas without accounts is
// open to this machine.
func (s *Server) visitor(r *http.Request) (visitor, error) {
	if !loopbackHost(r.Host) {
		return visitor{}, status(http.StatusForbidden, "This atlas has no accounts and answers this machine only, not %q.", r.Host)
	}
	return visitor{leave: survey.EveryLeave}, nil
}

// loopbackHost tells whether a Host header names this machine. A page of
// another site that makes a browser take its own name for this machine's
// address still sends its own name.
func loopbackHost(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	host = strings.Trim(host, "[]")
	ip := net.ParseIP(host)
	return strings.EqualFold(host, "localhost") || ip != nil && ip.IsLoopback()
}
