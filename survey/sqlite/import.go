package sqlite

import (
	"context"
	"fmt"

	"holdfast/survey"
)

// ImportAll puts every site and then every point, as PutSite and PutPoint do
// without an expected revision, in one transaction: one that is refused
// refuses them all, and the error names it by its place, counted from 1.
// Points may belong to sites of the same import, by id or code.
func (s *Store) ImportAll(ctx context.Context, sites []survey.Site, points []survey.Point, a Author) error {
	for i, site := range sites {
		if err := site.Validate(); err != nil {
			return fmt.Errorf("site %d (%s): %w", i+1, site.Code, err)
		}
	}
	for i, p := range points {
		if err := p.Validate(); err != nil {
			return fmt.Errorf("point %d (%s): %w", i+1, p.Label, err)
		}
	}
	return s.change(ctx, "import", a, func(t *tx) error {
		var unseen survey.Opt[int64]
		for i, site := range sites {
			if _, err := putSite(ctx, t, site, unseen); err != nil {
				return fmt.Errorf("site %d (%s): %w", i+1, site.Code, err)
			}
		}
		ids := map[string]string{}
		for i, p := range points {
			id, ok := ids[p.Site]
			if !ok {
				var err error
				if id, err = t.siteID(ctx, p.Site); err != nil {
					return fmt.Errorf("point %d (%s): %w", i+1, p.Label, err)
				}
				ids[p.Site] = id
			}
			p.Site = id
			if _, err := putPoint(ctx, t, p, unseen); err != nil {
				return fmt.Errorf("point %d (%s): %w", i+1, p.Label, err)
			}
		}
		return nil
	})
}
