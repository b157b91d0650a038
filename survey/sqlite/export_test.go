package sqlite

import "database/sql"

// Pools gives tests the pools of connections: the writer's first.
func (s *Store) Pools() (write, read *sql.DB) { return s.write, s.read }

// Explain gives tests the words for errors of the driver.
var Explain = explain
