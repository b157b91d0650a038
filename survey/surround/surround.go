// Package surround reads the GIS layers around a point: which way the bank
// falls by its crest, toe and water lines, how far the crest is, and which
// buried lines, overhead lines, roads and parcels are near. It works on the
// features it is given; fetching them is the store's business.
package surround

import (
	"time"

	"holdfast/geo"
	"holdfast/survey"
)

// Bearing is one reading of the pull bearing from a layer.
type Bearing struct {
	Deg   geo.Bearing
	How   string // in words, with the layer's title and date
	Layer string
}

// Near is a feature of a layer near the point.
type Near struct {
	Role     survey.Role
	Layer    string
	ID       string
	Name     string // the feature's own name or owner, when its properties have one
	Distance geo.Length
	Bearing  survey.Opt[geo.Bearing] // from the point to it; unknown when it touches the point
	AsOf     survey.Opt[time.Time]
	Feature  survey.LayerFeature
}

// Around is what the layers say about one point. A role that is not in Roles
// has no layer in the atlas: nothing is known, which is not "nothing there".
type Around struct {
	Roles    map[survey.Role]bool
	Bearings []Bearing // best first: crest with toe or water, then the nearest toe, then water
	Setback  survey.Opt[geo.Length]
	Near     []Near // by distance
}
