package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"

	"holdfast/survey"
)

// SetPolicy puts a policy in force. Earlier ones stay readable, so a version
// once used cannot be used again for another document: survey.ErrConflict.
// Setting the policy that is in force already changes nothing.
func (s *Store) SetPolicy(ctx context.Context, p survey.Policy, a Author) error {
	if err := p.Validate(); err != nil {
		return err
	}
	return s.change(ctx, "save policy", a, func(t *tx) error {
		return setPolicy(ctx, t, p)
	})
}

// ReplacePolicy is SetPolicy when the policy in force is still that of the
// revision was; otherwise it changes nothing: survey.ErrStale.
func (s *Store) ReplacePolicy(ctx context.Context, p survey.Policy, a Author, was int64) error {
	if err := p.Validate(); err != nil {
		return err
	}
	return s.change(ctx, "save policy", a, func(t *tx) error {
		var is int64
		if err := t.QueryRowContext(ctx, `SELECT coalesce(max(revision), 0) FROM policies`).Scan(&is); err != nil {
			return err
		}
		if is != was {
			return refuse(survey.ErrStale, nil, "another policy was put in force meanwhile")
		}
		return setPolicy(ctx, t, p)
	})
}

func setPolicy(ctx context.Context, t *tx, p survey.Policy) error {
	body, err := json.Marshal(p)
	if err != nil {
		return fmt.Errorf("write policy: %w", err)
	}
	var version string
	var before []byte
	verb := Replace
	err = t.QueryRowContext(ctx, `SELECT version, body FROM policies WHERE revision = (SELECT revision FROM policy_in_force)`).Scan(&version, &before)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		verb = Create
	case err != nil:
		return err
	case version == p.Version && string(before) == string(body):
		return nil
	}
	var used int
	if err := t.QueryRowContext(ctx, `SELECT count(*) FROM policies WHERE version = ?`, p.Version).Scan(&used); err != nil {
		return err
	}
	if used > 0 {
		return refuse(survey.ErrConflict, nil, "version %q of the policy is already on record: give the changed policy a new version", p.Version)
	}
	number, err := t.record(ctx, Policies, policyID, verb, before, body)
	if err != nil {
		return err
	}
	if err := t.keepPolicy(ctx, number, p.Version, body, t.stamp(), t.author.Who); err != nil {
		return err
	}
	return t.enforce(ctx, number)
}

// policyID is what the policy is called in the history.
const policyID = "policy"

// keepPolicy puts a policy on record.
func (t *tx) keepPolicy(ctx context.Context, number int64, version string, body []byte, at, who string) error {
	_, err := t.ExecContext(ctx, `
		INSERT INTO policies (
			revision,
			version,
			body,
			set_at,
			set_by
		) VALUES (?, ?, ?, ?, ?)`, number, version, string(body), at, who)
	return err
}

// enforce puts a policy that is on record in force.
func (t *tx) enforce(ctx context.Context, number int64) error {
	_, err := t.ExecContext(ctx, `
		INSERT INTO policy_in_force (one, revision) VALUES (1, ?)
		ON CONFLICT (one) DO UPDATE SET revision = excluded.revision`, number)
	return err
}

// Policy returns the policy in force; survey.ErrNotFound when none was set.
func (s *Store) Policy(ctx context.Context) (survey.Policy, error) {
	row, err := s.PolicyInForce(ctx)
	return row.Item, err
}

// PolicyInForce is Policy with its revision. What it returns is kept and given
// to the next who asks, as long as that revision is in force: it must not be
// changed.
func (s *Store) PolicyInForce(ctx context.Context) (Row[survey.Policy], error) {
	var revision int64
	err := s.read.QueryRowContext(ctx, `SELECT revision FROM policy_in_force`).Scan(&revision)
	if kept := s.policy.Load(); err == nil && kept != nil && kept.Revision == revision {
		return *kept, nil
	}
	var row Row[survey.Policy]
	if err == nil {
		row, err = one(s.read.QueryRowContext(ctx, `SELECT body, revision, set_at, set_by FROM policies WHERE revision = ?`, revision), readPolicy)
	}
	if errors.Is(err, sql.ErrNoRows) {
		return row, refuse(survey.ErrNotFound, nil, "no policy has been set in this atlas")
	}
	if err == nil {
		s.policy.Store(&row)
	}
	return row, explain("read policy", err)
}

// Policies returns every policy on record: the one in force, then the others,
// newest first.
func (s *Store) Policies(ctx context.Context) ([]Row[survey.Policy], error) {
	rows, err := s.read.QueryContext(ctx, `
		SELECT
			body,
			revision,
			set_at,
			set_by
		FROM policies
		ORDER BY revision = (SELECT revision FROM policy_in_force) DESC, revision DESC`)
	out, err := all(rows, err, readPolicy)
	return out, explain("list policies", err)
}

func readPolicy(body []byte) (survey.Policy, error) {
	var p survey.Policy
	return p, json.Unmarshal(body, &p)
}
