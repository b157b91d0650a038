package server

import (
	"context"
	"net/http"
	"time"
)

const (
	inFlightUsual = 128             // requests at work at once
	queueWait     = 5 * time.Second // for a free place
)

// within bounds how many requests are at work. One that finds no place in time
// is told to come back, at next to no cost.
func (s *Server) within(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if vital[r.URL.Path] {
			next.ServeHTTP(w, r)
			return
		}
		if !s.enter(r.Context()) {
			s.figures.turnedAway.Inc()
			h := w.Header()
			h.Set("Retry-After", "5")
			h.Set("Cache-Control", "no-store")
			http.Error(w, sayTooBusy, http.StatusServiceUnavailable)
			return
		}
		defer func() { <-s.places }()
		next.ServeHTTP(w, r)
	})
}

// vital are the questions that are answered however much there is to do.
var vital = map[string]bool{"/healthz": true, "/readyz": true}

// enter waits for a free place; false when there was none in time. No more
// wait than could be served in that time.
func (s *Server) enter(ctx context.Context) bool {
	select {
	case s.places <- struct{}{}:
		return true
	default:
	}
	select {
	case s.queue <- struct{}{}:
		defer func() { <-s.queue }()
	default:
		return false
	}
	wait := time.NewTimer(s.queueWait)
	defer wait.Stop()
	select {
	case s.places <- struct{}{}:
		return true
	case <-wait.C:
	case <-ctx.Done():
	}
	return false
}

// handleHealth tells that the program is alive.
//
// GET /healthz
func (s *Server) handleHealth(w http.ResponseWriter, _ *http.Request) {
	plain(w, http.StatusOK, "alive\n")
}

// handleReady tells whether requests can be served: the atlas is read. When the
// disk took no write the last time, it is asked again, and the answer says so:
// still 200, since the sheets have to be read whatever the disk does.
//
// GET /readyz
func (s *Server) handleReady(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 2*time.Second)
	defer cancel()
	if _, err := s.store.Revision(ctx); err != nil {
		s.log.ErrorContext(r.Context(), "not ready", "error", err)
		plain(w, http.StatusServiceUnavailable, sayNotReadable)
		return
	}
	if err := s.store.Retry(ctx); err != nil {
		plain(w, http.StatusOK, "ready to read only: "+err.Error()+"\n")
		return
	}
	plain(w, http.StatusOK, "ready\n")
}

func plain(w http.ResponseWriter, code int, text string) {
	h := w.Header()
	h.Set("Content-Type", "text/plain; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = w.Write([]byte(text))
}
