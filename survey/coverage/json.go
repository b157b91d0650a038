package coverage

import (
	"holdfast/geo"
	"holdfast/geo/geojson"
)

// Collection is a coverage as a GeoJSON FeatureCollection: a feature a
// stretch, the lengths as foreign members.
type Collection struct {
	Type     string              `json:"type"`
	All      Lengths             `json:"all"`
	Sites    map[string]*Lengths `json:"sites"`
	Banks    map[string]*Lengths `json:"banks"`
	Features []reachFeature      `json:"features"`
}

// reachFeature is one stretch.
type reachFeature struct {
	Type       string           `json:"type"`
	Geometry   geojson.Geometry `json:"geometry"`
	Properties reachProperties  `json:"properties"`
}

type reachProperties struct {
	Bank    string     `json:"bank"`
	State   State      `json:"state"`
	LengthM geo.Length `json:"length_m"`
	Sites   []string   `json:"sites"`
}

// Collection returns the coverage as GeoJSON.
func (r Result) Collection() Collection {
	doc := Collection{Type: "FeatureCollection", All: r.All, Sites: r.Sites, Banks: r.Names, Features: []reachFeature{}}
	for _, x := range r.Reaches {
		doc.Features = append(doc.Features, reachFeature{
			Type: "Feature", Geometry: geojson.Geometry{Geometry: x.Line},
			Properties: reachProperties{Bank: x.Name, State: x.State, LengthM: x.LengthM, Sites: append([]string{}, x.Sites...)},
		})
	}
	return doc
}
