package server_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/go-chi/chi/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
)

// rights is who may use which route, written down a second time: by letter,
// in the order of visitors. A point is a refusal.
var (
	visitors  = []string{"nobody", "viewer", "surveyor", "gis", "lead", "admin", "station", "device", "token", "reader"}
	everyone  = "nvsglawdtr" // what visitors are called below
	reads     = ".vsglawdtr"
	records   = "..s.l..dt."
	removes   = "....l....."
	loads     = "...g......"
	rates     = "....l....."
	signs     = "....l....."
	keeps     = ".....a...."
	own       = ".vsgla...."
	exchanges = "..s.l..dtr"
	brings    = "....l....."
	devices   = "..s.l....."
)

var rights = map[string]string{
	"GET /":                                reads,
	"GET /map/points":                      reads,
	"GET /map/grid":                        reads,
	"GET /map/base/{z}/{x}/{y}":            reads,
	"GET /map/tiles/{matrix}/{row}/{col}":  reads,
	"GET /map/casualty":                    reads,
	"GET /map/coverage":                    reads,
	"GET /map/here":                        reads,
	"GET /map/ledger":                      reads,
	"GET /map/measure":                     reads,
	"GET /map/print":                       reads,
	"GET /map/reaches":                     reads,
	"GET /map/zones":                       reads,
	"GET /sites/{id}":                      reads,
	"GET /sites/{id}/sheet":                reads,
	"GET /sites/{id}/sheet.pdf":            reads,
	"GET /book.pdf":                        reads,
	"GET /points/{id}":                     reads,
	"GET /points/{id}/layout.svg":          reads,
	"GET /points/{id}/layout.dxf":          reads,
	"GET /upkeep":                          reads,
	"GET /ratings":                         reads,
	"GET /ratings/policy.json":             reads,
	"GET /ratings/change":                  rates,
	"POST /ratings/try":                    rates,
	"POST /ratings":                        rates,
	"POST /sites/{id}/review":              signs,
	"GET /sites/{id}/revisions":            reads,
	"GET /sites/{id}/revisions/{number}":   reads,
	"POST /sites/{id}/revisions/{number}":  records,
	"GET /points/{id}/revisions":           reads,
	"GET /points/{id}/revisions/{number}":  reads,
	"POST /points/{id}/revisions/{number}": records,
	"POST /sites/{id}/conflicts":           records,
	"POST /points/{id}/conflicts":          records,

	"GET /layers":                              reads,
	"GET /layers/export":                       reads,
	"POST /layers/files":                       loads,
	"GET /layers/files/{file}":                 loads,
	"GET /layers/files/{file}/work":            loads,
	"GET /layers/files/{file}/report.{format}": loads,
	"POST /layers/files/{file}/look":           loads,
	"POST /layers/files/{file}/take":           loads,
	"POST /layers/files/{file}/discard":        loads,
	"GET /layers/{id}/describe":                loads,
	"POST /layers/{id}/describe":               loads,
	"GET /layers/{id}/remove":                  loads,
	"POST /layers/{id}/remove":                 loads,
	"POST /layers/{id}/restore":                loads,
	"GET /imports/{number}/undo":               loads,
	"POST /imports/{number}/undo":              loads,

	"POST /points/{id}/pull-tests":            records,
	"POST /points/{id}/photos":                records,
	"POST /points/{id}/photos/{photo}/remove": records,
	"POST /points/{id}/photos/{photo}/place":  records,
	"GET /photos/{photo}":                     reads,
	"GET /photos/{photo}/small":               reads,
	"PUT /api/photos/{photo}":                 records,

	"GET /walk":                 records,
	"GET /walk/account":         records,
	"GET /walk/area":            records,
	"GET /walk/districts":       records,
	"GET /walk/worker.js":       everyone,
	"GET /walk/engine.js":       everyone,
	"GET /walk/app.webmanifest": everyone,

	"GET /people":                  keeps,
	"POST /people":                 keeps,
	"GET /people/{id}":             keeps,
	"POST /people/{id}":            keeps,
	"POST /people/{id}/password":   keeps,
	"POST /people/{id}/device":     keeps,
	"POST /people/{id}/sign-out":   keeps,
	"POST /people/stations":        keeps,
	"POST /people/keys/{key}/end":  keeps,
	"GET /account":                 own,
	"POST /account/password":       own,
	"POST /account/tokens":         own,
	"POST /account/devices":        devices,
	"POST /account/keys/{key}/end": own,
	"POST /account/sign-out":       own,

	"GET /sign-in":        everyone,
	"POST /sign-in":       everyone,
	"POST /sign-out":      everyone,
	"GET /first":          everyone,
	"POST /first":         everyone,
	"GET /link/{code}":    everyone,
	"POST /link/{code}":   everyone,
	"GET /station/{code}": everyone,
	"GET /healthz":        everyone,
	"GET /readyz":         everyone,
	"GET /about":          everyone,
	"GET /sheet.css":      everyone,
	"GET /static/*":       everyone,
	"GET /favicon.ico":    everyone,
	"POST /display":       everyone,

	"GET /api/":                                               reads,
	"GET /api/conformance":                                    reads,
	"GET /api/openapi":                                        reads,
	"GET /api/collections":                                    reads,
	"GET /api/collections/{collection}":                       reads,
	"GET /api/collections/{collection}/queryables":            reads,
	"GET /api/collections/{collection}/tiles":                 reads,
	"GET /api/collections/{collection}/tiles/WebMercatorQuad": reads,
	"GET /api/collections/{collection}/tiles/WebMercatorQuad/{matrix}/{row}/{col}": reads,
	"GET /api/tileMatrixSets":                                         reads,
	"GET /api/tileMatrixSets/WebMercatorQuad":                         reads,
	"GET /api/schemas/{noun}":                                         reads,
	"GET /api/collections/{collection}/items":                         reads,
	"POST /api/collections/{collection}/items":                        records,
	"OPTIONS /api/collections/{collection}/items":                     reads,
	"GET /api/collections/{collection}/items/{id}":                    reads,
	"PUT /api/collections/{collection}/items/{id}":                    records,
	"DELETE /api/collections/{collection}/items/{id}":                 removes,
	"OPTIONS /api/collections/{collection}/items/{id}":                reads,
	"GET /api/collections/{collection}/items/{id}/revisions":          reads,
	"GET /api/collections/{collection}/items/{id}/revisions/{number}": reads,
	"GET /api/sync":                                  exchanges,
	"GET /api/sync/revisions":                        exchanges,
	"POST /api/sync/revisions":                       brings,
	"POST /api/sync/missing":                         exchanges,
	"GET /api/sync/contents":                         exchanges,
	"GET /api/sync/contents/{kind}/{id}/{sha256}":    exchanges,
	"PUT /api/sync/contents/{kind}/{id}/{sha256}":    brings,
	"GET /api/collections/points/items/{id}/options": reads,
	"GET /api/collections/sites/items/{id}/sheet":    reads,
	"POST /api/options":                              reads,
	"GET /api/near":                                  reads,
	"GET /api/coverage":                              reads,
	"GET /api/convert":                               reads,
}

