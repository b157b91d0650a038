// Package walk is the engine as a device without a network asks it: it takes an
// area of an atlas along and answers for points in it. Questions and answers are
// JSON. It adds no rule: survey/answer judges, and what a point has around it is
// read as on the server.
package walk

import (
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/surround"
)

// Area is what a device takes along of an atlas: the policy, the sites and
// points, and every feature of the layers that bears on a point within Bounds.
type Area struct {
	Atlas    string        `json:"atlas"`    // identity
	Revision int64         `json:"revision"` // of the atlas
	TakenAt  time.Time     `json:"taken_at"`
	District string        `json:"district"` // "" is the whole atlas
	Bounds   [4]float64    `json:"bounds"`   // west, south, east, north: beyond, the layers were not looked at
	Policy   survey.Policy `json:"policy"`
	Sites    []Item        `json:"sites"`
	Points   []Item        `json:"points"`
	Roles    []survey.Role `json:"roles"` // every role that a layer of the atlas has
	Layers   []Layer       `json:"layers"`
	Tests    []Test        `json:"tests"` // of the whole department
	Left     []string      `json:"left_out,omitempty"`
}

// Item is a site or a point with the revision that made it what it is.
type Item struct {
	Revision int64           `json:"revision"`
	Feature  geojson.Feature `json:"feature"`
}

// Layer is the part of a layer that lies in or near an area.
type Layer struct {
	ID       string                `json:"id"`
	Title    string                `json:"title"`
	Role     survey.Role           `json:"role"`
	AsOf     survey.Opt[time.Time] `json:"as_of,omitzero"`
	Features []geojson.Feature     `json:"features"`
	boxes    []orb.Bound
}

// Test is a pull test with the ground it was made in.
type Test struct {
	survey.PullTest
	Point     string             `json:"point"`
	Class     survey.GroundClass `json:"class"`
	Cohesive  survey.Answer      `json:"cohesive,omitempty"`
	Disturbed survey.Answer      `json:"disturbed,omitempty"`
	Ground    survey.Moisture    `json:"ground,omitempty"`
}

// NewTest takes a department's test along.
func NewTest(t answer.DepartmentTest) Test {
	return Test{PullTest: t.PullTest, Point: t.Point, Class: t.Class, Cohesive: t.Cohesive, Disturbed: t.Disturbed, Ground: t.Ground}
}

func (t Test) department() answer.DepartmentTest {
	return answer.DepartmentTest{PullTest: t.PullTest, Point: t.Point, Class: t.Class, Cohesive: t.Cohesive, Disturbed: t.Disturbed, Ground: t.Ground}
}

// covers tells whether the layers round a place were taken along.
func (a *Area) covers(p orb.Point) bool {
	b := a.Bounds
	return p.Lon() >= b[0] && p.Lon() <= b[2] && p.Lat() >= b[1] && p.Lat() <= b[3]
}

// around reads the layers round a point. Where they were not taken along no
// role counts as looked at.
func (a *Area) around(p survey.Point) surround.Around {
	if !a.covers(p.Position) {
		return surround.Read(p.Position, nil, nil)
	}
	roles := make(map[survey.Role]bool, len(a.Roles))
	for _, r := range a.Roles {
		roles[r] = true
	}
	around := surround.Read(p.Position, a.within(p.Position, surround.Reach), roles)
	if around.LooksFar(p) {
		around.ReadFar(p.Position, a.within(p.Position, surround.Far))
	}
	return around
}

// within returns the features whose boxes come within r of a place, and some a
// little further off.
func (a *Area) within(p orb.Point, r geo.Length) []survey.LayerFeature {
	box := Around(p.Bound(), r)
	var out []survey.LayerFeature
	for i := range a.Layers {
		l := &a.Layers[i]
		for k, f := range l.Features {
			if l.boxes[k].Intersects(box) {
				out = append(out, survey.LayerFeature{
					Layer: l.Title, LayerID: l.ID, Role: l.Role, AsOf: l.AsOf,
					ID: f.ID, Geometry: f.Geometry.Geometry, Heights: f.Geometry.Z, Properties: f.Properties,
				})
			}
		}
	}
	return out
}

// prepare measures what is asked about again and again.
func (a *Area) prepare() {
	for i := range a.Layers {
		l := &a.Layers[i]
		l.boxes = make([]orb.Bound, len(l.Features))
		for k, f := range l.Features {
			if f.Geometry.Geometry != nil {
				l.boxes[k] = f.Geometry.Geometry.Bound()
			}
		}
	}
}
