package sqlite

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"strconv"
	"strings"
	"unicode/utf8"

	"holdfast/survey"
)

// arriving is a site or a point on its way into the atlas, with the revision at
// which it must be, if that matters.
type arriving[T any] struct {
	item T
	seen survey.Opt[int64]
}

// anyhow brings items whatever is on file.
func anyhow[T any](items []T) iter.Seq2[arriving[T], error] {
	return func(yield func(arriving[T], error) bool) {
		for _, item := range items {
			if !yield(arriving[T]{item: item}, nil) {
				return
			}
		}
	}
}

// held brings items that must be at the revisions of their rows.
func held[T any](rows iter.Seq2[Row[T], error]) iter.Seq2[arriving[T], error] {
	return func(yield func(arriving[T], error) bool) {
		if rows == nil {
			return
		}
		for row, err := range rows {
			if !yield(arriving[T]{row.Item, survey.Known(row.Revision)}, err) {
				return
			}
		}
	}
}

// putSites puts sites as PutSite does.
func (t *tx) putSites(ctx context.Context, sites iter.Seq2[arriving[survey.Site], error]) error {
	place := 0
	for s, err := range sites {
		if err != nil {
			return err
		}
		place++
		if err = s.item.Validate(); err == nil {
			_, err = putSite(ctx, t, s.item, s.seen)
		}
		if err != nil {
			return fmt.Errorf("site %d (%s): %w", place, s.item.Code, err)
		}
	}
	return nil
}

// arrival is a point with what is kept of it.
type arrival struct {
	arriving[survey.Point]
	place int // counted from 1
	kept  item
}

func (a arrival) refused(err error) error {
	return fmt.Errorf("point %d (%s): %w", a.place, a.item.Label, err)
}

// prepared judges points and writes down what is kept of them, as if their
// sites were named by id.
func prepared(points iter.Seq2[arriving[survey.Point], error]) iter.Seq2[arrival, error] {
	return func(yield func(arrival, error) bool) {
		place := 0
		for p, err := range points {
			place++
			a := arrival{arriving: p, place: place}
			if err == nil {
				if err = a.prepare(); err != nil {
					err = a.refused(err)
				}
			}
			if !yield(a, err) || err != nil {
				return
			}
		}
	}
}

func (a *arrival) prepare() (err error) {
	if err := a.item.Validate(); err != nil {
		return err
	}
	if a.item.ID == "" {
		if a.item.ID, err = newID(); err != nil {
			return err
		}
	}
	a.kept, err = pointItem(a.item)
	return err
}

// putPoints puts points as putPoint does. They are read and written down in a
// goroutine of their own.
func (t *tx) putPoints(ctx context.Context, points iter.Seq2[arriving[survey.Point], error]) error {
	// The driver watches a context that can end with a goroutine a statement.
	quiet := context.WithoutCancel(ctx)
	sites := map[string]string{}
	return inBatches(prepared(points), func(batches <-chan batch[arrival]) error {
		for b := range batches {
			err := t.settleSites(quiet, b.rows, sites)
			if err == nil {
				err = t.putBatch(quiet, b.rows)
			}
			if ended := ctx.Err(); ended != nil {
				return ended // whatever the statements made of it
			}
			if err != nil {
				return err
			}
			if b.err != nil {
				return b.err
			}
		}
		return nil
	})
}

// settleSites looks up the sites that points name by id or code, each once.
func (t *tx) settleSites(ctx context.Context, rows []arrival, sites map[string]string) error {
	for i := range rows {
		a := &rows[i]
		id, known := sites[a.item.Site]
		if !known {
			var err error
			if id, err = t.siteID(ctx, a.item.Site); err != nil {
				return a.refused(err)
			}
			sites[a.item.Site] = id
		}
		if id == a.item.Site {
			continue
		}
		a.item.Site = id
		var err error
		if a.kept, err = pointItem(a.item); err != nil {
			return a.refused(err)
		}
	}
	return nil
}

// putBatch writes points: those that are new together, if all of them are, else
// one by one.
func (t *tx) putBatch(ctx context.Context, rows []arrival) error {
	fresh, err := t.allNew(ctx, pointKind, rows)
	if err != nil {
		return err
	}
	if fresh && !t.settles {
		return t.create(ctx, pointKind, rows)
	}
	for _, a := range rows {
		if _, err := t.put(ctx, pointKind, a.kept, a.seen); err != nil {
			return a.refused(err)
		}
	}
	return nil
}

