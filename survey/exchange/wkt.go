package exchange

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/paulmach/orb"
	"github.com/peterstace/simplefeatures/geom"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// noHeight stands for a missing height in WKT whose other positions have one;
// the reader takes it as not recorded.
const noHeight = -9999

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

// appendWKT writes a geometry with its heights.
func appendWKT(dst []byte, g geojson.Geometry) []byte {
	w := wktWriter{dst: dst, z: g.Z}
	if !slices.ContainsFunc(w.z, func(z float64) bool { return !math.IsNaN(z) }) {
		w.z = nil
	}
	w.geometry(g.Geometry)
	return w.dst
}

type wktWriter struct {
	dst []byte
	z   []float64
	n   int // positions written so far
}

func (w *wktWriter) geometry(g orb.Geometry) {
	w.dst = append(w.dst, strings.ToUpper(g.GeoJSONType())...)
	if w.z != nil {
		w.dst = append(w.dst, " Z"...)
	}
	w.dst = append(w.dst, ' ')
	switch g := g.(type) {
	case orb.Point:
		wktList(w, orb.MultiPoint{g}, w.position)
	case orb.MultiPoint:
		wktList(w, g, w.position)
	case orb.LineString:
		w.line(g)
	case orb.MultiLineString:
		wktList(w, g, w.line)
	case orb.Polygon:
		w.polygon(g)
	case orb.MultiPolygon:
		wktList(w, g, w.polygon)
	case orb.Collection:
		wktList(w, g, w.geometry)
	}
}

func (w *wktWriter) line(l orb.LineString) { wktList(w, l, w.position) }

func (w *wktWriter) polygon(p orb.Polygon) {
	wktList(w, p, func(r orb.Ring) { w.line(orb.LineString(r)) })
}

func wktList[S ~[]T, T any](w *wktWriter, s S, one func(T)) {
	if len(s) == 0 {
		w.dst = append(w.dst, "EMPTY"...)
		return
	}
	w.dst = append(w.dst, '(')
	for i, v := range s {
		if i > 0 {
			w.dst = append(w.dst, ',')
		}
		one(v)
	}
	w.dst = append(w.dst, ')')
}

func (w *wktWriter) position(p orb.Point) {
	w.dst = strconv.AppendFloat(w.dst, p[0], 'f', -1, 64)
	w.dst = append(w.dst, ' ')
	w.dst = strconv.AppendFloat(w.dst, p[1], 'f', -1, 64)
	if w.z != nil {
		z := float64(noHeight)
		if w.n < len(w.z) && !math.IsNaN(w.z[w.n]) {
			z = w.z[w.n]
		}
		w.dst = append(w.dst, ' ')
		w.dst = strconv.AppendFloat(w.dst, z, 'f', -1, 64)
	}
	w.n++
}