// TestWhoMayDoWhat asks every route as every kind of visitor. A route that is
// in one table and not in the other, or not in the tree, fails.
func TestWhoMayDoWhat(t *testing.T) {
	d := newDepartment(t)
	found := map[string]bool{}
	require.NoError(t, chi.Walk(d.Routes(), func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		name := method + " " + route
		found[name] = true
		assert.Contains(t, server.Access, name, "add this route to the table in access.go, with the leave it needs")
		row, listed := rights[name]
		if !assert.True(t, listed, "%s: add who may use it to the table in access_test.go", name) {
			return nil
		}
		for i, who := range visitors {
			allowed := row[i] != '.'
			target := strings.NewReplacer("s-alder", "s-nowhere", "p-good", "p-nowhere").Replace(filled(route)) // what is found does not matter here
			res := call(t, d, method, target, "", "Accept: application/json", d.key(t, who))
			body := bodyOf(t, res)
			refused := res.StatusCode == http.StatusUnauthorized && strings.Contains(body, "Sign in first") ||
				res.StatusCode == http.StatusForbidden && (strings.Contains(body, "Your account does not allow") || strings.Contains(body, "signed in with a password"))
			assert.Equal(t, allowed, !refused, "%s by %s gave %d: %.200s", name, who, res.StatusCode, body)
			assert.NotContains(t, body, "in the table of access", name)
		}
		return nil
	}))
	for route := range server.Access {
		assert.True(t, found[route], "the table of access lists %s, which is no route", route)
	}
	for route := range rights {
		assert.True(t, found[route], "the table of rights lists %s, which is no route", route)
	}
}