// allNew tells whether none of the items was ever there, and no two of them
// have an id.
func (t *tx) allNew(ctx context.Context, k kind, rows []arrival) (bool, error) {
	ids, given := make([]string, 0, len(rows)), make(map[string]bool, len(rows))
	for _, a := range rows {
		want, held := a.seen.Get()
		if given[a.kept.id] || held && want != 0 || utf8.RuneCountInString(a.kept.id) > longestID {
			return false, nil
		}
		given[a.kept.id] = true
		ids = append(ids, a.kept.id)
	}
	list, err := json.Marshal(ids)
	if err != nil {
		return false, err
	}
	var known bool
	err = t.QueryRowContext(ctx, k.known, string(list)).Scan(&known)
	return !known, err
}

// create writes items that were never there.
func (t *tx) create(ctx context.Context, k kind, rows []arrival) error {
	if len(rows) == 0 {
		return nil
	}
	bodies := make([]any, len(rows)) // each written twice
	for i, a := range rows {
		bodies[i] = string(a.kept.body)
	}
	first, err := t.appendNew(ctx, k, rows, bodies)
	if err != nil {
		return err
	}
	var before int64
	if err := t.QueryRowContext(ctx, k.last).Scan(&before); err != nil {
		return err
	}
	args := make([]any, 0, 2+8*len(rows))
	args = append(args, t.stamp(), t.author.Who)
	for i, a := range rows {
		b := a.kept.bound
		args = append(args, before+int64(i)+1, a.kept.id, a.kept.key, a.kept.words, b.Min.Lon(), b.Min.Lat(), bodies[i], first+int64(i))
	}
	_, err = t.ExecContext(ctx, k.create+valuesOf(len(rows), 2, 8, func(at func(int) string) string {
		lon, lat := at(4), at(5)
		return at(0) + "," + at(1) + "," + at(2) + "," + at(3) + "," + lon + "," + lat + "," + lon + "," + lat + "," + at(6) + "," + at(7) + ",?1,?2,0"
	}), args...)
	if err != nil {
		return err
	}
	_, err = t.ExecContext(ctx, k.box, before+1, before+int64(len(rows)))
	return err
}

// appendNew adds the first revisions of items to the history and returns the
// number of the first; the others follow it.
func (t *tx) appendNew(ctx context.Context, k kind, rows []arrival, bodies []any) (first int64, err error) {
	at := t.stamp()
	args := make([]any, 0, 4+2*len(rows))
	args = append(args, k.table, at, t.author.Who, t.author.Device)
	for i, a := range rows {
		args = append(args, a.kept.id, bodies[i])
	}
	res, err := t.ExecContext(ctx, `
		INSERT INTO revisions (
			collection,
			at,
			who,
			device,
			verb,
			id,
			after
		) VALUES `+valuesOf(len(rows), 4, 2, func(at func(int) string) string { return "?1,?2,?3,?4,'create'," + at(0) + "," + at(1) }), args...)
	if err != nil {
		return 0, err
	}
	last, err := res.LastInsertId()
	if err != nil {
		return 0, err
	}
	first = last - int64(len(rows)) + 1 // one statement counts without a gap
	link, err := t.lastLink(ctx)
	if err != nil {
		return 0, err
	}
	args = args[:0]
	for i, a := range rows {
		hash := hashRevision(Revision{Collection: k.table, ID: a.kept.id, Who: t.author.Who, Device: t.author.Device, Verb: Create, After: a.kept.body}, at, nil)
		next := linkAfter(link, hash)
		args = append(args, first+int64(i), hash[:], next[:])
		link = next
	}
	_, err = t.ExecContext(ctx, `
		INSERT INTO chain (
			number,
			hash,
			link,
			parents
		) VALUES `+valuesOf(len(rows), 0, 3, func(at func(int) string) string { return at(0) + "," + at(1) + "," + at(2) + ",x''" }), args...)
	t.last, t.link, t.wrote = last, link, true
	return first, err
}

// valuesOf writes the rows of an INSERT. Each has so many parameters of its own,
// numbered after those that all rows share.
func valuesOf(rows, shared, each int, row func(at func(i int) string) string) string {
	var b strings.Builder
	for r := range rows {
		if r > 0 {
			b.WriteByte(',')
		}
		b.WriteString("(" + row(func(i int) string { return "?" + strconv.Itoa(shared+each*r+i+1) }) + ")")
	}
	return b.String()
}
