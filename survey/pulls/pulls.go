// Package pulls reads the pull-test log of a district: the tests of each rig in
// each kind of ground, and the figure that they support together.
package pulls

import (
	"cmp"
	"slices"
	"time"

	"holdfast/survey"
	"holdfast/survey/ground"
	"holdfast/survey/soil"
)

// Test is a pull test with where it was made.
type Test struct {
	survey.PullTest
	Point     survey.Point
	Site      survey.Site
	Class     survey.GroundClass
	Cohesive  survey.Answer
	Disturbed survey.Answer
}

// Wet is the state of the ground on the day of the test, as far as it is known.
func (t Test) Wet() survey.Moisture { return cmp.Or(t.Moisture, t.Point.Ground.Moisture) }

// Group is the tests of one rig in one kind of ground.
type Group struct {
	Rig       string
	Class     survey.GroundClass
	Cohesive  survey.Answer
	Disturbed bool             // or not known to be undisturbed
	Factor    survey.GroundKey // the ground factor that goes with it
	Tests     []Test           // the latest first
	// Value is what they support by EN 1990:2002 Annex D7, as the engine has it
	// for ground no wetter than any of them was pulled in. It is unknown while
	// they are too few or the class is unknown.
	Value survey.Opt[soil.Characteristic]
}

// Needed is how many more tests give the group a value; 0 when it has one.
func (g Group) Needed() int { return max(0, soil.LeastTests-len(g.Tests)) }

// Rated is the handbook's figure for the group: the policy's rating of the rig
// with the factor of its ground. It is unknown where the policy has none, or
// the ground does not suit.
func (g Group) Rated(p survey.Policy) survey.Opt[survey.Force] {
	r, okR := p.Rating(g.Rig)
	f, okF := p.Factor(g.Factor)
	share, suitable := f.Factor.Get()
	if !okR || !okF || !suitable {
		return survey.Opt[survey.Force]{}
	}
	return survey.Known(survey.Force(r.HoldingN * share))
}

// Log is every pull test, by rig and ground; Found are those of trees, rocks
// and other anchors, which speak for themselves alone.
type Log struct {
	Groups []Group
	Found  []Test
}

// Read reads the log off points with their sites, by id.
func Read(points []survey.Point, sites map[string]survey.Site) Log {
	type kind struct {
		rig       string
		class     survey.GroundClass
		cohesive  survey.Answer
		disturbed bool
		factor    survey.GroundKey
	}
	var log Log
	groups := map[kind]*Group{}
	for _, p := range points {
		g := ground.Classify(p.Ground)
		for _, pulled := range p.PullTests {
			t := Test{PullTest: pulled, Point: p, Site: sites[p.Site], Class: g.Class, Cohesive: g.Cohesive, Disturbed: p.Ground.Disturbed}
			if _, err := survey.ParsePattern(t.Rig); err != nil {
				log.Found = append(log.Found, t)
				continue
			}
			k := kind{t.Rig, t.Class, t.Cohesive, t.Disturbed != survey.No, g.Factor}
			if groups[k] == nil {
				groups[k] = &Group{Rig: k.rig, Class: k.class, Cohesive: k.cohesive, Disturbed: k.disturbed, Factor: k.factor}
			}
			groups[k].Tests = append(groups[k].Tests, t)
		}
	}
	for _, g := range groups {
		slices.SortStableFunc(g.Tests, latest)
		g.Value = value(g)
		log.Groups = append(log.Groups, *g)
	}
	slices.SortFunc(log.Groups, func(a, b Group) int {
		return cmp.Or(
			cmp.Compare(len(a.Rig), len(b.Rig)), cmp.Compare(a.Rig, b.Rig),
			cmp.Compare(slices.Index(survey.GroundClasses, a.Class), slices.Index(survey.GroundClasses, b.Class)),
			cmp.Compare(a.Cohesive, b.Cohesive), order(a.Disturbed, b.Disturbed), cmp.Compare(a.Factor, b.Factor))
	})
	slices.SortStableFunc(log.Found, latest)
	return log
}

// latest puts the later test first, and those of no date last.
func latest(a, b Test) int {
	x, _ := a.At.Get()
	y, _ := b.At.Get()
	return y.Truncate(time.Second).Compare(x.Truncate(time.Second))
}

func order(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

func value(g *Group) survey.Opt[soil.Characteristic] {
	if g.Class == survey.ClassUnknown {
		return survey.Opt[soil.Characteristic]{}
	}
	var tests []soil.PullTest
	for _, t := range g.Tests {
		held := t.Outcome == survey.Held
		if held && t.Force() < survey.Newton {
			continue // it says nothing
		}
		tests = append(tests, soil.PullTest{Force: max(t.Force(), survey.Newton), Stopped: held})
	}
	c, err := soil.NewCharacteristic(tests)
	if err != nil {
		return survey.Opt[soil.Characteristic]{}
	}
	return survey.Known(c)
}
