package atlas

import (
	"cmp"
	"context"
	"slices"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing"
	"holdfast/survey/surround"
)

// Working is what the drawings of a point show besides its answer.
type Working struct {
	Profile []drawing.Station // ground line along the pull, by an elevation layer; nil without one
	Sharing []drawing.Series  // how the lashings of the best rig take up the pull; nil where it has none
}

// Working works out what the drawings of a judged point need.
func (a Atlas) Working(ctx context.Context, j Judged) (w Working, err error) {
	set, err := a.setting(ctx)
	if err != nil {
		return w, err
	}
	if w.Sharing, err = sharing(set, j); err != nil {
		return w, err
	}
	w.Profile, err = a.profile(ctx, j)
	return w, err
}

// LayersIn loads the features of every layer in and around a bound.
func (a Atlas) LayersIn(ctx context.Context, b orb.Bound) ([]survey.LayerFeature, error) {
	return a.layersIn(ctx, b)
}

// Used is a layer that bears on the answer of a point.
type Used struct {
	Layer    survey.Layer
	Nearest  string     // what the nearest feature calls itself; may be empty
	Distance geo.Length // to it
	Features int        // within the reach of the checks
}

// Used lists the layers whose features lie within the reach of a point's
// checks, nearest first, and the roles that no layer of the atlas has: of
// those the checks know nothing.
func (a Atlas) Used(ctx context.Context, around surround.Around) (used []Used, missing []survey.Role, err error) {
	_, layers, err := a.legend(ctx)
	if err != nil {
		return nil, nil, err
	}
	at := map[string]int{}
	for _, n := range around.Near { // nearest first
		i, ok := at[n.Feature.LayerID]
		if !ok {
			i = len(used)
			at[n.Feature.LayerID] = i
			used = append(used, Used{Layer: layers[n.Feature.LayerID], Nearest: n.Name, Distance: n.Distance})
		}
		used[i].Features++
	}
	slices.SortStableFunc(used, func(x, y Used) int { return cmp.Compare(x.Distance, y.Distance) })
	for _, r := range survey.Roles {
		if !around.Roles[r] && r != survey.RoleOther {
			missing = append(missing, r)
		}
	}
	return used, missing, nil
}
