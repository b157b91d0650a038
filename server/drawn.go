package server

import (
	"net/http"

	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
)

// viewOf reads the part of the map that something is drawn for.
func viewOf(r *http.Request) (orb.Bound, error) {
	q, err := query(r, "bbox")
	if err != nil {
		return orb.Bound{}, err
	}
	bound, err := bbox(q)
	if err == nil && bound == nil {
		err = badParameter("bbox", sayDrawnForView)
	}
	if err != nil {
		return orb.Bound{}, err
	}
	return *bound, nil
}

// drawn is a GeoJSON Feature that the map draws.
type drawn[P any] struct {
	Type       string           `json:"type"`
	ID         string           `json:"id,omitempty"`
	Geometry   geojson.Geometry `json:"geometry"`
	Properties P                `json:"properties"`
}

func draw[P any](g orb.Geometry, properties P) drawn[P] {
	return drawn[P]{Type: "Feature", Geometry: geojson.Geometry{Geometry: g}, Properties: properties}
}

// drawnAll is a FeatureCollection of them.
type drawnAll[P any] struct {
	Type     string     `json:"type"`
	Features []drawn[P] `json:"features"`
}

// drawAll begins a collection of about n features.
func drawAll[P any](n int) drawnAll[P] {
	return drawnAll[P]{Type: "FeatureCollection", Features: make([]drawn[P], 0, n)}
}
