// Package surround reads the GIS layers around a point: which way the bank
// falls by its crest, toe and water lines, how far the crest is, and which
// buried lines, overhead lines, roads and parcels are near. It works on the
// features it is given; fetching them is the store's business.
package surround

import (
	"time"

	"holdfast/geo"
	"holdfast/geo/tangent"
	"holdfast/survey"
)

// Bearing is one reading of the pull bearing from a layer.
type Bearing struct {
	Deg   geo.Bearing
	How   string     // in words, with the layer's title and date
	Away  geo.Length // how far the line is that it leads to, where that is a doubt; else 0
	Over  geo.Length // the stretch of ground it was followed over; else 0
	Layer string
	Low   *Near // the toe or water that says which side is down; nil for elevation
}

// Near is a feature of a layer near the point.
type Near struct {
	Role      survey.Role
	Layer     string
	ID        string
	Name      string // the feature's own name or owner, when its properties have one
	Distance  geo.Length
	Bearing   survey.Opt[geo.Bearing] // from the point to it; unknown when it touches the point
	AsOf      survey.Opt[time.Time]
	KV        survey.Opt[float64]    // an overhead line's own voltage, when its properties give it
	HalfWidth geo.Length             // of a pipe, duct or road about its line; 0 when its properties do not give it
	Tolerance survey.Opt[geo.Length] // a buried line's own tolerance each side of its edge
	Feature   survey.LayerFeature

	dated string
	shape *shape // about the point; nil when it is too far off to be measured from a stake
}

// From returns the distance to the feature from a place on the plane round the
// point; 0 inside an area. A feature of no geometry is infinitely far.
func (n *Near) From(p tangent.XY, plane *tangent.Plane) geo.Length {
	if n.shape != nil {
		return n.shape.from(p)
	}
	_, d, ok := Nearest(plane.Position(p), n.Feature.Geometry)
	if !ok {
		return farAway
	}
	return d
}

// Between tells whether the straight way from the point to a place on the plane
// round it crosses the feature's lines. A feature too far off to be measured from
// a stake lies between nothing.
func (n *Near) Between(p tangent.XY) bool { return n.shape != nil && n.shape.crosses(p) }

// Around is what the layers say about one point. A role that is not in Roles
// has no layer in the atlas: nothing is known, which is not "nothing there".
type Around struct {
	Roles     map[survey.Role]bool
	Bearings  []Bearing // best first: crest with toe or water, then the nearest toe, then water, then elevation
	Setback   survey.Opt[geo.Length]
	PastCrest bool   // the point stands on the slope below the crest line on file; Setback is then 0
	Near      []Near // by distance
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

// nearest returns the nearest feature of a role, nil when there is none.
func (a *Around) nearest(role survey.Role) *Near {
	for i := range a.Near {
		if a.Near[i].Role == role {
			return &a.Near[i]
		}
	}
	return nil
}