// TestUnlistedRoutesAreRefused, with accounts and without.
func TestUnlistedRoutesAreRefused(t *testing.T) {
	open, _ := fixture(t)
	d := newDepartment(t)
	for _, route := range []string{"/about", "/upkeep"} {
		was := server.Access["GET "+route]
		delete(server.Access, "GET "+route)
		for _, path := range []string{route, route + "?f=json"} {
			assert.Equal(t, http.StatusForbidden, call(t, open, http.MethodGet, path, "").StatusCode)
			assert.Equal(t, http.StatusForbidden, call(t, open, http.MethodHead, path, "").StatusCode)
			for _, who := range visitors {
				assert.Equal(t, http.StatusForbidden, call(t, d, http.MethodGet, path, "", d.key(t, who)).StatusCode, who)
			}
		}
		server.Access["GET "+route] = was
	}
}

// TestWaysRoundTheDoor: other spellings of an address and other methods reach
// nothing that is refused under its own.
func TestWaysRoundTheDoor(t *testing.T) {
	d := newDepartment(t)
	for _, path := range []string{
		"/sites/s-alder", "//sites/s-alder", "/sites//s-alder", "/sites/s-alder/", "/./sites/s-alder", "/about/../sites/s-alder", "/static/../sites/s-alder",
		"/sites/%73-alder", "/sites%2Fs-alder", "/%73ites/s-alder", "/sites/s-alder%2e", "/SITES/s-alder", "/sites/s-alder;x", "/sites/s-alder%00", "/sites/s-alder?f=json",
		"/api", "/api/", "/api//collections", "/api/collections/sites/items/", "/api/collections/sites%2Fitems", "/api/collections/sites/items?f=html", "/people/", "//people",
		"/static/%2e%2e/people", "/link/../people", "/healthz/../people",
	} {
		for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodDelete, http.MethodOptions, http.MethodPatch, http.MethodTrace} {
			res := call(t, d, method, path, "", "Accept: application/json", "X-HTTP-Method-Override: GET", "X-Original-URL: /about")
			body := bodyOf(t, res)
			assert.GreaterOrEqual(t, res.StatusCode, 300, "%s %s", method, path)
			for _, inside := range []string{"Alder", "s-cutting", "555 0100", "The admin"} {
				assert.NotContains(t, body, inside, "%s %s", method, path)
			}
		}
	}
}

// TestOpenDoorIsForThisMachine: without accounts, a page elsewhere that has its
// own name lead to this machine's address is refused.
func TestOpenDoorIsForThisMachine(t *testing.T) {
	s, _ := fixture(t)
	for host, want := range map[string]int{
		"localhost": http.StatusOK, "LOCALHOST:8080": http.StatusOK, "127.0.0.1:8080": http.StatusOK, "[::1]:8080": http.StatusOK, "127.9.9.9": http.StatusOK,
		"": http.StatusForbidden, "district.example": http.StatusForbidden, "127.0.0.1.example": http.StatusForbidden, "192.0.2.7:8080": http.StatusForbidden, "localhost.example:80": http.StatusForbidden,
	} {
		for _, path := range []string{"/", "/api/collections/sites/items", "/points/p-good"} {
			assert.Equal(t, want, callAs(t, s, host, http.MethodGet, path, "").StatusCode, "%q %s", host, path)
		}
	}
}

// TestWideWithoutAccounts: reached from beyond this machine, an atlas without
// accounts shows nothing, whatever name it is called by.
func TestWideWithoutAccounts(t *testing.T) {
	s, _ := fixture(t, func(c *server.Config) { c.Wide, c.Code, c.Hasher = true, "ABCDEFGHIJKL", light() })
	for _, host := range []string{"localhost", "district.example"} {
		for _, path := range []string{"/", "/people", "/api/collections/sites/items", "/points/p-good"} {
			assert.Equal(t, http.StatusUnauthorized, callAs(t, s, host, http.MethodGet, path, "").StatusCode, path)
		}
		res := callAs(t, s, host, http.MethodGet, "/sites/s-alder", "", "Accept: text/html")
		assert.Equal(t, http.StatusSeeOther, res.StatusCode)
		assert.Equal(t, "/first", callAs(t, s, host, http.MethodGet, res.Header.Get("Location"), "").Header.Get("Location"))
		assert.Equal(t, http.StatusOK, callAs(t, s, host, http.MethodGet, "/first", "").StatusCode)
	}
}
