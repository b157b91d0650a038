package surround

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
)

// Reach is how far round a point the layers are read. A bank further away is
// not the bank of that point.
const Reach = 150 * geo.Metre

// Read looks the features near a point over. roles names every role that has
// a layer in the atlas, so that "no layer" is told from "nothing near".
func Read(at orb.Point, near []survey.LayerFeature, roles map[survey.Role]bool) Around {
	a := Around{Roles: roles}
	for _, f := range near {
		n, ok := look(at, f)
		if ok && n.Distance <= Reach {
			a.Near = append(a.Near, n)
		}
	}
	slices.SortStableFunc(a.Near, func(x, y Near) int { return cmp.Compare(x.Distance, y.Distance) })
	a.readBearings(at)
	if crest, ok := a.nearest(survey.RoleCrest); ok {
		a.Setback = survey.Known(crest.Distance)
	}
	return a
}

// Of returns the features of a role by distance.
func (a Around) Of(role survey.Role) []Near {
	var out []Near
	for _, n := range a.Near {
		if n.Role == role {
			out = append(out, n)
		}
	}
	return out
}

func (a Around) nearest(role survey.Role) (Near, bool) {
	for _, n := range a.Near {
		if n.Role == role {
			return n, true
		}
	}
	return Near{}, false
}

// look measures from the point to one feature.
func look(at orb.Point, f survey.LayerFeature) (Near, bool) {
	foot, d, ok := Nearest(at, f.Geometry)
	if !ok {
		return Near{}, false
	}
	n := Near{Role: f.Role, Layer: f.Layer, ID: f.ID, Name: name(f.Properties), Distance: d, AsOf: f.AsOf, Feature: f}
	if _, az, _, ok := geodesic.Inverse(at, foot); ok {
		n.Bearing = survey.Known(az)
	}
	return n, true
}

// Nearest returns the point of a geometry nearest to p and its distance; 0
// inside a polygon. ok is false for an empty geometry.
func Nearest(p orb.Point, g orb.Geometry) (foot orb.Point, d geo.Length, ok bool) {
	best := geo.Length(math.Inf(1))
	take := func(q orb.Point, dq geo.Length, okq bool) {
		if okq && dq < best {
			foot, best, ok = q, dq, true
		}
	}
	switch g := g.(type) {
	case orb.Point:
		take(g, geodesic.Distance(p, g), true)
	case orb.MultiPoint:
		for _, q := range g {
			take(q, geodesic.Distance(p, q), true)
		}
	case orb.LineString:
		f, okf := geodesic.ToLine(p, g)
		take(f.Point, f.Distance, okf)
	case orb.MultiLineString:
		for _, l := range g {
			f, okf := geodesic.ToLine(p, l)
			take(f.Point, f.Distance, okf)
		}
	case orb.Polygon:
		q, dq, okq := geodesic.ToPolygon(p, g)
		take(q, dq, okq)
	case orb.MultiPolygon:
		for _, poly := range g {
			q, dq, okq := geodesic.ToPolygon(p, poly)
			take(q, dq, okq)
		}
	case orb.Collection:
		for _, part := range g {
			take(Nearest(p, part))
		}
	}
	return foot, best, ok
}

// name finds what a feature calls itself or its owner.
func name(props json.RawMessage) string {
	var m map[string]any
	if json.Unmarshal(props, &m) != nil {
		return ""
	}
	for _, key := range []string{"name", "owner", "operator", "title", "id"} {
		for k, v := range m {
			if s, ok := v.(string); ok && strings.EqualFold(k, key) && s != "" {
				return s
			}
		}
	}
	return ""
}

// readBearings finds the way the bank falls. With a crest line it is square
// to the crest, on the side where the toe or the water lies; without one it is
// towards the nearest point of the toe, or of the water.
func (a *Around) readBearings(at orb.Point) {
	toe, hasToe := a.nearest(survey.RoleToe)
	water, hasWater := a.nearest(survey.RoleWater)
	if crest, ok := a.nearest(survey.RoleCrest); ok {
		low, lowOK := toe, hasToe
		if !lowOK {
			low, lowOK = water, hasWater
		}
		if az, ok := squareTo(at, crest, low, lowOK); ok {
			a.Bearings = append(a.Bearings, Bearing{Deg: az, Layer: crest.Layer,
				How: fmt.Sprintf("square to the bank crest in %s towards %s", dated(crest), dated(low))})
		}
	}
	for _, n := range []struct {
		Near
		ok   bool
		what string
	}{{toe, hasToe, "the bank toe"}, {water, hasWater, "the water's edge"}} {
		if az, known := n.Bearing.Get(); n.ok && known {
			a.Bearings = append(a.Bearings, Bearing{Deg: az, Layer: n.Layer,
				How: fmt.Sprintf("towards the nearest point of %s in %s", n.what, dated(n.Near))})
		}
	}
}

// squareTo returns the direction square to the crest where it is nearest to
// the point, towards the side on which the low line lies.
func squareTo(at orb.Point, crest, low Near, hasLow bool) (geo.Bearing, bool) {
	toLow, ok := low.Bearing.Get()
	if !hasLow || !ok {
		return 0, false // a crest alone does not say which side is down
	}
	var along geo.Bearing
	best := geo.Length(math.Inf(1))
	each(crest.Feature.Geometry, func(l orb.LineString) {
		f, ok := geodesic.ToLine(at, l)
		if !ok || f.Distance >= best || len(l) < 2 {
			return
		}
		i := min(f.Segment, len(l)-2)
		if _, az, _, ok := geodesic.Inverse(l[i], l[i+1]); ok {
			best, along = f.Distance, az
		}
	})
	if math.IsInf(float64(best), 1) {
		return 0, false
	}
	right, left := along.Turn(90*geo.Degree), along.Turn(-90*geo.Degree)
	if math.Abs(float64(right.Off(toLow))) <= math.Abs(float64(left.Off(toLow))) {
		return right, true
	}
	return left, true
}

// each visits the lines of a geometry, rings among them.
func each(g orb.Geometry, visit func(orb.LineString)) {
	switch g := g.(type) {
	case orb.LineString:
		visit(g)
	case orb.MultiLineString:
		for _, l := range g {
			visit(l)
		}
	case orb.Polygon:
		for _, r := range g {
			visit(orb.LineString(r))
		}
	case orb.MultiPolygon:
		for _, p := range g {
			each(p, visit)
		}
	}
}

// dated names a layer with the date of its data.
func dated(n Near) string {
	if at, ok := n.AsOf.Get(); ok {
		return fmt.Sprintf("%q as of %s", n.Layer, at.Format("2006-01-02"))
	}
	return fmt.Sprintf("%q of unstated date", n.Layer)
}

// Dated names the feature's layer with the date of its data, for messages.
func (n Near) Dated() string { return dated(n) }
