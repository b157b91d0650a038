package atlas

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/sqlite"
	"holdfast/survey/surround"
	"holdfast/survey/walk"
)

// What a device can take along and still answer at once.
const (
	areaSites    = 2000
	areaPoints   = 3000
	areaFeatures = 30_000
	areaMargin   = 500 * geo.Metre // beyond sites and points on file, for new ones
)

// Area gathers what a device takes along: everything of a district or, where
// that is "", of the atlas. An area that is too large for a device is a
// survey.ErrConflict that says so.
func (a Atlas) Area(ctx context.Context, district string) (walk.Area, error) {
	set, err := a.setting(ctx)
	if err != nil {
		return walk.Area{}, err
	}
	out := walk.Area{TakenAt: set.asOf, District: district, Policy: set.policy, Tests: []walk.Test{}}
	if out.Atlas, err = a.Store.ID(ctx); err != nil {
		return out, err
	}
	if out.Revision, err = a.Store.Revision(ctx); err != nil {
		return out, err
	}
	for _, t := range set.tests {
		out.Tests = append(out.Tests, walk.NewTest(t))
	}
	b, err := a.areaItems(ctx, &out, district)
	if err != nil {
		return out, err
	}
	return out, a.areaLayers(ctx, &out, b)
}

// areaItems takes the sites and their points and returns the box they lie in.
func (a Atlas) areaItems(ctx context.Context, out *walk.Area, district string) (orb.Bound, error) {
	var places orb.MultiPoint
	sites, err := a.Store.Sites(ctx, sqlite.Filter{})
	if err != nil {
		return orb.Bound{}, fmt.Errorf("load sites of the area: %w", err)
	}
	out.Sites, out.Points, out.Layers = []walk.Item{}, []walk.Item{}, []walk.Layer{}
	within := make(map[string]bool, len(sites))
	for _, row := range sites {
		if district != "" && row.Item.District != district {
			continue
		}
		within[row.Item.ID] = true
		f, err := row.Item.Feature()
		if err != nil {
			return orb.Bound{}, err
		}
		box := row.Item.Geometry.Bound()
		places = append(places, box.Min, box.Max)
		out.Sites = append(out.Sites, walk.Item{Revision: row.Revision, Feature: f})
	}
	if district != "" && len(out.Sites) == 0 {
		return orb.Bound{}, survey.NotFound("district", district)
	}
	if n := len(out.Sites); n > areaSites {
		return orb.Bound{}, tooLarge("%d sites", n)
	}
	count, err := a.Store.CountPoints(ctx, sqlite.Filter{})
	if err != nil {
		return orb.Bound{}, fmt.Errorf("load points of the area: %w", err)
	}
	if district == "" && count > areaPoints {
		return orb.Bound{}, tooLarge("%d points", count)
	}
	for _, one := range out.Sites {
		points, err := a.Store.Points(ctx, sqlite.Filter{Site: one.Feature.ID})
		if err != nil {
			return orb.Bound{}, fmt.Errorf("load points of the area: %w", err)
		}
		for _, row := range points {
			f, err := row.Item.Feature()
			if err != nil {
				return orb.Bound{}, err
			}
			places = append(places, row.Item.Position)
			out.Points = append(out.Points, walk.Item{Revision: row.Revision, Feature: f})
		}
		if n := len(out.Points); n > areaPoints {
			return orb.Bound{}, tooLarge("more than %d points", areaPoints)
		}
	}
	return places.Bound(), nil
}

func tooLarge(format string, args ...any) error {
	return fmt.Errorf("%s are too many for a device: choose a district: %w", fmt.Sprintf(format, args...), survey.ErrConflict)
}

// areaLayers takes the layers in and round a box. Toe and water are taken from
// further off, as an answer looks for them there.
func (a Atlas) areaLayers(ctx context.Context, out *walk.Area, items orb.Bound) error {
	if len(out.Sites) == 0 {
		items = orb.Bound{}
	}
	b := walk.Around(items, areaMargin)
	out.Bounds = [4]float64{b.Left(), b.Bottom(), b.Right(), b.Top()}
	near := walk.Around(b, surround.Reach)
	found, roles, err := a.Store.LayersWithin(ctx, walk.Around(b, surround.Far), areaFeatures)
	if err != nil {
		return fmt.Errorf("load layers of the area: %w", err)
	}
	for _, role := range survey.Roles {
		if roles[role] {
			out.Roles = append(out.Roles, role)
		}
	}
	if roles[survey.RoleElevation] {
		out.Left = append(out.Left, "Elevation stays in the office: a fall line read off it is not among the bearings here.")
	}
	for _, f := range found {
		if f.Role != survey.RoleToe && f.Role != survey.RoleWater && !f.Geometry.Bound().Intersects(near) {
			continue
		}
		i := slices.IndexFunc(out.Layers, func(l walk.Layer) bool { return l.ID == f.LayerID })
		if i < 0 {
			i = len(out.Layers)
			out.Layers = append(out.Layers, walk.Layer{ID: f.LayerID, Title: f.Layer, Role: f.Role, AsOf: f.AsOf})
		}
		out.Layers[i].Features = append(out.Layers[i].Features, geojson.Feature{
			ID: f.ID, NumericID: true, Geometry: geojson.Geometry{Geometry: f.Geometry, Z: f.Heights}, Properties: f.Properties,
		})
	}
	return nil
}

// Districts lists the districts of the atlas with how many sites each has.
func (a Atlas) Districts(ctx context.Context) (map[string]int, error) {
	sites, err := a.Store.Sites(ctx, sqlite.Filter{})
	if err != nil {
		return nil, fmt.Errorf("list districts: %w", err)
	}
	out := make(map[string]int)
	for _, row := range sites {
		if d := strings.TrimSpace(row.Item.District); d != "" {
			out[d]++
		}
	}
	return out, nil
}
