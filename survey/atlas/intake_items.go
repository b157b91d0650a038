package atlas

import (
	"context"
	"errors"
	"fmt"
	"iter"

	"holdfast/survey"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

// arriving are the sites or the points of a file on their way in.
type arriving[T any] struct {
	in     Intake
	input  *exchange.Input
	report *exchange.Report
	noun   arrivingNoun[T]
	match  *exchange.Matcher[T]
	err    error // why they must not be kept, once they have ended
}

// arrivingNoun is what differs between sites and points.
type arrivingNoun[T any] struct {
	read  func(*exchange.Input) (iter.Seq2[T, error], *exchange.Report)
	gives func(iter.Seq2[T, error]) (exchange.Given, error)
	match func(*exchange.Report, func() (exchange.Given, error)) *exchange.Matcher[T]
	list  func(context.Context, sqlite.Filter) ([]sqlite.Row[T], error)
	get   func(context.Context, string) (sqlite.Row[T], error)
	id    func(T) string
	mend  func(*T) bool // makes of an item what may be brought in; nil when it is
	said  string        // of how many were mended
}

func (a Atlas) arrivingSites(in Intake) arrivingNoun[survey.Site] {
	n := arrivingNoun[survey.Site]{
		read: (*exchange.Input).Sites, gives: exchange.SitesGive, id: func(s survey.Site) string { return s.ID },
		match: func(r *exchange.Report, given func() (exchange.Given, error)) *exchange.Matcher[survey.Site] {
			return exchange.MatchSites(r, in.Within, given)
		},
	}
	if in.KeepReviews {
		n.said = "the reviews of %d sites were left out: signing needs leave of its own"
		n.mend = func(s *survey.Site) bool {
			signed := s.Review != (survey.Review{})
			s.Review = survey.Review{}
			return signed
		}
	}
	if a.Store != nil {
		n.list, n.get = a.Store.Sites, a.Store.Site
	}
	return n
}

func (a Atlas) arrivingPoints(ctx context.Context, in Intake) arrivingNoun[survey.Point] {
	n := arrivingNoun[survey.Point]{
		read: (*exchange.Input).Points, gives: exchange.PointsGive, id: func(p survey.Point) string { return p.ID },
		match: func(r *exchange.Report, given func() (exchange.Given, error)) *exchange.Matcher[survey.Point] {
			return exchange.MatchPoints(r, in.Within, given, a.siteID(ctx))
		},
	}
	if a.Store != nil {
		n.list, n.get = a.Store.Points, a.Store.Point
	}
	return n
}

// siteID looks up the ids of sites, each once, "" where there is none; nil when
// there is no atlas to look in.
func (a Atlas) siteID(ctx context.Context) func(string) (string, error) {
	if a.Store == nil {
		return nil
	}
	ids := map[string]string{}
	return func(idOrCode string) (string, error) {
		id, known := ids[idOrCode]
		if known {
			return id, nil
		}
		row, err := a.Store.Site(ctx, idOrCode)
		if err != nil && !errors.Is(err, survey.ErrNotFound) {
			return "", err
		}
		ids[idOrCode] = row.Item.ID
		return row.Item.ID, nil
	}
}

// openArriving opens the file and reads what is on file.
func openArriving[T any](ctx context.Context, a Atlas, in Intake, n arrivingNoun[T]) (*arriving[T], iter.Seq2[T, error], error) {
	o, err := in.options(ctx, a)
	if err != nil {
		return nil, nil, err
	}
	c := &arriving[T]{in: in, noun: n}
	if c.input, err = exchange.Open(in.Path, o); err != nil {
		return nil, nil, err
	}
	items, report := n.read(c.input)
	c.report = report
	c.match = n.match(report, func() (exchange.Given, error) { return c.given(o) })
	if n.list == nil {
		return c, items, nil
	}
	get := func(f sqlite.Filter) ([]sqlite.Row[T], error) { return n.list(ctx, f) }
	for row, err := range pages(sqlite.Filter{}, get, func(r sqlite.Row[T]) string { return n.id(r.Item) }) {
		if err != nil {
			return nil, nil, errors.Join(err, c.input.Close())
		}
		c.match.Had(row.Item, row.Revision)
	}
	return c, items, nil
}

// given reads the file once more, for what it gives.
func (c *arriving[T]) given(o exchange.Options) (exchange.Given, error) {
	input, err := exchange.Open(c.in.Path, o)
	if err != nil {
		return exchange.Given{}, err
	}
	defer input.Close() // it was only read
	items, _ := c.noun.read(input)
	return c.noun.gives(func(yield func(T, error) bool) {
		for item, err := range items {
			if c.noun.mend != nil {
				c.noun.mend(&item)
			}
			if !yield(item, err) {
				return
			}
		}
	})
}

// rows are the items to write, at the revisions at which they were seen. At
// their end the report is complete, and an error says why they must not be
// kept.
func (c *arriving[T]) rows(ctx context.Context, items iter.Seq2[T, error]) iter.Seq2[sqlite.Row[T], error] {
	stored := func(id string) (T, error) {
		row, err := c.noun.get(ctx, id)
		if errors.Is(err, survey.ErrNotFound) {
			err = &sqlite.StaleError{}
		}
		return row.Item, err
	}
	return func(yield func(sqlite.Row[T], error) bool) {
		mended := 0
		for item, err := range items {
			var row sqlite.Row[T]
			write := err != nil
			if err == nil {
				if c.noun.mend != nil && c.noun.mend(&item) {
					mended++
				}
				row.Item, row.Revision, write, err = c.match.Match(item, stored)
			}
			if c.err = err; (write || err != nil) && !yield(row, err) || err != nil {
				return
			}
		}
		if mended > 0 {
			c.report.Notes = append(c.report.Notes, fmt.Sprintf(c.noun.said, mended))
		}
		c.match.Finish()
		if c.err = c.in.judge(c.report); c.err != nil {
			yield(sqlite.Row[T]{}, c.err)
		}
	}
}

// lookItems reads a file of sites or points and compares it with what is on
// file.
func (a Atlas) lookItems(ctx context.Context, in Intake) (*exchange.Report, error) {
	if in.Of == sqlite.Sites {
		return look(ctx, a, in, a.arrivingSites(in))
	}
	r, err := look(ctx, a, in, a.arrivingPoints(ctx, in))
	if a.Store == nil && r != nil {
		r.Notes = append(r.Notes, "there is no atlas yet, so whether the sites of the points exist was not looked up")
	}
	return r, err
}

func look[T any](ctx context.Context, a Atlas, in Intake, n arrivingNoun[T]) (*exchange.Report, error) {
	c, items, err := openArriving(ctx, a, in, n)
	if err != nil {
		return nil, err
	}
	defer c.input.Close() // it was only read
	for _, err := range c.rows(ctx, items) {
		if err != nil {
			break // it is in c.err
		}
	}
	return c.report, c.err
}

func (a Atlas) takeItems(ctx context.Context, in Intake, o sqlite.Origin, who sqlite.Author) (*exchange.Report, sqlite.Import, error) {
	if in.Of == sqlite.Sites {
		return take(ctx, a, in, a.arrivingSites(in), func(rows iter.Seq2[sqlite.Row[survey.Site], error]) sqlite.Items {
			return sqlite.Items{Of: in.Of, Sites: rows}
		}, o, who)
	}
	return take(ctx, a, in, a.arrivingPoints(ctx, in), func(rows iter.Seq2[sqlite.Row[survey.Point], error]) sqlite.Items {
		return sqlite.Items{Of: in.Of, Points: rows}
	}, o, who)
}

func take[T any](ctx context.Context, a Atlas, in Intake, n arrivingNoun[T], items func(iter.Seq2[sqlite.Row[T], error]) sqlite.Items, o sqlite.Origin, who sqlite.Author) (*exchange.Report, sqlite.Import, error) {
	var made sqlite.Import
	c, all, err := openArriving(ctx, a, in, n)
	if err != nil {
		return nil, made, err
	}
	defer c.input.Close() // it was only read
	if err := a.sameContent(ctx, o, c.report); err != nil {
		return c.report, made, err
	}
	write := items(c.rows(ctx, all))
	if in.Remove {
		write.Remove = c.match.Missing
	}
	o.Report = summary(c.report)
	made, err = a.Store.ImportItems(ctx, write, o, who)
	if c.err != nil {
		err = c.err
	}
	return c.report, made, err
}
