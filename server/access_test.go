package server_test

import (
	"net/http"
	"testing"

	"github.com/go-chi/chi/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
)

// TestEveryRouteHasItsLeave holds the table of access to the route tree: a
// route that it does not list is refused to everybody, and fails here.
func TestEveryRouteHasItsLeave(t *testing.T) {
	s, _ := fixture(t)
	found := map[string]bool{}
	require.NoError(t, chi.Walk(s.Routes(), func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		found[method+" "+route] = true
		assert.Contains(t, server.Access, method+" "+route, "add this route to the table in access.go, with the leave it needs")
		return nil
	}))
	for route := range server.Access {
		assert.True(t, found[route], "the table of access lists %s, which is no route", route)
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
