package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"holdfast/survey"
)

// opened reads a time column that may be NULL.
func opened(text sql.NullString) (survey.Opt[time.Time], error) {
	if !text.Valid {
		return survey.Opt[time.Time]{}, nil
	}
	var m moment
	err := m.Scan(text.String)
	return survey.Known(m.Time), err
}

// keyVerbs are what making a key is called in the log.
var keyVerbs = map[survey.KeyKind]string{
	survey.Session: "sign in", survey.Token: "make token", survey.Link: "make device link", survey.Station: "make station link", survey.Device: "sign in device",
}

// AddKey stores a key under the digest of what proves it, and returns it with
// its id. Keys that have run out are cleared away.
func (s *Store) AddKey(ctx context.Context, k survey.Key, digest []byte, a Author) (survey.Key, error) {
	err := s.change(ctx, keyVerbs[k.Kind], a, func(t *tx) error {
		var err error
		if k, err = t.addKey(ctx, k, digest); err != nil {
			return err
		}
		return t.tellKey(ctx, k)
	})
	return k, err
}

func (t *tx) addKey(ctx context.Context, k survey.Key, digest []byte) (survey.Key, error) {
	var err error
	if k.ID, err = newID(); err != nil {
		return k, err
	}
	k.MadeAt = t.now
	if _, err := t.ExecContext(ctx, `DELETE FROM keys WHERE expires_at <= ?`, t.stamp()); err != nil {
		return k, err
	}
	_, err = t.ExecContext(ctx, `
		INSERT INTO keys (
			id,
			digest,
			kind,
			person,
			name,
			role,
			read_only,
			days,
			made_at,
			expires_at
		) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		k.ID,
		digest,
		string(k.Kind),
		k.Person,
		k.Name,
		string(k.Role),
		k.ReadOnly,
		k.Days,
		t.stamp(),
		k.Expires.UTC().Format(timeFormat),
	)
	return k, err
}

// tellKey notes in the log what was done with a key.
func (t *tx) tellKey(ctx context.Context, k survey.Key) error {
	var person string
	if err := t.QueryRowContext(ctx, `SELECT name FROM people WHERE id = ?`, k.Person).Scan(&person); err != nil {
		return err
	}
	d := map[string]any{"kind": k.Kind, "name": k.Name, "person": person}
	if k.Role != "" {
		d["role"] = k.Role
	}
	return t.tell(d)
}

const keyColumns = `keys.id, keys.kind, keys.person, keys.name, keys.role, keys.read_only, keys.days, keys.made_at, keys.used_at, keys.expires_at`

// keyRow is where a row of keyColumns is read into.
type keyRow struct {
	key           survey.Key
	made, expires moment
	used          sql.NullString
}

func (r *keyRow) targets() []any {
	k := &r.key
	return []any{&k.ID, &k.Kind, &k.Person, &k.Name, &k.Role, &k.ReadOnly, &k.Days, &r.made, &r.used, &r.expires}
}

func (r *keyRow) read() (survey.Key, error) {
	var err error
	r.key.MadeAt, r.key.Expires = r.made.Time, r.expires.Time
	r.key.UsedAt, err = opened(r.used)
	return r.key, err
}

// usedEvery is how exactly it is known when a key was used last. Knowing it
// better would make a write of every read.
const usedEvery = 5 * time.Minute

// usedWait is how long noting the use of a key may wait for other writers.
const usedWait = 200 * time.Millisecond

// Key returns the key with a digest and whose it is, and notes that it was
// used; survey.ErrNotFound when there is none or it has run out.
func (s *Store) Key(ctx context.Context, digest []byte) (survey.Key, survey.Person, error) {
	var r keyRow
	p, _, err := scanPerson(s.read.QueryRowContext(ctx, `
		SELECT `+personColumns+`, `+keyColumns+`
		FROM keys JOIN people ON people.id = keys.person
		WHERE keys.digest = ?`, digest).Scan, r.targets()...)
	if errors.Is(err, sql.ErrNoRows) {
		return survey.Key{}, p, survey.NotFound("key", "like this")
	}
	k, err := r.read()
	if err != nil {
		return k, p, explain("read key", err)
	}
	now := s.now().UTC()
	if !k.Live(now) {
		return survey.Key{}, survey.Person{}, survey.NotFound("key", "like this")
	}
	if used, known := k.UsedAt.Get(); s.write != nil && (!known || now.Sub(used) >= usedEvery) {
		s.touch(ctx, k.ID, now)
	}
	return k, p, nil
}

// touch notes the use of a key. While others write for long it is let be: the
// next use will tell.
func (s *Store) touch(ctx context.Context, id string, now time.Time) {
	ctx, cancel := context.WithTimeout(ctx, usedWait)
	defer cancel()
	_, err := s.write.ExecContext(ctx, `UPDATE keys SET used_at = ? WHERE id = ?`, now.Format(timeFormat), id)
	s.disk(true, explain("note the use of a key", err))
}

// TradeLink uses a link up and stores the key of the device that it makes. A
// link can be traded once: survey.ErrNotFound after that.
func (s *Store) TradeLink(ctx context.Context, link, device []byte, a Author) (survey.Key, error) {
	var k survey.Key
	err := s.change(ctx, "use device link", a, func(t *tx) error {
		var r keyRow
		err := t.QueryRowContext(ctx, `DELETE FROM keys WHERE digest = ? AND kind = 'link' RETURNING `+keyColumns, link).Scan(r.targets()...)
		if errors.Is(err, sql.ErrNoRows) {
			return survey.NotFound("link", "like this")
		} else if err != nil {
			return err
		}
		if k, err = r.read(); err != nil {
			return err
		}
		if !k.Live(t.now) {
			return survey.NotFound("link", "like this")
		}
		k.Kind, k.Expires, k.Days = survey.Device, t.now.AddDate(0, 0, k.Days), 0
		if k, err = t.addKey(ctx, k, device); err != nil {
			return err
		}
		return t.tellKey(ctx, k)
	})
	return k, err
}

// Keys lists the keys of a person that have not run out, newest first; those
// of everybody when the id is "".
func (s *Store) Keys(ctx context.Context, person string) ([]survey.Key, error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT `+keyColumns+`
		FROM keys
		WHERE ?1 IN ('', person)
		ORDER BY made_at DESC, id DESC`, person)
	if err != nil {
		return nil, explain("read keys", err)
	}
	defer rows.Close()
	var out []survey.Key
	for rows.Next() {
		var r keyRow
		if err := rows.Scan(r.targets()...); err != nil {
			return nil, explain("read keys", err)
		}
		k, err := r.read()
		if err != nil {
			return nil, explain("read keys", err)
		}
		if k.Live(s.now()) {
			out = append(out, k)
		}
	}
	return out, explain("read keys", rows.Err())
}

