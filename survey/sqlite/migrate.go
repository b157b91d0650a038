package sqlite

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"path"

	"github.com/google/uuid"
)

//go:embed migration/*.sql
var migrations embed.FS

// steps lists the migrations in order: step i leads to user_version i+1.
func steps() []string {
	names, err := fs.Glob(migrations, "migration/*.sql") // sorted
	if err != nil {
		panic(err) // the pattern is a constant
	}
	return names
}

// filled are the steps that have more to do than SQL can.
var filled = map[string]func(context.Context, *tx) error{
	"0006_chain.sql": enchainAll,
	"0010_apart.sql": digestAll,
}

// logged is the first format that has a log.
const logged = 6

// tellUpgrade notes in the log that an atlas from before has a new format, and
// at the first such time which atlas it is.
func (t *tx) tellUpgrade(ctx context.Context, format int) error {
	if format < logged {
		return nil
	}
	var atlas, created string
	err := t.QueryRowContext(ctx, `SELECT atlas, created_at FROM meta`).Scan(&atlas, &created)
	if errors.Is(err, sql.ErrNoRows) {
		return nil // it is only being made
	} else if err != nil {
		return err
	}
	return t.tell(map[string]any{"format": format, "atlas": atlas, "created_at": created})
}

func schemaVersion() int { return len(steps()) }

// prepare brings the file up to date, each step in a transaction of its own,
// and gives a new atlas its identity and its first policy.
func (s *Store) prepare(ctx context.Context, o Options) error {
	self := Author{Who: "holdfast"}
	var version, born int
	err := patiently(ctx, func() error {
		return s.write.QueryRowContext(ctx, `SELECT user_version FROM pragma_user_version`).Scan(&version)
	})
	if err != nil {
		return err
	}
	if version == schemaVersion() {
		if err := s.write.QueryRowContext(ctx, `SELECT count(*) FROM meta`).Scan(&born); err != nil || born > 0 {
			return err // up to date: opening must not wait for a writer's turn
		}
	}
	for i, name := range steps() {
		text, err := migrations.ReadFile(name)
		if err != nil {
			return fmt.Errorf("read %s: %w", name, err)
		}
		err = s.change(ctx, "upgrade atlas", self, func(t *tx) error {
			var version int
			if err := t.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&version); err != nil {
				return err
			}
			if version > i {
				return nil // done, perhaps by another program this very moment
			}
			if _, err := t.ExecContext(ctx, string(text)); err != nil {
				return fmt.Errorf("apply %s: %w", name, err)
			}
			if fill, ok := filled[path.Base(name)]; ok {
				if err := fill(ctx, t); err != nil {
					return fmt.Errorf("fill in %s: %w", name, err)
				}
			}
			if _, err := t.ExecContext(ctx, fmt.Sprintf(`PRAGMA application_id = %d; PRAGMA user_version = %d`, applicationID, i+1)); err != nil {
				return err
			}
			return t.tellUpgrade(ctx, i+1)
		})
		if err != nil {
			return err
		}
	}
	return s.change(ctx, "create atlas", self, func(t *tx) error {
		id, err := uuid.NewV7()
		if err != nil {
			return err
		}
		res, err := t.ExecContext(ctx, `
			INSERT INTO meta (one, atlas, created_at)
			SELECT 1, ?, ? WHERE NOT EXISTS (SELECT 1 FROM meta)`, id.String(), t.stamp())
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return err
		}
		if err := t.tell(map[string]any{"atlas": id.String(), "created_at": t.stamp()}); err != nil || o.Policy.Version == "" {
			return err
		}
		return setPolicy(ctx, t, o.Policy)
	})
}

// ID returns the identity of the atlas, a UUID made when it was created.
func (s *Store) ID(ctx context.Context) (string, error) {
	var id string
	err := s.read.QueryRowContext(ctx, `SELECT atlas FROM meta`).Scan(&id)
	return id, explain("read atlas", err)
}
