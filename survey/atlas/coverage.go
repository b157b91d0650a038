package atlas

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/coverage"
	"holdfast/survey/sqlite"
)

// Coverage measures how much of the banks on file lies within rope reach of a
// usable point. A rope of 0 is the longest that the policy says is carried.
// progress, when not nil, is told how many points of how many are judged.
func (a Atlas) Coverage(ctx context.Context, rope geo.Length, ask Ask, progress func(done, all int)) (coverage.Result, error) {
	set, err := a.setting(ctx)
	if err != nil {
		return coverage.Result{}, err
	}
	if rope == 0 {
		rope = set.policy.Kit.RopeM.Value
	}
	if rope < 0 || rope > mostRope {
		return coverage.Result{}, survey.Invalid("", "a rope of %g m is outside 0 to %g", rope.Metres(), mostRope.Metres())
	}
	anchors, err := a.usable(ctx, set, ask, progress)
	if err != nil {
		return coverage.Result{}, err
	}
	crests, err := a.crests(ctx)
	if err != nil {
		return coverage.Result{}, err
	}
	return coverage.Measure(crests, anchors, geo.Degrees(set.policy.SectorDeg.Value), rope), nil
}

// usable judges every point of the atlas.
func (a Atlas) usable(ctx context.Context, set setting, ask Ask, progress func(done, all int)) ([]coverage.Anchor, error) {
	rows, byID, err := a.pointsBySite(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]coverage.Anchor, 0, len(rows))
	for i, row := range rows {
		around, err := a.Around(ctx, row.Item)
		if err != nil {
			return nil, err
		}
		site := byID[row.Item.Site]
		ans, err := set.engine.For(set.input(row.Item, site, around, ask))
		if err != nil {
			return nil, fmt.Errorf("judge point %s %s: %w", site.Code, row.Item.Label, err)
		}
		out = append(out, coverage.Anchor{Point: row.Item, Site: site.Code, Pull: ans.Pull.TrueDeg, Verdict: ans.Verdict, Back: backOf(ans)})
		if progress != nil {
			progress(i+1, len(rows))
		}
	}
	return out, nil
}

// crests loads every bank crest line on file.
func (a Atlas) crests(ctx context.Context) ([]coverage.Crest, error) {
	layers, err := a.Store.Layers(ctx)
	if err != nil {
		return nil, fmt.Errorf("load layers: %w", err)
	}
	var out []coverage.Crest
	for _, l := range layers {
		if l.Role != survey.RoleCrest {
			continue
		}
		features, err := a.Store.Features(ctx, l.ID, sqlite.Filter{})
		if err != nil {
			return nil, fmt.Errorf("load layer %s: %w", l.ID, err)
		}
		for _, f := range features {
			for _, line := range lines(f.Geometry) {
				out = append(out, coverage.Crest{Name: lineName(f), Line: line})
			}
		}
	}
	return out, nil
}

// lines returns the lines of a geometry, the rings of an area among them.
func lines(g orb.Geometry) []orb.LineString {
	switch g := g.(type) {
	case orb.LineString:
		return []orb.LineString{g}
	case orb.MultiLineString:
		return g
	case orb.Polygon:
		out := make([]orb.LineString, len(g))
		for i, r := range g {
			out[i] = orb.LineString(r)
		}
		return out
	case orb.MultiPolygon:
		var out []orb.LineString
		for _, p := range g {
			out = append(out, lines(p)...)
		}
		return out
	}
	return nil
}

func lineName(f survey.LayerFeature) string {
	var props struct {
		Name string `json:"name"`
	}
	if json.Unmarshal(f.Properties, &props) != nil || props.Name == "" {
		return fmt.Sprintf("%s %s", f.Layer, f.ID)
	}
	return props.Name
}

// backOf is how much more rope the best anchor of an answer takes than one at
// the point; more than any rope where its distance is not recorded.
func backOf(a answer.Answer) geo.Length {
	best, ok := a.Best()
	if !ok {
		return 0
	}
	if back, known := best.Kit.RopeBackM.Get(); known {
		return back
	}
	return 2 * mostRope
}
