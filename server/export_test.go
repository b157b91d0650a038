package server

import "time"

// SetPatience changes how long a request waits for a count.
func (s *Server) SetPatience(d time.Duration) { s.patience = d }

// Access is the table of access.
var Access = access

// SetQueueWait changes how long a request waits for a place.
func (s *Server) SetQueueWait(d time.Duration) { s.queueWait = d }

// AtWork is how many requests are at work.
func (s *Server) AtWork() int { return len(s.places) }

// CloseStore takes the atlas away from under the server.
func (s *Server) CloseStore(t interface{ Fatal(...any) }) {
	if err := s.store.Close(); err != nil {
		t.Fatal(err)
	}
}