// RemoveKey ends a key of a person; of anybody when person is "".
func (s *Store) RemoveKey(ctx context.Context, id, person string, a Author) error {
	return s.change(ctx, "end key", a, func(t *tx) error {
		var r keyRow
		err := t.QueryRowContext(ctx, `DELETE FROM keys WHERE id = ?1 AND ?2 IN ('', person) RETURNING `+keyColumns, id, person).Scan(r.targets()...)
		if errors.Is(err, sql.ErrNoRows) {
			return survey.NotFound("key", id)
		} else if err != nil {
			return err
		}
		return t.tellKey(ctx, r.key)
	})
}

// RemoveKeys ends every key of a person: signed out everywhere.
func (s *Store) RemoveKeys(ctx context.Context, person string, a Author) error {
	return s.change(ctx, "sign out everywhere", a, func(t *tx) error {
		var name string
		err := t.QueryRowContext(ctx, `SELECT name FROM people WHERE id = ?`, person).Scan(&name)
		if errors.Is(err, sql.ErrNoRows) {
			return survey.NotFound("person", person)
		} else if err != nil {
			return err
		}
		res, err := t.ExecContext(ctx, `DELETE FROM keys WHERE person = ?`, person)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		return errors.Join(err, t.tell(map[string]any{"person": name, "keys": n}))
	})
}

// ReadOnly tells whether the atlas was opened without ever being written.
func (s *Store) ReadOnly() bool { return s.write == nil }
