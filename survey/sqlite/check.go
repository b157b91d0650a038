package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"holdfast/survey"
)

// Finding is one thing wrong with an atlas.
type Finding struct {
	Where string `json:"where"` // which part of the atlas
	What  string `json:"what"`
	Do    string `json:"do"`
}

// Report is what a check of an atlas found. It is sound when Findings is
// empty. Entry and Hash, written down elsewhere, tell later whether the log up to
// there is still the same one.
type Report struct {
	Atlas     string    `json:"atlas"`
	Sites     int       `json:"sites"`
	Points    int       `json:"points"`
	Layers    int       `json:"layers"`
	Revisions int       `json:"revisions"`
	Entries   int       `json:"log_entries"`
	Entry     int64     `json:"last_log_entry"`
	Hash      Hash      `json:"hash"` // of the last entry of the log, which stands for all before it
	Findings  []Finding `json:"findings"`
	More      int       `json:"more_findings,omitempty"` // beyond those listed
}

// mostFindings bounds what is listed: a torn file has no end of them.
const mostFindings = 100

const (
	restoreBackup = "restore the last backup that holdfast check finds sound"
	keepForLook   = "restore the last sound backup, and keep this file aside: someone changed it by other means than holdfast"
	mendByRestore = "restore a backup, or put the item back from its history"
)

func (r *Report) add(where, do, format string, args ...any) {
	if len(r.Findings) >= mostFindings {
		r.More++
		return
	}
	r.Findings = append(r.Findings, Finding{Where: where, What: fmt.Sprintf(format, args...), Do: do})
}

// Check reads all of an atlas and says what is wrong with it: pages, rows,
// items against their history, the history against its hashes, the log, the
// layers against their digests. Nothing is changed. It works beside a server
// that writes, and sees one moment. Each is called with the step begun. The
// error is for what kept it from looking; an atlas too damaged to be opened is
// a finding.
func Check(ctx context.Context, path string, each func(step string)) (Report, error) {
	r := Report{Findings: []Finding{}}
	if each == nil {
		each = func(string) {}
	}
	each("opening")
	s, err := Open(ctx, path, Options{ReadOnly: true})
	if errors.Is(err, survey.ErrNotFound) || errors.Is(err, survey.ErrReadOnly) || ctx.Err() != nil {
		return r, err
	} else if err != nil {
		r.add("file", restoreBackup, "%s", err)
		return r, nil
	}
	defer s.Close()
	t, err := s.read.BeginTx(ctx, nil)
	if err != nil {
		r.add("file", restoreBackup, "%s", explain("read", err))
		return r, nil
	}
	defer t.Rollback() //nolint:errcheck // it only read
	if err := whole(abs(path)); err != nil {
		r.add("file", restoreBackup, "%s", err)
	}
	c := checking{Tx: t, Report: &r}
	for _, step := range []struct {
		name string
		do   func(context.Context) error
	}{
		{"pages", c.pages},
		{"structure", c.schema},
		{"history", c.history},
		{"log", c.log},
		{"sites", c.sites},
		{"points", c.points},
		{"policies", c.policies},
		{"layers", c.layers},
		{"photos", c.photos},
		{"conflicts", c.apart},
	} {
		each(step.name)
		err := step.do(ctx)
		if ctx.Err() != nil {
			return r, ctx.Err()
		}
		if err != nil { // a page that cannot be read ends a step, not the check
			r.add(step.name, restoreBackup, "cannot be read to the end: %s", err)
		}
	}
	return r, nil
}

func abs(path string) string {
	if a, err := filepath.Abs(path); err == nil {
		return a
	}
	return path
}

// whole compares the length of the file with what its header says, where no
// log beside it may hold the rest.
func whole(path string) error {
	if log, err := os.Stat(path + "-wal"); err == nil && log.Size() > 0 {
		return nil
	}
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if info.Size()%512 != 0 {
		return fmt.Errorf("the file is cut off: its length, %d bytes, is no whole number of pages", info.Size())
	}
	return nil
}

