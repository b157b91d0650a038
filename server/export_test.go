package server

import "time"

// SetPatience changes how long a request waits for a count.
func (s *Server) SetPatience(d time.Duration) { s.patience = d }

// Access is the table of access.
var Access = access
