// Package atlas asks the engine about stored points: it loads what an answer
// needs - point, site, layers around, policy, the department's tests - and
// hands the values on. It is the one sequence that the server and the command
// line share; it decides nothing itself.
package atlas

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/magnetic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/ground"
	"holdfast/survey/near"
	"holdfast/survey/sqlite"
	"holdfast/survey/surround"
)

// Atlas is a store with a clock.
type Atlas struct {
	Store    *sqlite.Store
	Now      func() time.Time
	Magnetic *magnetic.Model // nil is the one the program carries
	Engines  *Engines        // nil makes an engine for each question
	Hands    int             // points that Each judges at a time; 0 is one for each processor
}

// Ask is what an answer may be asked for besides the point.
type Ask struct {
	Load     string              // load case or own load; "" is the policy's first
	Required survey.Opt[float64] // replaces the policy's ratio
	Tonight  survey.Moisture     // "" is as surveyed
}

// Judged is a point with everything its answer was made from.
type Judged struct {
	Point  sqlite.Row[survey.Point]
	Site   sqlite.Row[survey.Site]
	Around surround.Around
	Answer answer.Answer
}

// setting is what the answers of one request have in common.
type setting struct {
	policy survey.Policy
	engine *answer.Engine
	tests  []answer.DepartmentTest
	asOf   time.Time
}

func (a Atlas) setting(ctx context.Context) (setting, error) {
	p, err := a.Store.PolicyInForce(ctx)
	if err != nil {
		return setting{}, fmt.Errorf("load policy: %w", err)
	}
	tests, err := a.departmentTests(ctx)
	if err != nil {
		return setting{}, err
	}
	engine, err := a.Engines.of(p.Revision, func() (*answer.Engine, error) { return a.engine(p.Item) })
	if err != nil {
		return setting{}, err
	}
	return setting{policy: p.Item, engine: engine, tests: tests, asOf: a.Now().UTC()}, nil
}

// Engines remembers the engine of the policy in force from one question to the
// next: making one costs as much as a dozen answers.
type Engines struct {
	mu       sync.Mutex
	revision int64
	last     *answer.Engine
}