// checking is a check under way.
type checking struct {
	*sql.Tx
	*Report
	links map[int64]Hash // of revisions by their numbers
}

// pages has SQLite look over its own structures: pages, indexes, constraints.
func (c *checking) pages(ctx context.Context) error {
	err := eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var says string
		if err := rows.Scan(&says); err != nil {
			return err
		}
		if says != "ok" {
			c.add("pages", restoreBackup, "%s", says)
		}
		return nil
	}, fmt.Sprintf(`PRAGMA integrity_check(%d)`, mostFindings))
	if err != nil {
		return err
	}
	return eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var table, parent string
		var row sql.NullInt64
		var key int
		if err := rows.Scan(&table, &row, &parent, &key); err != nil {
			return err
		}
		c.add("rows", restoreBackup, "row %d of %s names a row of %s that is not there", row.Int64, table, parent)
		return nil
	}, `PRAGMA foreign_key_check`)
}

// schema compares tables, rules and triggers with those that this program
// makes, since a trigger that is gone guards nothing.
func (c *checking) schema(ctx context.Context) error {
	want, err := freshSchema(ctx)
	if err != nil {
		return err
	}
	have, err := readSchema(ctx, c.Tx)
	if err != nil {
		return err
	}
	for name, text := range want {
		switch got, ok := have[name]; {
		case !ok:
			c.add("structure", keepForLook, "%s is missing", name)
		case got != text:
			c.add("structure", keepForLook, "%s is not as the program makes it", name)
		}
	}
	for name := range have {
		if _, ok := want[name]; !ok {
			c.add("structure", keepForLook, "%s is not of this program", name)
		}
	}
	return nil
}

func readSchema(ctx context.Context, q querier) (map[string]string, error) {
	out := map[string]string{}
	return out, eachRow(ctx, q, func(rows *sql.Rows) error {
		var kind, name, text string
		err := rows.Scan(&kind, &name, &text)
		out[kind+" "+name] = text
		return err
	}, `SELECT type, name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite_stat%'`)
}

// freshSchema is the structure of an atlas made by this program.
func freshSchema(ctx context.Context) (map[string]string, error) {
	db, err := sql.Open("sqlite3", ":memory:")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1) // a second one would have a memory of its own
	for _, name := range steps() {
		text, err := migrations.ReadFile(name)
		if err != nil {
			return nil, fmt.Errorf("read %s: %w", name, err)
		}
		if _, err := db.ExecContext(ctx, string(text)); err != nil {
			return nil, fmt.Errorf("apply %s: %w", name, err)
		}
	}
	return readSchema(ctx, db)
}

// policies holds policies against their revisions.
func (c *checking) policies(ctx context.Context) error {
	err := eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var number int64
		var version, body string
		var after *string
		if err := rows.Scan(&number, &version, &body, &after); err != nil {
			return err
		}
		p, err := readPolicy([]byte(body))
		switch where := "policy " + version; {
		case err != nil:
			c.add(where, restoreBackup, "cannot be read: %s", err)
		case after == nil || *after != body || p.Version != version:
			c.add(where, restoreBackup, "is not what revision %d says", number)
		}
		return nil
	}, `
		SELECT
			p.revision,
			p.version,
			p.body,
			(SELECT after FROM revisions WHERE number = p.revision AND collection = 'policies')
		FROM policies AS p
		ORDER BY p.revision`)
	if err != nil {
		return err
	}
	var lost int
	err = c.QueryRowContext(ctx, `
		SELECT count(*)
		FROM revisions
		WHERE collection = 'policies' AND number NOT IN (SELECT revision FROM policies)`).Scan(&lost)
	if lost > 0 {
		c.add("policies", restoreBackup, "%d in the history are not on record", lost)
	}
	if err != nil {
		return err
	}
	history, err := c.versions(ctx, Policies, policyID)
	if err != nil || len(history) == 0 {
		return err
	}
	joined, err := join(Policies, history)
	if err != nil {
		return err
	}
	var body []byte
	err = c.QueryRowContext(ctx, `SELECT body FROM policies WHERE revision = (SELECT revision FROM policy_in_force)`).Scan(&body)
	if errors.Is(err, sql.ErrNoRows) || err == nil && !bytes.Equal(body, joined.Doc) {
		c.add("policies", restoreBackup, "the policy in force is not the one that the history says")
		return nil
	}
	return err
}

