package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"holdfast/survey/version"
)

// history recomputes the hash of every revision, its link and what it says it
// was made on.
func (c *checking) history(ctx context.Context) error {
	c.links = map[int64]Hash{0: {}}
	items := map[Hash]string{} // by hash: which item a revision is of
	var link Hash
	err := eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var r chained
		var parents []byte
		if err := r.scan(rows, &r.Settles, &r.hash, &parents, &r.link); err != nil {
			return err
		}
		c.Revisions++
		r.parents = splitHashes(parents)
		where := fmt.Sprintf("revision %d (%s %s)", r.Number, r.Collection, r.ID)
		if hashRevision(r.Revision, r.At.Format(timeFormat), r.parents) != r.hash {
			c.add(where, keepForLook, "is not what was written: its hash differs")
		}
		if link = linkAfter(link, r.hash); link != r.link {
			c.add(where, keepForLook, "does not follow from the revision before it")
			link = r.link // the next is held to what is here
		}
		c.links[r.Number] = r.link
		item := r.Collection + "\x00" + r.ID
		for _, p := range r.parents {
			if items[p] != item {
				c.add(where, keepForLook, "was made on a revision that is not there")
			}
		}
		items[r.hash] = item
		return nil
	}, selectChained+` ORDER BY revisions.number`)
	if err != nil {
		return err
	}
	var unchained int
	err = c.QueryRowContext(ctx, `SELECT count(*) FROM revisions WHERE number NOT IN (SELECT number FROM chain)`).Scan(&unchained)
	if unchained > 0 {
		c.add("history", keepForLook, "%d revisions are not in the chain", unchained)
	}
	if err != nil {
		return err
	}
	return c.befores(ctx)
}

// befores holds what revisions say was there before to the revisions before.
func (c *checking) befores(ctx context.Context) error {
	return eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var number int64
		if err := rows.Scan(&number); err != nil {
			return err
		}
		c.add(fmt.Sprintf("revision %d", number), keepForLook, "does not say what was there before it")
		return nil
	}, `
		SELECT r.number
		FROM revisions AS r
		JOIN chain AS c ON c.number = r.number
		LEFT JOIN chain AS p ON p.hash = c.parents
		LEFT JOIN revisions AS b ON b.number = p.number
		WHERE length(c.parents) <= 32 AND r.before IS NOT b.after
		ORDER BY r.number`)
}

// log recomputes the hash of every entry of the log.
func (c *checking) log(ctx context.Context) error {
	var before Hash
	var atlas, created string
	err := c.QueryRowContext(ctx, `SELECT atlas, created_at FROM meta`).Scan(&atlas, &created)
	if errors.Is(err, sql.ErrNoRows) {
		c.add("file", restoreBackup, "does not say which atlas it is")
	} else if err != nil {
		return err
	}
	c.Atlas = atlas
	named, left := false, pruned{}
	err = eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var e Entry
		var at, detail string
		if err := rows.Scan(&e.Number, &at, &e.Who, &e.Device, &e.Event, &detail, &e.Revision, &e.Hash); err != nil {
			return err
		}
		c.Entries++
		e.Detail = []byte(detail)
		where := fmt.Sprintf("log entry %d", e.Number)
		if e.Number != int64(c.Entries) {
			c.add(where, keepForLook, "entry %d is missing before it", c.Entries)
			c.Entries = int(e.Number)
		}
		if by := left.by(e); by != 0 {
			left.add(by, e, at)
		} else if link, ok := c.links[e.Revision]; !ok || hashEntry(e, at, before, link) != e.Hash {
			c.add(where, keepForLook, "is not what was written, or the history before it is not")
		} else if !left.says(e) {
			c.add(where, keepForLook, "does not say right what is left of the entries that it pruned")
		}
		named = named || strings.Contains(detail, `"`+atlas+`"`) && strings.Contains(detail, `"`+created+`"`)
		before, c.Entry, c.Hash = e.Hash, e.Number, e.Hash
		return nil
	}, `
		SELECT
			number,
			at,
			who,
			device,
			event,
			detail,
			revision,
			hash
		FROM audit
		ORDER BY number`)
	if err != nil {
		return err
	}
	for by := range left {
		c.add("log", keepForLook, "entries are said to be pruned by entry %d, which does not say so", by)
	}
	if !named {
		c.add("log", keepForLook, "does not say that this atlas was made or brought up to date")
	}
	var last int64
	for number := range c.links {
		last = max(last, number)
	}
	var covered int64
	if err := c.QueryRowContext(ctx, `SELECT coalesce(max(revision), 0) FROM audit`).Scan(&covered); err != nil {
		return err
	}
	if covered < last {
		c.add("log", keepForLook, "revisions after %d have no entry", covered)
	}
	return nil
}

