package exchange

import (
	"strings"

	"github.com/peterstace/simplefeatures/geom"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// parseWKT reads Well-Known Text (OGC 06-103r4 §7) with Z heights.
func parseWKT(s string) (geojson.Geometry, []string, error) {
	const deepest = 4
	if strings.Count(strings.ToUpper(s), "GEOMETRYCOLLECTION") > deepest {
		return geojson.Geometry{}, nil, survey.Invalid("/geometry", "geometry collections are nested too deep")
	}
	g, err := geom.UnmarshalWKT(s, geom.NoValidate{})
	if err != nil {
		return geojson.Geometry{}, nil, survey.Invalid("/geometry", "%s", strings.TrimPrefix(err.Error(), "invalid WKT syntax: "))
	}
	if g.IsEmpty() {
		return geojson.Geometry{}, nil, survey.Invalid("/geometry", "is empty: it has no place")
	}
	var notes []string
	if t := g.CoordinatesType(); t == geom.DimXYM || t == geom.DimXYZM {
		notes = append(notes, "the measures (M) of the positions were left out")
	}
	raw, err := g.MarshalJSON()
	if err != nil {
		return geojson.Geometry{}, nil, survey.Invalid("/geometry", "%s", err)
	}
	out, err := geojson.ParseGeometry(raw)
	if err != nil {
		return out, nil, survey.Invalid("/geometry", "%s", err)
	}
	return out, notes, nil
}