func (c *checking) versions(ctx context.Context, collection, id string) ([]chained, error) {
	return (&tx{Tx: c.Tx}).versions(ctx, collection, id)
}

// layers holds layers against their revisions and what they hold against
// their digests.
func (c *checking) layers(ctx context.Context) error {
	type row struct {
		n, revision int64
		id, role    string
		body        []byte
	}
	var list []row
	err := eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var r row
		err := rows.Scan(&r.n, &r.revision, &r.id, &r.role, &r.body)
		list = append(list, r)
		return err
	}, `SELECT n, revision, coalesce(former_of, id), role, body FROM layers ORDER BY n`)
	if err != nil {
		return err
	}
	for _, r := range list {
		c.Layers++
		where := "layer " + r.id
		var l survey.Layer
		if err := json.Unmarshal(r.body, &l); err != nil {
			c.add(where, restoreBackup, "its description cannot be read: %s", err)
			continue
		}
		var after []byte
		err := c.QueryRowContext(ctx, `SELECT after FROM revisions WHERE number = ? AND collection = ? AND id = ?`, r.revision, Layers, r.id).Scan(&after)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		if !bytes.Equal(after, r.body) || string(l.Role) != r.role || l.ID != r.id {
			c.add(where, restoreBackup, "its description is not what revision %d says", r.revision)
		}
		if err := c.layerContents(ctx, where, r.n, l); err != nil {
			return err
		}
	}
	return nil
}

func (c *checking) layerContents(ctx context.Context, where string, n int64, l survey.Layer) error {
	again := "import the file of the layer again, or restore a backup"
	if l.SHA256 != "" {
		digest, err := digestLayer(ctx, c.Tx, n)
		if err != nil {
			return err
		}
		if digest != l.SHA256 {
			c.add(where, again, "what it holds is not what was loaded")
		}
	}
	var held, boxes, wrong int
	err := c.QueryRowContext(ctx, `
		SELECT
			count(*),
			count(b.n),
			count(*) FILTER (WHERE b.n IS NOT NULL AND NOT (b.west <= f.west AND b.east >= f.east AND b.south <= f.south AND b.north >= f.north))
		FROM layer_features AS f
		LEFT JOIN layer_features_box AS b ON b.n = f.n
		WHERE f.layer = ?`, n).Scan(&held, &boxes, &wrong)
	if err != nil {
		return err
	}
	if held != l.Features {
		c.add(where, again, "it holds %d features, and should hold %d", held, l.Features)
	}
	var former bool
	if err := c.QueryRowContext(ctx, `SELECT former_of IS NOT NULL FROM layers WHERE n = ?`, n).Scan(&former); err != nil {
		return err
	}
	if wrong > 0 || !former && boxes != held {
		c.add(where, again, "%d of its features are not found where they lie", wrong+held-boxes)
	}
	return eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var f rawFeature
		var west, south, east, north float64
		if err := rows.Scan(&f.number, &f.shape, &f.heights, &f.properties, &west, &south, &east, &north); err != nil {
			return err
		}
		one, err := f.feature(l)
		if err != nil {
			c.add(where, again, "feature %d cannot be read: %s", f.number, err)
			return nil
		}
		b, err := featureBound(one)
		if err != nil || b.Min[0] != west || b.Min[1] != south || b.Max[0] != east || b.Max[1] != north {
			c.add(where, again, "feature %d does not lie where it is looked for", f.number)
		}
		return nil
	}, `
		SELECT
			number,
			geometry,
			heights,
			properties,
			west,
			south,
			east,
			north
		FROM layer_features
		WHERE layer = ?
		ORDER BY number`, n)
}
