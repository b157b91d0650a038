package tile

import (
	"encoding/json"
	"fmt"
	"math"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/mvt"
	"github.com/paulmach/orb/geojson"
	"github.com/paulmach/orb/maptile"
)

// Layer is a named list of features; the names of one tile differ.
type Layer struct {
	Name     string
	Features []Feature
}

// Feature is what a tile shows. Its geometry is in longitude and latitude and
// is not altered. A geometry collection becomes one feature for its points,
// one for its lines and one for its areas.
type Feature struct {
	ID       *uint64 // nil: none
	Geometry orb.Geometry
	// Properties hold strings, booleans and numbers; json.Number becomes an
	// integer where it is one. Arrays and objects become JSON text, which is
	// all a tile can carry of them. What is null or not finite is left out.
	Properties map[string]any
}

// Encode writes a tile, uncompressed. Features that the tile does not show are
// left out, and so are layers without features; a tile that shows nothing has
// no bytes.
func Encode(t maptile.Tile, layers ...Layer) ([]byte, error) {
	if err := check(t); err != nil {
		return nil, err
	}
	g := newGrid(t)
	named := make(map[string]bool, len(layers))
	var out mvt.Layers
	for _, l := range layers {
		if named[l.Name] {
			return nil, fmt.Errorf("encode tile: two layers are named %q", l.Name)
		}
		named[l.Name] = true
		shown := &mvt.Layer{Name: l.Name, Version: 2, Extent: Extent}
		for _, f := range l.Features {
			properties, err := plain(f.Properties)
			if err != nil {
				return nil, fmt.Errorf("encode tile: layer %q: %w", l.Name, err)
			}
			for _, shape := range g.shapes(f.Geometry) {
				feature := &geojson.Feature{Geometry: shape, Properties: properties}
				if f.ID != nil {
					feature.ID = *f.ID
				}
				shown.Features = append(shown.Features, feature)
			}
		}
		if len(shown.Features) > 0 {
			out = append(out, shown)
		}
	}
	b, err := mvt.Marshal(out)
	if err != nil {
		return nil, fmt.Errorf("encode tile: %w", err)
	}
	return b, nil
}

// plain turns properties into what a tile can carry.
func plain(properties map[string]any) (geojson.Properties, error) {
	out := make(geojson.Properties, len(properties))
	for k, v := range properties {
		switch v := v.(type) {
		case nil:
		case string, bool, int, int8, int16, int32, int64, uint, uint8, uint16, uint32, uint64:
			out[k] = v
		case float32:
			if finite(float64(v)) {
				out[k] = v
			}
		case float64:
			if finite(v) {
				out[k] = v
			}
		case json.Number:
			if i, err := v.Int64(); err == nil {
				out[k] = i
			} else if f, err := v.Float64(); err == nil {
				out[k] = f
			} else {
				return nil, fmt.Errorf("property %q: %w", k, err)
			}
		default:
			b, err := json.Marshal(v)
			if err != nil {
				return nil, fmt.Errorf("property %q: %w", k, err)
			}
			out[k] = string(b)
		}
	}
	return out, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