func (c *checking) sites(ctx context.Context) error {
	return c.items(ctx, siteKind, "code", &c.Sites)
}

func (c *checking) points(ctx context.Context) error {
	return c.items(ctx, pointKind, "site", &c.Points)
}

// kept is the row of an item.
type kept struct {
	n, revision    int64
	id, key, words string
	box            [4]float64 // west, south, east, north
	body           []byte
	at, who        string
	deleted        bool
	boxed          [4]sql.NullFloat64
}

// items holds every row of sites or points to what the history makes of it.
func (c *checking) items(ctx context.Context, k kind, key string, count *int) error {
	var apart []kept
	err := eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var r kept
		var last sql.NullInt64
		var forked bool
		var before, after *string
		var at, who sql.NullString
		err := rows.Scan(&r.n, &r.revision, &r.id, &r.key, &r.words, &r.box[0], &r.box[1], &r.box[2], &r.box[3], &r.body, &r.at, &r.who, &r.deleted,
			&r.boxed[0], &r.boxed[1], &r.boxed[2], &r.boxed[3], &last, &before, &after, &at, &who, &forked)
		if err != nil {
			return err
		}
		if !r.deleted {
			*count++
		}
		switch {
		case last.Int64 != r.revision:
			c.add(k.noun+" "+r.id, mendByRestore, "stands at revision %d, and its last is %d", r.revision, last.Int64)
		case forked:
			apart = append(apart, r)
		default:
			c.item(k, r, before, after, at.String, who.String)
		}
		return nil
	}, strings.NewReplacer("{table}", k.table, "{key}", key).Replace(`
		SELECT
			t.n,
			t.revision,
			t.id,
			t.{key},
			t.words,
			t.west,
			t.south,
			t.east,
			t.north,
			t.body,
			t.updated_at,
			t.updated_by,
			t.deleted,
			b.west,
			b.south,
			b.east,
			b.north,
			(SELECT max(number) FROM revisions WHERE collection = '{table}' AND id = t.id),
			r.before,
			r.after,
			r.at,
			r.who,
			EXISTS (SELECT 1 FROM forks WHERE collection = '{table}' AND id = t.id)
		FROM {table} AS t
		LEFT JOIN {table}_box AS b ON b.n = t.n
		LEFT JOIN revisions AS r ON r.number = t.revision
		ORDER BY t.n`))
	if err != nil {
		return err
	}
	for _, r := range apart {
		history, err := c.versions(ctx, k.table, r.id)
		if err != nil {
			return err
		}
		joined, err := join(k.table, history)
		if err != nil {
			return err
		}
		by := history[slices.IndexFunc(history, func(h chained) bool { return h.hash.String() == joined.Newest[0] })]
		c.item(k, r, textOf(by.Before), textOf(joined.Doc), by.At.Format(timeFormat), by.Who)
	}
	return c.unrowed(ctx, k)
}

func textOf(doc []byte) *string {
	if doc == nil {
		return nil
	}
	text := string(doc)
	return &text
}

