package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"

	"holdfast/survey"
	"holdfast/survey/version"
)

// together are the collections whose histories atlases exchange.
var together = []string{Sites, Points, Policies, Layers}

// rule is how versions of an item of a collection are joined. Policies and the
// descriptions of layers stay whole: half of one ruling with half of another
// is neither's.
func rule(collection string) version.Rule {
	switch collection {
	case Sites, Points:
		return version.Rule{}
	case Layers:
		return version.Rule{Whole: true, Newer: newerLayer}
	}
	return version.Rule{Whole: true}
}

// newerLayer compares two editions of a layer by the date of their data, then
// by when they were loaded.
func newerLayer(a, b json.RawMessage) int {
	var x, y survey.Layer
	if json.Unmarshal(a, &x) != nil || json.Unmarshal(b, &y) != nil {
		return bytes.Compare(a, b)
	}
	of, on := x.AsOf, y.AsOf
	asOfX, _ := of.Get()
	asOfY, _ := on.Get()
	if c := asOfX.Compare(asOfY); c != 0 { // no date is before every date
		return c
	}
	return x.LoadedAt.Compare(y.LoadedAt)
}

// versions reads the whole history of an item in its order.
func (t *tx) versions(ctx context.Context, collection, id string) ([]chained, error) {
	rows, err := t.QueryContext(ctx, selectChained+`
		WHERE collection = ? AND id = ?
		ORDER BY revisions.number`, collection, id)
	return readChained(rows, err)
}

// join works out what an item is by its history.
func join(collection string, history []chained) (version.Joined, error) {
	made := make([]version.Made, len(history))
	for i, c := range history {
		made[i] = version.Made{Name: c.hash.String(), At: c.At, Doc: c.After, Settles: c.Settles}
		for _, p := range c.parents {
			made[i].On = append(made[i].On, p.String())
		}
	}
	out, err := version.Join(made, rule(collection))
	if err != nil || len(out.Newest) < 2 || out.Doc == nil || rule(collection).Whole {
		return out, err
	}
	if doc, err := wellFormed(collection, out.Doc); err == nil {
		out.Doc = doc
		return out, nil
	}
	// What two people wrote does not go together, like a pull test of an anchor
	// that the other took away: one version is in force as a whole.
	out.Doc = nil
	whole := version.Conflict{}
	for _, head := range out.Newest {
		doc := made[slices.IndexFunc(made, func(m version.Made) bool { return m.Name == head })].Doc
		if out.Doc == nil {
			out.Doc = doc
		}
		whole.Sides = append(whole.Sides, version.Side{Of: head, Value: doc})
	}
	slices.SortStableFunc(whole.Sides, func(a, b version.Side) int { // what is there before what was taken out
		return cmpBool(a.Value == nil, b.Value == nil)
	})
	out.Conflicts = []version.Conflict{whole}
	return out, nil
}

