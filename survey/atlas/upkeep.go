package atlas

import (
	"context"
	"fmt"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/sqlite"
	"holdfast/survey/surround"
	"holdfast/survey/upkeep"
)

// Places loads what upkeep looks at: every site in the order of its code, and
// every point in the order of site and label.
func (a Atlas) Places(ctx context.Context) ([]survey.Site, []upkeep.Place, error) {
	rows, byID, err := a.pointsBySite(ctx)
	if err != nil {
		return nil, nil, err
	}
	changed, err := a.Store.PointsChanged(ctx)
	if err != nil {
		return nil, nil, err
	}
	places := make([]upkeep.Place, len(rows))
	for i, row := range rows {
		places[i] = upkeep.Place{Site: byID[row.Item.Site], Point: row.Item}
		if at, ok := changed[row.Item.ID]; ok {
			places[i].ChangedAt = survey.Known(at)
		}
	}
	sites, err := a.Store.Sites(ctx, sqlite.Filter{})
	if err != nil {
		return nil, nil, fmt.Errorf("load sites: %w", err)
	}
	out := make([]survey.Site, len(sites))
	for i, row := range sites {
		out[i] = row.Item
	}
	sortByCode(out)
	return out, places, nil
}

// AfterFlood lists which of the places to walk again after a flood, by the
// water layers on file. It looks no further than surround.Reach.
func (a Atlas) AfterFlood(ctx context.Context, places []upkeep.Place, f upkeep.Flood) (upkeep.After, error) {
	if f.Within < 0 || f.Within > surround.Reach {
		return upkeep.After{}, survey.Invalid("", "a strip of %g m along the water is outside 0 to %g m", f.Within.Metres(), surround.Reach.Metres())
	}
	return upkeep.AfterFlood(places, f, func(p survey.Point) (geo.Length, bool, bool, error) {
		near, roles, err := a.Store.LayersNear(ctx, p.Position, surround.Reach)
		if err != nil {
			return 0, false, false, fmt.Errorf("load layers near %s: %w", p.Label, err)
		}
		var least geo.Length
		found := false
		for _, l := range near {
			if l.Role != survey.RoleWater {
				continue
			}
			if _, d, ok := surround.Nearest(p.Position, l.Geometry); ok && (!found || d < least) {
				least, found = d, true
			}
		}
		return least, found, roles[survey.RoleWater], nil
	})
}