// of returns the engine of a revision of the policy. A nil Engines makes one
// each time.
func (e *Engines) of(revision int64, make func() (*answer.Engine, error)) (*answer.Engine, error) {
	if e == nil {
		return make()
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.last != nil && e.revision == revision {
		return e.last, nil
	}
	made, err := make()
	if err == nil {
		e.last, e.revision = made, revision
	}
	return made, err
}

// engine returns the engine of a policy, with the atlas's magnetic model.
func (a Atlas) engine(p survey.Policy) (*answer.Engine, error) {
	e, err := answer.NewEngine(p)
	if err != nil {
		return nil, fmt.Errorf("use policy %s: %w", p.Version, err)
	}
	if a.Magnetic != nil {
		e.UseMagnetic(a.Magnetic)
	}
	return e, nil
}

// departmentTests lists every pull test of a stake rig in the atlas with the
// ground it was made in.
func (a Atlas) departmentTests(ctx context.Context) ([]answer.DepartmentTest, error) {
	points, err := a.Store.PointsWithTests(ctx)
	if err != nil {
		return nil, fmt.Errorf("load pull tests: %w", err)
	}
	var out []answer.DepartmentTest
	for _, p := range points {
		g := ground.Classify(p.Item.Ground)
		for _, t := range p.Item.PullTests {
			out = append(out, answer.DepartmentTest{PullTest: t, Point: p.Item.ID, Class: g.Class, Cohesive: g.Cohesive, Disturbed: p.Item.Ground.Disturbed, Ground: p.Item.Ground.Moisture})
		}
	}
	return out, nil
}

// Around reads the layers round a point, and the toe and the water further off
// where nothing nearer tells which way the ground falls.
func (a Atlas) Around(ctx context.Context, p survey.Point) (surround.Around, error) {
	near, roles, err := a.Store.LayersNear(ctx, p.Position, surround.Reach)
	if err != nil {
		return surround.Around{}, fmt.Errorf("load layers near the point: %w", err)
	}
	around := surround.Read(p.Position, near, roles)
	if err := a.addElevation(ctx, p.Position, &around); err != nil {
		return around, err
	}
	if around.LooksFar(p) {
		far, _, err := a.Store.LayersNear(ctx, p.Position, surround.Far)
		if err != nil {
			return around, fmt.Errorf("look for the bank: %w", err)
		}
		around.ReadFar(p.Position, far)
	}
	return around, nil
}

// Point judges a stored point.
func (a Atlas) Point(ctx context.Context, id string, ask Ask) (Judged, error) {
	row, err := a.Store.Point(ctx, id)
	if err != nil {
		return Judged{}, err
	}
	site, err := a.Store.Site(ctx, row.Item.Site)
	if err != nil {
		return Judged{}, err
	}
	set, err := a.setting(ctx)
	if err != nil {
		return Judged{}, err
	}
	return a.judge(ctx, row, site, set, ask)
}

func (a Atlas) judge(ctx context.Context, row sqlite.Row[survey.Point], site sqlite.Row[survey.Site], set setting, ask Ask) (Judged, error) {
	around, err := a.Around(ctx, row.Item)
	if err != nil {
		return Judged{}, err
	}
	ans, err := set.engine.For(set.input(row.Item, site.Item, around, ask))
	if err != nil {
		return Judged{}, err
	}
	return Judged{Point: row, Site: site, Around: around, Answer: ans}, nil
}

func (s setting) input(p survey.Point, site survey.Site, around surround.Around, ask Ask) answer.Input {
	return answer.Input{
		Point: p, Site: site, Around: around, Policy: s.policy, LoadID: ask.Load, Required: ask.Required,
		AsOf: s.asOf, Tonight: ask.Tonight, Tests: s.tests,
	}
}

// Calculate judges a point that is not stored. Its site may be unknown to the
// atlas; then nothing is known of sign-off and water.
func (a Atlas) Calculate(ctx context.Context, p survey.Point, ask Ask) (answer.Answer, error) {
	set, err := a.setting(ctx)
	if err != nil {
		return answer.Answer{}, err
	}
	var site survey.Site
	if row, err := a.Store.Site(ctx, p.Site); err == nil {
		site = row.Item
	}
	around, err := a.Around(ctx, p)
	if err != nil {
		return answer.Answer{}, err
	}
	return set.engine.For(set.input(p, site, around, ask))
}

// Site judges every point of a site, in the order of their labels.
func (a Atlas) Site(ctx context.Context, idOrCode string, ask Ask) (sqlite.Row[survey.Site], []Judged, error) {
	site, err := a.Store.Site(ctx, idOrCode)
	if err != nil {
		return site, nil, err
	}
	set, err := a.setting(ctx)
	if err != nil {
		return site, nil, err
	}
	out, err := a.judgeSite(ctx, site, set, ask)
	return site, out, err
}

func (a Atlas) judgeSite(ctx context.Context, site sqlite.Row[survey.Site], set setting, ask Ask) ([]Judged, error) {
	rows, err := a.Store.Points(ctx, sqlite.Filter{Site: site.Item.ID})
	if err != nil {
		return nil, fmt.Errorf("load the site's points: %w", err)
	}
	out := make([]Judged, 0, len(rows))
	for _, row := range rows {
		j, err := a.judge(ctx, row, site, set, ask)
		if err != nil {
			return nil, fmt.Errorf("judge point %s: %w", row.Item.Label, err)
		}
		out = append(out, j)
	}
	sortByLabel(out)
	return out, nil
}

// Near answers the incident question for a casualty at a place: the points
// within rope reach, best first. A rope of 0 is the longest that the policy
// says is carried.
func (a Atlas) Near(ctx context.Context, at orb.Point, rope geo.Length, ask Ask) ([]near.Found, error) {
	set, err := a.setting(ctx)
	if err != nil {
		return nil, err
	}
	if rope == 0 {
		rope = set.policy.Kit.RopeM.Value
	}
	if rope < 0 || rope > mostRope {
		return nil, survey.Invalid("", "a rope of %g m is outside 0 to %g", rope.Metres(), mostRope.Metres())
	}
	rows, err := a.Store.PointsWithin(ctx, at, rope)
	if err != nil {
		return nil, fmt.Errorf("look for points within reach: %w", err)
	}
	sites := map[string]survey.Site{}
	var out []near.Found
	for _, row := range rows {
		site, ok := sites[row.Item.Site]
		if !ok {
			s, err := a.Store.Site(ctx, row.Item.Site)
			if err != nil {
				return nil, err
			}
			site = s.Item
			sites[row.Item.Site] = site
		}
		around, err := a.Around(ctx, row.Item)
		if err != nil {
			return nil, err
		}
		f, ok, err := near.Judge(set.engine, near.Question{At: at, Rope: rope}, set.input(row.Item, site, around, ask))
		if err != nil {
			return nil, err
		}
		if ok {
			out = append(out, f)
		}
	}
	near.Rank(out, set.policy.Required(ask.Required))
	return out, nil
}

// mostRope bounds the incident question; no rope system is longer.
const mostRope = 2 * geo.Kilometre
