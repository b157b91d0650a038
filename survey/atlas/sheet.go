package atlas

import (
	"context"
	"fmt"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/grid"
	"holdfast/survey"
	"holdfast/survey/preplan"
)

// mapMargin is how far beyond a site its map may reach.
const mapMargin = 400 * geo.Metre

// Sheet arranges the sheet of a site as it stands now.
func (a Atlas) Sheet(ctx context.Context, idOrCode string, paper preplan.Paper) (preplan.Sheet, error) {
	site, judged, err := a.Site(ctx, idOrCode, Ask{})
	if err != nil {
		return preplan.Sheet{}, err
	}
	policy, err := a.Store.Policy(ctx)
	if err != nil {
		return preplan.Sheet{}, fmt.Errorf("load policy: %w", err)
	}
	revision, err := a.Store.Revision(ctx)
	if err != nil {
		return preplan.Sheet{}, fmt.Errorf("load atlas revision: %w", err)
	}
	in := preplan.Input{
		Site: site.Item, SiteRevision: site.Revision, AtlasRevision: revision,
		Policy: policy, PrintedAt: a.Now().UTC(), Paper: paper, GridRef: gridRef,
	}
	bound := site.Item.Geometry.Bound()
	for _, j := range judged {
		bound = bound.Extend(j.Point.Item.Position)
		in.Points = append(in.Points, preplan.PointInput{Point: j.Point.Item, Answer: j.Answer, Near: j.Around, UpdatedAt: j.Point.UpdatedAt})
	}
	if in.Layers, err = a.layersIn(ctx, bound); err != nil {
		return preplan.Sheet{}, err
	}
	return preplan.Arrange(in), nil
}

// layersIn loads the layer features in and around a bound.
func (a Atlas) layersIn(ctx context.Context, b orb.Bound) ([]survey.LayerFeature, error) {
	near, _, err := a.Store.LayersNear(ctx, b.Center(), geodesic.Distance(b.Min, b.Max)/2+mapMargin)
	if err != nil {
		return nil, fmt.Errorf("load layers near the site: %w", err)
	}
	return near, nil
}

// gridRef writes a position to the metre; "" where it has no grid reference.
func gridRef(p orb.Point) string {
	ref, err := grid.USNG(p, grid.Metre)
	if err != nil {
		return ""
	}
	return ref
}
