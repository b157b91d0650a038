package atlas

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/sqlite"
	"holdfast/survey/surround"
)

// Seen is a feature of a layer as a map names it.
type Seen struct {
	Feature  survey.LayerFeature
	Layer    survey.Layer
	Name     string     // what the feature calls itself; may be empty
	Distance geo.Length // from the place asked about; 0 inside an area
	Zone     survey.Opt[answer.Zone]
}

func seenOf(p survey.Policy, layers map[string]survey.Layer, f survey.LayerFeature) Seen {
	n := surround.Describe(f)
	s := Seen{Feature: f, Layer: layers[f.LayerID], Name: n.Name}
	if z, ok := answer.ZoneOf(p, &n); ok {
		s.Zone = survey.Known(z)
	}
	return s
}

// SeenAt returns what the layers show within a distance of a place, nearest
// first, and the features in whose zone it lies.
func (a Atlas) SeenAt(ctx context.Context, at orb.Point, within geo.Length) ([]Seen, error) {
	policy, layers, err := a.legend(ctx)
	if err != nil {
		return nil, err
	}
	const widest = 20 * geo.Metre // more than any zone but that of a very wide pipe
	near, _, err := a.Store.LayersNear(ctx, at, max(within, widest))
	if err != nil {
		return nil, fmt.Errorf("look what is there: %w", err)
	}
	var out []Seen
	for _, f := range near {
		_, d, ok := surround.Nearest(at, f.Geometry)
		s := seenOf(policy, layers, f)
		zone, _ := s.Zone.Get()
		if s.Distance = d; ok && d <= max(within, zone.Width) {
			out = append(out, s)
		}
	}
	slices.SortStableFunc(out, func(x, y Seen) int { return cmp.Compare(x.Distance, y.Distance) })
	return out, nil
}

// Zones returns the features in a bound that work must keep off or enters on
// terms only, at most so many of each layer.
func (a Atlas) Zones(ctx context.Context, bound orb.Bound, limit int) ([]Seen, error) {
	policy, layers, err := a.legend(ctx)
	if err != nil {
		return nil, err
	}
	var out []Seen
	for _, l := range layers {
		if _, ok := answer.ZoneOf(policy, &surround.Near{Role: l.Role}); !ok {
			continue
		}
		found, err := a.Store.Features(ctx, l.ID, sqlite.Filter{Bound: &bound, Limit: limit})
		if err != nil {
			return nil, fmt.Errorf("look for zones: %w", err)
		}
		for _, f := range found {
			out = append(out, seenOf(policy, layers, f))
		}
	}
	slices.SortFunc(out, func(x, y Seen) int {
		return cmp.Or(cmp.Compare(x.Layer.ID, y.Layer.ID), cmp.Compare(x.Feature.ID, y.Feature.ID))
	})
	return out, nil
}

// legend loads the policy and the layers by id.
func (a Atlas) legend(ctx context.Context) (survey.Policy, map[string]survey.Layer, error) {
	policy, err := a.Store.Policy(ctx)
	if err != nil {
		return policy, nil, fmt.Errorf("load policy: %w", err)
	}
	all, err := a.Store.Layers(ctx)
	if err != nil {
		return policy, nil, fmt.Errorf("load layers: %w", err)
	}
	layers := make(map[string]survey.Layer, len(all))
	for _, l := range all {
		layers[l.ID] = l
	}
	return policy, layers, nil
}
