package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"
	"unicode/utf8"

	"holdfast/survey"
	"holdfast/survey/version"
)

// Taken says what became of a parcel.
type Taken struct {
	New     int    `json:"new"`                // revisions that were not here yet
	LeftOut []Left `json:"left_out,omitempty"` // what who brought it may not bring
}

// Left is an item of which revisions were left out, and why.
type Left struct {
	Collection string `json:"collection"`
	ID         string `json:"id"`
	Why        string `json:"why"`
}

// Take adds a piece of another atlas's history to this one, all of it or
// nothing, and works out anew what it touches. Revisions that are here already
// are passed over, so that a parcel may come twice and in pieces. The revisions
// keep who made them and when; the log names who brought them.
func (s *Store) Take(ctx context.Context, p Parcel, a Author) (Taken, error) {
	return s.TakeWhere(ctx, p, a, func(string) error { return nil })
}

// TakeWhere is Take for who may not bring everything: new revisions of a
// collection for which may gives an error are left out. The parcel does not
// count as taken in then, so that they come again until somebody may.
func (s *Store) TakeWhere(ctx context.Context, p Parcel, a Author, may func(collection string) error) (Taken, error) {
	var out Taken
	if p.Format != ExchangeFormat {
		return out, survey.Invalid("/format", "is %d; this version of the program exchanges format %d: bring both stations to the same version", p.Format, ExchangeFormat)
	}
	if n := len(p.Atlas); n == 0 || n > 100 || !utf8.ValidString(p.Atlas) {
		return out, survey.Invalid("/atlas", "does not name an atlas")
	}
	if len(p.Revisions) > 4*mostRevisions {
		return out, survey.Invalid("/revisions", "are %d; send at most %d at a time", len(p.Revisions), 4*mostRevisions)
	}
	err := s.change(ctx, "sync", a, func(t *tx) error {
		out = Taken{}
		x := taking{tx: t, may: may, touched: map[string]*touched{}}
		for i, r := range p.Revisions {
			added, err := x.revision(ctx, r)
			if err != nil {
				return fmt.Errorf("revision %d of the parcel (%s %s): %w", i+1, r.Collection, clip(r.ID, 100), err)
			}
			if added {
				out.New++
			}
		}
		if err := x.settle(ctx); err != nil {
			return err
		}
		if out.New > 0 {
			if err := t.tell(map[string]any{"from": p.Atlas, "revisions": out.New}); err != nil {
				return err
			}
		}
		if out.LeftOut = x.left; out.LeftOut != nil {
			return nil
		}
		return t.advance(ctx, p)
	})
	return out, err
}

// advance remembers how far the other's history was taken in. A parcel that
// does not go on from there, because it was sent again, leaves that as it is.
func (t *tx) advance(ctx context.Context, p Parcel) error {
	if p.To.Number <= 0 || p.To == p.From {
		return nil
	}
	var now Mark
	err := t.QueryRowContext(ctx, `SELECT number, link FROM peers WHERE atlas = ?`, p.Atlas).Scan(&now.Number, &now.Link)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	if p.From.Number != 0 && p.From != now {
		return nil
	}
	_, err = t.ExecContext(ctx, `
		INSERT INTO peers (
			atlas,
			number,
			link,
			at
		) VALUES (?, ?, ?, ?)
		ON CONFLICT (atlas) DO UPDATE SET
			number = excluded.number,
			link   = excluded.link,
			at     = excluded.at`, p.Atlas, p.To.Number, p.To.Link[:], t.stamp())
	return err
}

// taking is a parcel being taken in.
type taking struct {
	*tx
	may     func(collection string) error
	left    []Left
	touched map[string]*touched
	order   []string
}

// touched is an item that got revisions.
type touched struct {
	collection, id string
	apart          bool     // its versions have to be joined
	last           Revision // else this is what it is
}

