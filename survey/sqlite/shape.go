package sqlite

import (
	"context"
	"fmt"
)

// Shape tells how an atlas is made, and nothing of what is in it.
type Shape struct {
	Format  int            `json:"format"`
	SQLite  string         `json:"sqlite"`
	Bytes   int64          `json:"bytes"` // of the file, its log apart
	Free    int64          `json:"free_bytes"`
	Journal string         `json:"journal"`
	Check   string         `json:"check"`  // "ok", or how many faults SQLite finds
	Rows    map[string]int `json:"rows"`   // by table
	People  map[string]int `json:"people"` // open accounts by role
	Keys    map[string]int `json:"keys"`   // by kind
	Layers  map[string]int `json:"layers"` // by role
}

// Shape looks over the whole file.
func (s *Store) Shape(ctx context.Context) (Shape, error) {
	out := Shape{}
	var page, pages, free int64
	for query, to := range map[string]any{
		`SELECT user_version FROM pragma_user_version`:                                             &out.Format,
		`SELECT sqlite_version()`:                                                                  &out.SQLite,
		`SELECT page_size FROM pragma_page_size`:                                                   &page,
		`SELECT page_count FROM pragma_page_count`:                                                 &pages,
		`SELECT freelist_count FROM pragma_freelist_count`:                                         &free,
		`SELECT journal_mode FROM pragma_journal_mode`:                                             &out.Journal,
		`SELECT iif(min(quick_check) = 'ok', 'ok', count(*) || ' faults') FROM pragma_quick_check`: &out.Check,
	} {
		if err := s.read.QueryRowContext(ctx, query).Scan(to); err != nil {
			return out, explain("look over atlas", err)
		}
	}
	out.Bytes, out.Free = page*pages, page*free
	var err error
	for _, q := range []struct {
		query string
		to    *map[string]int
	}{
		{`SELECT name, 0 FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'`, &out.Rows},
		{`SELECT role.value, count(*) FROM people, json_each(people.roles) AS role WHERE closed_at IS NULL GROUP BY role.value`, &out.People},
		{`SELECT kind, count(*) FROM keys GROUP BY kind`, &out.Keys},
		{`SELECT role, count(*) FROM layers WHERE former_of IS NULL GROUP BY role`, &out.Layers},
	} {
		if *q.to, err = s.tally(ctx, q.query); err != nil {
			return out, explain("look over atlas", err)
		}
	}
	for table := range out.Rows {
		var n int
		if err := s.read.QueryRowContext(ctx, fmt.Sprintf(`SELECT count(*) FROM %q`, table)).Scan(&n); err != nil {
			return out, explain("look over atlas", err)
		}
		out.Rows[table] = n
	}
	return out, nil
}

// tally reads rows of a name and a count.
func (s *Store) tally(ctx context.Context, query string) (map[string]int, error) {
	rows, err := s.read.QueryContext(ctx, query)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	out := map[string]int{}
	for rows.Next() {
		var name string
		var n int
		if err := rows.Scan(&name, &n); err != nil {
			return nil, err
		}
		out[name] = n
	}
	return out, rows.Err()
}
