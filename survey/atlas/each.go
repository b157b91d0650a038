package atlas

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

const pageOfPoints = 500 // loaded at a time

// Each judges the points of the named sites, or of all when sites is nil, for
// the usual load, as many at a time as there are processors. done is told of
// each, by several goroutines and in no order, with what went wrong with that
// point. The error returned is one that ended the whole.
func (a Atlas) Each(ctx context.Context, sites []string, done func(Judged, error)) error {
	set, err := a.setting(ctx)
	if err != nil {
		return err
	}
	rows := make(chan sqlite.Row[survey.Point])
	known := &siteCache{store: a.Store, rows: map[string]sqlite.Row[survey.Site]{}}
	var wait sync.WaitGroup
	for range cmp.Or(a.Hands, runtime.GOMAXPROCS(0)) {
		wait.Go(func() {
			for row := range rows {
				j := Judged{Point: row}
				site, err := known.get(ctx, row.Item.Site)
				if err == nil {
					j, err = a.judge(ctx, row, site, set, Ask{})
					j.Point = row
				}
				done(j, err)
			}
		})
	}
	if sites == nil {
		err = a.feed(ctx, sqlite.Filter{}, rows)
	}
	for _, id := range sites {
		err = errors.Join(err, a.feed(ctx, sqlite.Filter{Site: id}, rows))
	}
	close(rows)
	wait.Wait()
	return errors.Join(err, ctx.Err())
}

// feed loads the chosen points page by page.
func (a Atlas) feed(ctx context.Context, f sqlite.Filter, into chan<- sqlite.Row[survey.Point]) error {
	f.Limit = pageOfPoints
	for ctx.Err() == nil {
		page, err := a.Store.Points(ctx, f)
		if err != nil {
			return fmt.Errorf("load points: %w", err)
		}
		for _, row := range page {
			into <- row
		}
		if len(page) < f.Limit {
			return nil
		}
		f.After = page[len(page)-1].Item.ID
	}
	return nil
}

// siteCache reads each site once.
type siteCache struct {
	store *sqlite.Store
	mu    sync.Mutex
	rows  map[string]sqlite.Row[survey.Site]
}

func (c *siteCache) get(ctx context.Context, id string) (sqlite.Row[survey.Site], error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	row, ok := c.rows[id]
	if ok {
		return row, nil
	}
	row, err := c.store.Site(ctx, id)
	if err == nil {
		c.rows[id] = row
	}
	return row, err
}
