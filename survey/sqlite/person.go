package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"holdfast/survey"
)

// HasPeople tells whether anybody has an account. Once somebody has, it stays
// so.
func (s *Store) HasPeople(ctx context.Context) (bool, error) {
	var yes bool
	err := s.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM people)`).Scan(&yes)
	return yes, explain("read people", err)
}

// AddFirstPerson makes the first account of an atlas. Of two that are made at
// once, one is refused: survey.ErrConflict.
func (s *Store) AddFirstPerson(ctx context.Context, p survey.Person, hash string, a Author) (survey.Person, error) {
	return s.addPerson(ctx, "make first account", p, hash, a, func(t *tx, id string) error {
		var people int
		if err := t.QueryRowContext(ctx, `SELECT count(*) FROM people`).Scan(&people); err != nil {
			return err
		}
		if people > 1 {
			return refuse(survey.ErrConflict, nil, "somebody has made the first account already: sign in with it")
		}
		_, err := t.ExecContext(ctx, `INSERT INTO first_person (one, person) VALUES (1, ?)`, id)
		return err
	})
}

// AddPerson makes an account. An empty hash is no password: such a person
// signs in by device links only.
func (s *Store) AddPerson(ctx context.Context, p survey.Person, hash string, a Author) (survey.Person, error) {
	return s.addPerson(ctx, "make account", p, hash, a, func(*tx, string) error { return nil })
}

func (s *Store) addPerson(ctx context.Context, verb string, p survey.Person, hash string, a Author, also func(*tx, string) error) (survey.Person, error) {
	if err := p.Validate(); err != nil {
		return p, err
	}
	roles, err := json.Marshal(p.Roles)
	if err != nil {
		return p, fmt.Errorf("write roles: %w", err)
	}
	if p.ID, err = newID(); err != nil {
		return p, err
	}
	return p, s.change(ctx, verb, a, func(t *tx) error {
		var taken int
		if err := t.QueryRowContext(ctx, `SELECT count(*) FROM people WHERE folded = ?`, fold(p.Name)).Scan(&taken); err != nil {
			return err
		}
		if taken > 0 {
			return refuse(survey.ErrConflict, nil, "%q has an account already", p.Name)
		}
		if _, err := t.ExecContext(ctx, `
			INSERT INTO people (
				id,
				name,
				folded,
				roles,
				contacts,
				password,
				made_at
			) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			p.ID,
			p.Name,
			fold(p.Name),
			string(roles),
			p.Contacts,
			sql.NullString{String: hash, Valid: hash != ""},
			t.stamp(),
		); err != nil {
			return err
		}
		if err := also(t, p.ID); err != nil {
			return err
		}
		if err := t.keepAdmin(ctx); err != nil {
			return err
		}
		return t.tell(personDetail(p))
	})
}

func personDetail(p survey.Person) map[string]any {
	return map[string]any{"person": p.Name, "roles": p.Roles, "contacts": p.Contacts, "closed": p.Closed.Known()}
}

// keepAdmin refuses a change after which nobody could keep accounts.
func (t *tx) keepAdmin(ctx context.Context) error {
	var left bool
	if err := t.QueryRowContext(ctx, `
		SELECT EXISTS (
			SELECT 1
			FROM people, json_each(people.roles) AS role
			WHERE closed_at IS NULL AND password IS NOT NULL AND role.value = ?)`, string(survey.Admin)).Scan(&left); err != nil {
		return err
	}
	if !left {
		return refuse(survey.ErrConflict, nil, "nobody would be left with the role admin and a password: give another person both first")
	}
	return nil
}

// ChangePerson gives a person other roles, opens or closes the account. With
// an account all its keys end.
func (s *Store) ChangePerson(ctx context.Context, p survey.Person, a Author) error {
	if err := p.Validate(); err != nil {
		return err
	}
	roles, err := json.Marshal(p.Roles)
	if err != nil {
		return fmt.Errorf("write roles: %w", err)
	}
	return s.change(ctx, "change account", a, func(t *tx) error {
		closed := sql.NullString{Valid: p.Closed.Known()}
		if at, ok := p.Closed.Get(); ok {
			closed.String = at.UTC().Format(timeFormat)
		}
		res, err := t.ExecContext(ctx, `
			UPDATE people SET
				roles     = ?,
				contacts  = ?,
				closed_at = ?
			WHERE id = ?`, string(roles), p.Contacts, closed, p.ID)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, survey.NotFound("person", p.ID))
		}
		if closed.Valid {
			if _, err := t.ExecContext(ctx, `DELETE FROM keys WHERE person = ?`, p.ID); err != nil {
				return err
			}
		}
		if err := t.keepAdmin(ctx); err != nil {
			return err
		}
		return t.tell(personDetail(p))
	})
}

// SetPassword stores the hash of a new password. Every session of the person
// ends but the one with the id keep.
func (s *Store) SetPassword(ctx context.Context, id, hash, keep string, a Author) error {
	return s.change(ctx, "set password", a, func(t *tx) error {
		var name string
		err := t.QueryRowContext(ctx, `UPDATE people SET password = ? WHERE id = ? RETURNING name`, hash, id).Scan(&name)
		if errors.Is(err, sql.ErrNoRows) {
			return survey.NotFound("person", id)
		} else if err != nil {
			return err
		}
		if _, err = t.ExecContext(ctx, `DELETE FROM keys WHERE person = ? AND kind = 'session' AND id <> ?`, id, keep); err != nil {
			return err
		}
		return t.tell(map[string]any{"person": name})
	})
}

const personColumns = `people.id, people.name, people.roles, people.contacts, people.closed_at, coalesce(people.password, '')`

func scanPerson(scan func(...any) error, also ...any) (p survey.Person, hash string, err error) {
	var roles []byte
	var closed sql.NullString
	if err := scan(append([]any{&p.ID, &p.Name, &roles, &p.Contacts, &closed, &hash}, also...)...); err != nil {
		return p, "", err
	}
	if err := json.Unmarshal(roles, &p.Roles); err != nil {
		return p, "", fmt.Errorf("read roles: %w", err)
	}
	p.Closed, err = opened(closed)
	return p, hash, err
}

// People lists everybody with an account, by name.
func (s *Store) People(ctx context.Context) ([]survey.Person, error) {
	rows, err := s.read.QueryContext(ctx, `SELECT `+personColumns+` FROM people ORDER BY folded`)
	if err != nil {
		return nil, explain("read people", err)
	}
	defer rows.Close()
	var out []survey.Person
	for rows.Next() {
		p, _, err := scanPerson(rows.Scan)
		if err != nil {
			return nil, explain("read people", err)
		}
		out = append(out, p)
	}
	return out, explain("read people", rows.Err())
}

// Person returns a person by id or name, in any letter case, with the hash of
// the password, "" for none.
func (s *Store) Person(ctx context.Context, idOrName string) (p survey.Person, hash string, err error) {
	p, hash, err = scanPerson(s.read.QueryRowContext(ctx, `
		SELECT `+personColumns+` FROM people WHERE id = ?1 OR folded = ?2 ORDER BY id = ?1 DESC LIMIT 1`, idOrName, fold(idOrName)).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return p, "", survey.NotFound("person", idOrName)
	}
	return p, hash, explain("read person", err)
}

// Rehash stores another hash of the password that a person has.
func (s *Store) Rehash(ctx context.Context, id, hash string) error {
	return s.change(ctx, "hash password anew", Author{Who: "holdfast"}, func(t *tx) error {
		_, err := t.ExecContext(ctx, `UPDATE people SET password = ? WHERE id = ?`, hash, id)
		return err
	})
}
