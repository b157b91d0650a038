package server

import (
	"crypto/rand"
	"log/slog"
	"net/http"
	"runtime/debug"
	"strings"
	"time"

	"github.com/go-chi/chi/v5/middleware"

	"holdfast/survey/photo"
)

// contentPolicy lets a page use what this server serves and nothing else.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; " +
	"connect-src 'self'; font-src 'self'; manifest-src 'self'; worker-src 'self'; " +
	"form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

// headers sets what every answer carries, errors and files included.
func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), payment=()")
		if r.TLS != nil {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		next.ServeHTTP(w, r)
	})
}

// logged names the request and logs how it ended. The name goes out in
// X-Request-Id, so that a person can quote it.
func (s *Server) logged(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		id := rand.Text()[:12]
		w.Header().Set("X-Request-Id", id)
		ww := middleware.NewWrapResponseWriter(w, r.ProtoMajor)
		start := time.Now()
		next.ServeHTTP(ww, r)
		s.figures.saw(s.route(r), ww.Status(), time.Since(start))
		level := slog.LevelInfo
		if ww.Status() >= 500 {
			level = slog.LevelError
		}
		s.log.LogAttrs(r.Context(), level, "request",
			slog.String("id", id),
			slog.String("method", r.Method),
			slog.String("path", loggedPath(r)),
			slog.Int("status", ww.Status()),
			slog.Int("bytes", ww.BytesWritten()),
			slog.Duration("took", time.Since(start)))
	})
}

// loggedPath is the path of a request without what lets anybody in.
func loggedPath(r *http.Request) string {
	for _, open := range []string{"/link/", "/station/"} {
		if strings.HasPrefix(r.URL.Path, open) {
			return open + "..."
		}
	}
	return r.URL.Path
}

// recovered turns a panic into a logged 500.
func (s *Server) recovered(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			v := recover()
			if v == nil {
				return
			}
			if v == http.ErrAbortHandler { // the server's own way to drop a connection
				panic(v)
			}
			s.figures.fault("panic")
			s.log.Error("panic", "id", w.Header().Get("X-Request-Id"), "value", v, "stack", string(debug.Stack()))
			s.fail(w, r, errInternal)
		}()
		next.ServeHTTP(w, r)
	})
}

// sameOrigin refuses writes that another site's page makes a browser send.
func (s *Server) sameOrigin(next http.Handler) http.Handler {
	guard := http.NewCrossOriginProtection()
	guard.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, status(http.StatusForbidden, sayOtherSite))
	}))
	return guard.Handler(next)
}

func bounded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		most := int64(MaxBody)
		switch {
		case r.Method == http.MethodPost && r.URL.Path == sendPath:
			most = MaxFile + MaxBody // the file with what the form puts round it
		case r.Method == http.MethodPut && strings.HasPrefix(r.URL.Path, "/api/sync/contents/layer/"):
			most = MaxFile
		case takesPhoto(r):
			most = photo.MostBytes + MaxBody
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next.ServeHTTP(w, r)
	})
}

func compressed() func(http.Handler) http.Handler {
	return middleware.Compress(5,
		typeHTML, typeJSON, typeGeoJSON, "application/manifest+json", typeProblem, typeOpenAPI, typeSchema, typeTile,
		"text/css", "text/javascript", "application/javascript", "image/svg+xml", "text/plain")
}
