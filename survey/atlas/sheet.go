package atlas

import (
	"context"
	"fmt"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/grid"
	"holdfast/survey"
	"holdfast/survey/drawing"
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
	set, err := a.setting(ctx)
	if err != nil {
		return preplan.Sheet{}, err
	}
	revision, err := a.Store.Revision(ctx)
	if err != nil {
		return preplan.Sheet{}, fmt.Errorf("load atlas revision: %w", err)
	}
	in := preplan.Input{
		Site: site.Item, SiteRevision: site.Revision, AtlasRevision: revision,
		Policy: set.policy, PrintedAt: set.asOf, Paper: paper, GridRef: gridRef,
	}
	bound := site.Item.Geometry.Bound()
	for _, j := range judged {
		bound = bound.Extend(j.Point.Item.Position)
		p := preplan.PointInput{Point: j.Point.Item, Answer: j.Answer, Near: j.Around, UpdatedAt: j.Point.UpdatedAt}
		if p.Sharing, err = sharing(set, j); err != nil {
			return preplan.Sheet{}, err
		}
		if p.Profile, err = a.profile(ctx, j); err != nil {
			return preplan.Sheet{}, err
		}
		in.Points = append(in.Points, p)
	}
	if in.Layers, err = a.layersIn(ctx, bound); err != nil {
		return preplan.Sheet{}, err
	}
	return preplan.Arrange(in), nil
}

// sharing is how the lashings of the best rig take up the pull; nil where the
// best anchor has none.
func sharing(set setting, j Judged) ([]drawing.Series, error) {
	best, ok := j.Answer.Best()
	if !ok || best.Main.Anchor.Kind != survey.KindRig {
		return nil, nil
	}
	curve, ok, err := set.engine.Sharing(set.input(j.Point.Item, j.Site.Item, j.Around, Ask{}), best.Main.Anchor.Rig)
	if err != nil || !ok || len(curve.Points) == 0 {
		return nil, err
	}
	out := make([]drawing.Series, len(curve.Points[0].LashingsN))
	for gap := range out {
		out[gap].Name = fmt.Sprintf("head of row %d to foot of row %d", gap+1, gap+2)
		for _, p := range curve.Points {
			out[gap].Points = append(out[gap].Points, drawing.Share{Pull: survey.Force(p.PullN), Force: survey.Force(p.LashingsN[gap])})
		}
	}
	return out, nil
}

// profile is the ground line along the pull by the first elevation layer that
// covers the point; nil where there is none.
func (a Atlas) profile(ctx context.Context, j Judged) ([]drawing.Station, error) {
	const shown, step = 60 * geo.Metre, geo.Metre
	pull, ok := j.Answer.Pull.TrueDeg.Get()
	if !ok {
		return nil, nil
	}
	for _, n := range j.Around.Of(survey.RoleElevation) {
		if n.Distance > 0 {
			continue
		}
		s, err := a.Surface(ctx, n.Feature.LayerID)
		if err != nil {
			return nil, err
		}
		section, err := s.Section(j.Point.Item.Position, pull, shown, step)
		if err != nil {
			return nil, fmt.Errorf("cut a section in %s: %w", n.Layer, err)
		}
		var out []drawing.Station
		for _, st := range section {
			if !st.Known || !section[0].Known {
				break // beyond an unknown height the line is not known to be one bank
			}
			out = append(out, drawing.Station{Along: st.Distance, Height: st.Height - section[0].Height})
		}
		if len(out) > 1 {
			return out, nil
		}
	}
	return nil, nil
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