// revision adds one revision; false when it was here already.
func (x *taking) revision(ctx context.Context, s Sent) (bool, error) {
	r, err := s.read()
	if err != nil {
		return false, err
	}
	hash := hashRevision(r, s.At, s.On)
	var known bool
	if err := x.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM chain WHERE hash = ?)`, hash[:]).Scan(&known); err != nil || known {
		return false, err
	}
	if why := x.may(r.Collection); why != nil {
		one := Left{r.Collection, r.ID, why.Error()}
		if !slices.Contains(x.left, one) {
			x.left = append(x.left, one)
		}
		return false, nil
	}
	heads, err := x.heads(ctx, r.Collection, r.ID)
	if err != nil {
		return false, err
	}
	apart := !sameHashes(heads, s.On) || len(heads) > 1
	if r.Before, err = x.before(ctx, r, s.On); err != nil {
		return false, err
	}
	if r.Verb, err = verbOf(s, r); err != nil {
		return false, err
	}
	if r.Number, err = x.append(ctx, r, s.On); err != nil {
		return false, err
	}
	if apart {
		if err := x.fork(ctx, r, heads, s.On); err != nil {
			return false, err
		}
	} else if apart, err = x.isApart(ctx, r.Collection, r.ID); err != nil {
		return false, err
	}
	key := r.Collection + "\x00" + r.ID
	item := x.touched[key]
	if item == nil {
		item = &touched{collection: r.Collection, id: r.ID}
		x.touched[key] = item
		x.order = append(x.order, key)
	}
	item.last, item.apart = r, item.apart || apart
	return true, nil
}

// read checks what can be checked of a revision by itself.
func (s Sent) read() (Revision, error) {
	r := Revision{Collection: s.Collection, ID: s.ID, Who: s.Who, Device: s.Device, Settles: s.Verb == settle, Verb: s.Verb}
	if !slices.Contains(together, s.Collection) {
		return r, survey.Invalid("/collection", "%q is nothing that atlases exchange", s.Collection)
	}
	at, err := time.Parse(timeFormat, s.At)
	if err != nil || at.Format(timeFormat) != s.At {
		return r, survey.Invalid("/at", "%q is no time like 2026-05-04T08:00:00.000000Z", s.At)
	}
	r.At = at
	for _, f := range []struct {
		name, text string
		most       int
	}{{"id", s.ID, 100}, {"who", s.Who, 200}, {"device", s.Device, 400}} {
		if !utf8.ValidString(f.text) || utf8.RuneCountInString(f.text) > f.most || f.text == "" && f.name != "device" {
			return r, survey.Invalid("/"+f.name, "is missing, too long or no text")
		}
	}
	if len(s.On) > 100 || !slices.IsSortedFunc(s.On, compareHashes) || len(slices.Compact(slices.Clone(s.On))) != len(s.On) {
		return r, survey.Invalid("/on", "is not a sorted list of different hashes")
	}
	if s.After == nil {
		return r, nil
	}
	r.After = json.RawMessage(*s.After)
	return r, s.readAfter(r.After)
}

// readAfter holds a version to what the program has to be able to read; rules
// made stricter since do not refuse what was valid when it was written.
func (s Sent) readAfter(doc []byte) error {
	var id string
	var err error
	switch s.Collection {
	case Sites:
		var site survey.Site
		if site, err = readSite(doc); err == nil && site.Geometry == nil {
			err = errors.New("the geometry is missing")
		}
		id = site.ID
	case Points:
		var p survey.Point
		p, err = readPoint(doc)
		id = p.ID
	case Layers:
		var l survey.Layer
		if err = json.Unmarshal(doc, &l); err == nil {
			err = l.Validate()
		}
		id = l.ID
	default:
		var p survey.Policy
		if p, err = readPolicy(doc); err == nil && p.Version == "" {
			err = errors.New("the version is missing")
		}
		id = policyID
	}
	if err == nil && id != s.ID {
		err = fmt.Errorf("it is that of %q", clip(id, 100))
	}
	if err != nil {
		return survey.Invalid("/after", "is no %s: %s", s.Collection, err)
	}
	return nil
}

// before is what an item was where a revision was made.
func (x *taking) before(ctx context.Context, r Revision, on []Hash) (json.RawMessage, error) {
	var docs []json.RawMessage
	for _, h := range on {
		var collection, id string
		var after *string
		err := x.QueryRowContext(ctx, `
			SELECT
				collection,
				id,
				after
			FROM revisions
			JOIN chain ON chain.number = revisions.number
			WHERE chain.hash = ?`, h[:]).Scan(&collection, &id, &after)
		if errors.Is(err, sql.ErrNoRows) {
			return nil, survey.Invalid("/on", "names a revision that has not come yet")
		} else if err != nil {
			return nil, err
		}
		if collection != r.Collection || id != r.ID {
			return nil, survey.Invalid("/on", "names a revision of another item")
		}
		var doc json.RawMessage
		if after != nil {
			doc = json.RawMessage(*after)
		}
		docs = append(docs, doc)
	}
	switch len(docs) {
	case 0:
		return nil, nil
	case 1:
		return docs[0], nil
	}
	history, err := x.versions(ctx, r.Collection, r.ID)
	if err != nil {
		return nil, err
	}
	joined, err := join(r.Collection, upTo(history, on))
	return joined.Doc, err
}

// upTo is the part of a history that led to some revisions.
func upTo(history []chained, heads []Hash) []chained {
	wanted := map[Hash]bool{}
	for _, h := range heads {
		wanted[h] = true
	}
	var out []chained
	for _, c := range slices.Backward(history) {
		if wanted[c.hash] {
			out = append(out, c)
			for _, p := range c.parents {
				wanted[p] = true
			}
		}
	}
	slices.Reverse(out)
	return out
}

// verbOf is what a revision did, which has to be what it says it did.
func verbOf(s Sent, r Revision) (Verb, error) {
	verb := Replace
	switch {
	case r.Before == nil && r.After == nil:
		return "", survey.Invalid("/after", "is missing: it takes out what is not there")
	case r.After == nil:
		verb = Delete
	case r.Before == nil && len(s.On) == 0:
		verb = Create
	case r.Before == nil:
		verb = Restore
	}
	if s.Verb != verb && s.Verb != settle {
		return "", survey.Invalid("/verb", "is %q for what is a %s", s.Verb, verb)
	}
	return verb, nil
}

// fork notes the newest revisions of an item after one was made on others than
// all of them.
func (x *taking) fork(ctx context.Context, r Revision, heads, on []Hash) error {
	numbers := []int64{r.Number}
	for _, h := range heads {
		if slices.Contains(on, h) {
			continue
		}
		var n int64
		if err := x.QueryRowContext(ctx, `SELECT number FROM chain WHERE hash = ?`, h[:]).Scan(&n); err != nil {
			return err
		}
		numbers = append(numbers, n)
	}
	return x.saveForks(ctx, r.Collection, r.ID, numbers)
}

// settle writes every touched item as its history now has it: sites before the
// points that stand on them.
func (x *taking) settle(ctx context.Context) error {
	for _, collection := range together {
		for _, key := range x.order {
			item := x.touched[key]
			if item.collection != collection {
				continue
			}
			var err error
			if item.apart || collection == Policies || collection == Layers {
				err = x.settleItem(ctx, collection, item.id)
			} else {
				err = x.writeItem(ctx, collection, item.id, item.last.After, item.last.Number, item.last)
			}
			if err != nil {
				return err
			}
		}
	}
	return x.keepHeldSites(ctx)
}

func sameHashes(a, b []Hash) bool {
	sort := func(list []Hash) []Hash { return slices.SortedFunc(slices.Values(list), compareHashes) }
	return slices.Equal(sort(a), sort(b))
}

// settleLayer brings what is known of a layer up to date. Its features follow
// on their own: see WantedLayers.
func (t *tx) settleLayer(ctx context.Context, id string, j version.Joined) error {
	was, err := t.layer(ctx, id)
	if err != nil {
		return err
	}
	if j.Doc == nil {
		if !was.live {
			return nil
		}
		return t.setAside(ctx, was, id)
	}
	var here, in survey.Layer
	if was.live {
		if err := json.Unmarshal(was.body, &here); err != nil {
			return fmt.Errorf("read layer: %w", err)
		}
	}
	if err := json.Unmarshal(j.Doc, &in); err != nil {
		return survey.Invalid("/after", "is no layer: %s", err)
	}
	if here.SHA256 != in.SHA256 || !was.live {
		return nil
	}
	_, number, err := t.layerInForce(ctx, id)
	if err != nil {
		return err
	}
	return t.describe(ctx, was.n, in.Role, j.Doc, number)
}