// item holds one row to its version; nil when it is taken out, and then it
// keeps what was there before.
func (c *checking) item(k kind, r kept, before, doc *string, at, who string) {
	where := k.noun + " " + r.id
	want := doc
	if r.deleted {
		want = before
	}
	if r.deleted != (doc == nil) || want == nil || *want != string(r.body) {
		c.add(where, mendByRestore, "is not what its history says")
		return
	}
	it, err := itemOf(k.table, r.body, false)
	if err != nil {
		c.add(where, mendByRestore, "cannot be read: %s", err)
		return
	}
	b := it.bound
	if it.id != r.id || it.key != r.key || it.words != r.words || r.box != [4]float64{b.Min[0], b.Min[1], b.Max[0], b.Max[1]} {
		c.add(where, mendByRestore, "is filed under what it is not: its place, name or site in the lists differs from the item")
	}
	if r.at != at || r.who != who {
		c.add(where, mendByRestore, "does not say right who changed it last, and when")
	}
	if r.deleted {
		if r.boxed[0].Valid {
			c.add(where, mendByRestore, "was taken out and is still found by its place")
		}
		return
	}
	// A box is kept in 32 bits, rounded outwards.
	for i, v := range r.box {
		f := r.boxed[i]
		out := f.Float64 - v // positive: east or north of it
		if i < 2 {
			out = -out
		}
		if !f.Valid || out < 0 || out > 1e-4 || math.IsNaN(out) {
			c.add(where, mendByRestore, "is not found where it lies")
			return
		}
	}
}

// unrowed looks for items that the history has and the lists have not.
func (c *checking) unrowed(ctx context.Context, k kind) error {
	err := eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var id string
		if err := rows.Scan(&id); err != nil {
			return err
		}
		c.add(k.noun+" "+id, mendByRestore, "is in the history and not in the atlas")
		return nil
	}, `SELECT DISTINCT id FROM revisions WHERE collection = ? AND id NOT IN (SELECT id FROM `+k.table+`)`, k.table)
	if err != nil {
		return err
	}
	var stray int
	err = c.QueryRowContext(ctx, `SELECT count(*) FROM `+k.table+`_box WHERE n NOT IN (SELECT n FROM `+k.table+`)`).Scan(&stray)
	if stray > 0 {
		c.add(k.table, mendByRestore, "%d places are of nothing", stray)
	}
	return err
}

// apart holds what is noted of versions made apart to the history.
func (c *checking) apart(ctx context.Context) error {
	type item struct{ collection, id string }
	noted := map[item]bool{}
	err := eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var i item
		err := rows.Scan(&i.collection, &i.id)
		noted[i] = true
		return err
	}, `
		SELECT collection, id FROM forks
		UNION
		SELECT collection, id FROM conflicts
		UNION
		SELECT r.collection, r.id
		FROM revisions AS r
		JOIN chain AS c ON c.number = r.number
		WHERE length(c.parents) > 32`)
	if err != nil {
		return err
	}
	for i := range noted {
		history, err := c.versions(ctx, i.collection, i.id)
		if err != nil {
			return err
		}
		if len(history) == 0 || !slices.Contains(together, i.collection) {
			c.add(i.collection+" "+i.id, keepForLook, "is noted as edited apart and has no history")
			continue
		}
		joined, err := join(i.collection, history)
		if err != nil {
			return err
		}
		have, err := c.notedConflicts(ctx, i.collection, i.id)
		if err != nil {
			return err
		}
		want := map[string]string{}
		for _, k := range joined.Conflicts {
			want[k.Path] = sidesText(k.Sides)
		}
		if len(have) != len(want) {
			c.add(i.collection+" "+i.id, restoreBackup, "has %d conflicts noted, and its history has %d", len(have), len(want))
			continue
		}
		for path, sides := range want {
			if have[path] != sides {
				c.add(i.collection+" "+i.id, restoreBackup, "has a conflict noted otherwise than its history has it")
			}
		}
	}
	return nil
}

func (c *checking) notedConflicts(ctx context.Context, collection, id string) (map[string]string, error) {
	out := map[string]string{}
	return out, eachRow(ctx, c.Tx, func(rows *sql.Rows) error {
		var path, sides string
		err := rows.Scan(&path, &sides)
		out[path] = sides
		return err
	}, `SELECT path, sides FROM conflicts WHERE collection = ? AND id = ?`, collection, id)
}

func sidesText(sides []version.Side) string {
	b, err := json.Marshal(sides)
	if err != nil {
		return err.Error() // which no column holds
	}
	return string(b)
}
