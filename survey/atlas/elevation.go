package atlas

import (
	"context"
	"fmt"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/crs"
	"holdfast/geo/terrain"
	"holdfast/geo/terrain/raster"
	"holdfast/survey"
	"holdfast/survey/surround"
)

// Surface opens the ground of an elevation layer.
func (a Atlas) Surface(ctx context.Context, id string) (*terrain.Surface, error) {
	l, err := a.Store.Layer(ctx, id)
	if err != nil {
		return nil, err
	}
	f, err := a.Store.Raster(ctx, id)
	if err != nil {
		return nil, err
	}
	r, err := raster.Open(f, f.Size())
	if err != nil {
		return nil, fmt.Errorf("open elevation layer %s: %w", id, err)
	}
	system, err := System(l.SourceCRS)
	if err != nil {
		return nil, fmt.Errorf("open elevation layer %s: %w", id, err)
	}
	unit, _ := l.HeightUnitM.Get() // 0 takes what the file says
	s, err := terrain.NewSurface(r, system, geo.Length(unit))
	if err != nil {
		return nil, fmt.Errorf("open elevation layer %s: %w", id, err)
	}
	return s, nil
}

// System reads a coordinate system as a layer keeps it: a name such as
// EPSG:26915, or well-known text.
func System(text string) (*crs.CRS, error) {
	if strings.Contains(text, "[") {
		return crs.Parse(text)
	}
	return crs.ByName(text)
}

// addElevation adds the fall of the ground by each elevation layer that covers
// the point to the readings of the pull bearing, after those of the bank's own
// lines.
func (a Atlas) addElevation(ctx context.Context, at orb.Point, around *surround.Around) error {
	for _, n := range around.Of(survey.RoleElevation) {
		if n.Distance > 0 {
			continue
		}
		s, err := a.Surface(ctx, n.Feature.LayerID)
		if err != nil {
			return err
		}
		fall, ok, err := s.FallLine(at, terrain.FallRule{})
		if err != nil {
			return fmt.Errorf("follow the fall line in %s: %w", n.Layer, err)
		}
		if ok && fall.HasBearing {
			around.Bearings = append(around.Bearings, surround.Bearing{
				Deg: fall.Bearing, Layer: n.Layer,
				How: "steepest descent past the edge in " + n.Dated(), Over: fall.Chord,
			})
		}
	}
	return nil
}