func cmpBool(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

// wellFormed writes a joined item as items are written, when it may be stored.
func wellFormed(collection string, doc json.RawMessage) (json.RawMessage, error) {
	it, err := itemOf(collection, doc, true)
	return it.body, err
}

// itemOf reads what is kept of a site or a point from its version. A strict
// reading holds it to today's rules and writes it anew.
func itemOf(collection string, doc []byte, strict bool) (it item, err error) {
	if collection == Sites {
		site, err := readSite(doc)
		if err == nil && strict {
			err = site.Validate()
		}
		if err != nil {
			return it, err
		}
		it, err = siteItem(site)
		if !strict {
			it.body = doc
		}
		return it, err
	}
	p, err := readPoint(doc)
	if err == nil && strict {
		err = p.Validate()
	}
	if err != nil {
		return it, err
	}
	it, err = pointItem(p)
	if !strict {
		it.body = doc
	}
	return it, err
}

// rejoin looks again at what versions of an item do not agree on, after a
// revision was made here.
func (t *tx) rejoin(ctx context.Context, collection, id string) error {
	if !slices.Contains(together, collection) {
		return nil
	}
	apart, err := t.isApart(ctx, collection, id)
	if err != nil || !apart {
		return err
	}
	history, err := t.versions(ctx, collection, id)
	if err != nil {
		return err
	}
	joined, err := join(collection, history)
	if err != nil {
		return err
	}
	return t.saveApart(ctx, collection, id, history, joined)
}

// isApart tells whether an item has versions that were not brought together by
// a person yet.
func (t *tx) isApart(ctx context.Context, collection, id string) (bool, error) {
	var apart bool
	err := t.QueryRowContext(ctx, `
		SELECT EXISTS (SELECT 1 FROM forks WHERE collection = ?1 AND id = ?2)
			OR EXISTS (SELECT 1 FROM conflicts WHERE collection = ?1 AND id = ?2)`, collection, id).Scan(&apart)
	return apart, err
}

// saveApart notes the newest versions of an item and what they do not agree on.
func (t *tx) saveApart(ctx context.Context, collection, id string, history []chained, j version.Joined) error {
	var heads []int64
	for _, c := range history {
		if slices.Contains(j.Newest, c.hash.String()) {
			heads = append(heads, c.Number)
		}
	}
	if err := t.saveForks(ctx, collection, id, heads); err != nil {
		return err
	}
	if _, err := t.ExecContext(ctx, `DELETE FROM conflicts WHERE collection = ? AND id = ?`, collection, id); err != nil {
		return err
	}
	for _, c := range j.Conflicts {
		sides, err := json.Marshal(c.Sides)
		if err != nil {
			return fmt.Errorf("write conflict: %w", err)
		}
		_, err = t.ExecContext(ctx, `
			INSERT INTO conflicts (
				collection,
				id,
				path,
				sides
			) VALUES (?, ?, ?, ?)`, collection, id, c.Path, string(sides))
		if err != nil {
			return err
		}
	}
	return nil
}

// saveForks notes the newest revisions of an item where it has several.
func (t *tx) saveForks(ctx context.Context, collection, id string, heads []int64) error {
	if _, err := t.ExecContext(ctx, `DELETE FROM forks WHERE collection = ? AND id = ?`, collection, id); err != nil {
		return err
	}
	if len(heads) < 2 {
		return nil
	}
	for _, number := range heads {
		if _, err := t.ExecContext(ctx, `INSERT INTO forks (collection, id, number) VALUES (?, ?, ?)`, collection, id, number); err != nil {
			return err
		}
	}
	return nil
}

// settleItem writes an item as its history now has it.
func (t *tx) settleItem(ctx context.Context, collection, id string) error {
	history, err := t.versions(ctx, collection, id)
	if err != nil {
		return err
	}
	joined, err := join(collection, history)
	if err != nil {
		return err
	}
	if err := t.saveApart(ctx, collection, id, history, joined); err != nil {
		return err
	}
	weightiest := history[slices.IndexFunc(history, func(c chained) bool { return c.hash.String() == joined.Newest[0] })]
	switch collection {
	case Policies:
		return t.settlePolicy(ctx, history, joined)
	case Layers:
		return t.settleLayer(ctx, id, joined)
	}
	return t.writeItem(ctx, collection, id, joined.Doc, history[len(history)-1].Number, weightiest.Revision)
}

// writeItem writes the row of a site or a point; a nil doc makes it a
// tombstone. Number is that of the last revision, by is the weightiest.
func (t *tx) writeItem(ctx context.Context, collection, id string, doc []byte, number int64, by Revision) error {
	k, at := kindOf(collection), by.At.Format(timeFormat)
	if doc != nil {
		it, err := itemOf(collection, doc, false)
		if err != nil {
			return survey.Invalid("", "%s %q cannot be read: %s", k.noun, id, err)
		}
		return t.keep(ctx, k, it, number, at, by.Who)
	}
	// A tombstone keeps what was taken out.
	if err := t.writeItem(ctx, collection, id, by.Before, number, by); err != nil {
		return err
	}
	st, err := t.state(ctx, k, id)
	if err != nil {
		return err
	}
	return t.buried(ctx, k, st.n, number, at, by.Who)
}

func kindOf(collection string) kind {
	if collection == Sites {
		return siteKind
	}
	return pointKind
}

// settlePolicy puts the policies of a history on record and the right one in
// force.
func (t *tx) settlePolicy(ctx context.Context, history []chained, j version.Joined) error {
	for _, c := range history {
		var known bool
		if err := t.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM policies WHERE revision = ?)`, c.Number).Scan(&known); err != nil {
			return err
		}
		if known || c.After == nil {
			continue
		}
		p, err := readPolicy(c.After)
		if err != nil {
			return err
		}
		if err := t.keepPolicy(ctx, c.Number, p.Version, c.After, c.At.Format(timeFormat), c.Who); err != nil {
			return err
		}
	}
	for _, c := range slices.Backward(history) {
		if bytes.Equal(c.After, j.Doc) {
			return t.enforce(ctx, c.Number)
		}
	}
	return nil
}

// keepHeldSites puts back sites that one atlas took out while another put
// points there. The revision says nothing of who happens to notice, so that
// it is the same one in every atlas.
func (t *tx) keepHeldSites(ctx context.Context) error {
	for {
		var id string
		err := t.QueryRowContext(ctx, `
			SELECT sites.id
			FROM sites
			WHERE sites.deleted = 1 AND EXISTS (SELECT 1 FROM points WHERE points.site = sites.id AND points.deleted = 0)
			ORDER BY sites.id
			LIMIT 1`).Scan(&id)
		if errors.Is(err, sql.ErrNoRows) {
			return nil
		} else if err != nil {
			return err
		}
		history, err := t.versions(ctx, Sites, id)
		if err != nil {
			return err
		}
		joined, err := join(Sites, history)
		if err != nil {
			return err
		}
		var parents []Hash
		back := Revision{Collection: Sites, ID: id, Who: "holdfast", Verb: Restore}
		for _, c := range history {
			if slices.Contains(joined.Newest, c.hash.String()) {
				parents = append(parents, c.hash)
			}
			if c.hash.String() == joined.Newest[0] {
				back.At, back.After = c.At, c.Before
			}
		}
		if _, err := t.append(ctx, back, parents); err != nil {
			return err
		}
		if err := t.settleItem(ctx, Sites, id); err != nil {
			return err
		}
	}
}
