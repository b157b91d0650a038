package atlas

import (
	"context"
	"fmt"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/pulls"
	"holdfast/survey/rig"
	"holdfast/survey/sqlite"
)

// PullLog is the pull-test log of the district, with the load curve that the
// mechanics gives each group's rig.
type PullLog struct {
	pulls.Log
	Curves []survey.Opt[rig.Sharing] // of Groups
}

// mostCurves bounds the load curves of one log, about a millisecond each.
const mostCurves = 50

// PullLog reads the log. A curve is that of the ground at the group's latest
// test as it was surveyed, what the tests there showed left aside; it is
// unknown where no stake figure may be given.
func (a Atlas) PullLog(ctx context.Context) (PullLog, error) {
	rows, err := a.Store.PointsWithTests(ctx)
	if err != nil {
		return PullLog{}, fmt.Errorf("load pull tests: %w", err)
	}
	points, sites := make([]survey.Point, len(rows)), map[string]survey.Site{}
	for i, row := range rows {
		points[i] = row.Item
	}
	all, err := a.Store.Sites(ctx, sqlite.Filter{})
	if err != nil {
		return PullLog{}, fmt.Errorf("load sites: %w", err)
	}
	for _, row := range all {
		sites[row.Item.ID] = row.Item
	}
	set, err := a.setting(ctx)
	if err != nil {
		return PullLog{}, err
	}
	out := PullLog{Log: pulls.Read(points, sites)}
	out.Curves = make([]survey.Opt[rig.Sharing], len(out.Groups))
	for i, g := range out.Groups[:min(len(out.Groups), mostCurves)] {
		p := g.Tests[0].Point
		p.PullTests = nil
		curve, ok, err := set.engine.Sharing(answer.Input{Point: p, AsOf: set.asOf}, g.Rig)
		if err != nil {
			return PullLog{}, fmt.Errorf("follow the %s rig at %s: %w", g.Rig, p.Label, err)
		}
		if ok {
			out.Curves[i] = survey.Known(curve)
		}
	}
	return out, nil
}
