package server

import (
	"cmp"
	"context"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"sync"
	"time"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/clip"
	"github.com/paulmach/orb/simplify"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/coverage"
	"holdfast/survey/sqlite"
)

const (
	reachesKept   = 4    // answers remembered, one a rope and load
	reachesListed = 20   // of the longest gaps
	reachesDrawn  = 3000 // in one view
	reachPixels   = 2000 // a view is drawn no finer than this
)

// reachView is how much of the banks a usable point reaches.
type reachView struct {
	Asked  bool
	Ropes  []choiceView
	All    coverage.Lengths
	Banks  []reachRow
	Sites  []reachRow
	Gaps   []gap
	NoBank bool // no bank crest is on file, so nothing could be measured
}

// Sum is the length of all banks.
func (v reachView) Sum() geo.Length { return v.All.HoldsM + v.All.ShortM + v.All.UncoveredM }

type reachRow struct {
	Name string
	coverage.Lengths
}

// gap is a stretch of bank that no usable point reaches.
type gap struct {
	Bank    string
	LengthM geo.Length
	Href    string // the map there
	At      *placed
}

// reach measures the banks when the address asks for it.
func (s *Server) reach(ctx context.Context, policy survey.Policy, q url.Values) (reachView, error) {
	v := reachView{Asked: q.Get("coverage") != "", Ropes: ropeChoices(policy, q.Get("rope_m"))}
	if !v.Asked {
		return v, nil
	}
	rope, asked, err := reachAsked(q)
	if err != nil {
		return v, err
	}
	got, err := s.measureReach(ctx, rope, asked)
	if err != nil {
		return v, err
	}
	v.All, v.NoBank = got.All, len(got.Reaches) == 0
	v.Banks, v.Sites, v.Gaps = reachRows(got.Names), reachRows(got.Sites), gapsOf(got, q.Get("rope_m"))
	return v, nil
}

// gapsOf lists the longest gaps, with the map measured again by the same rope;
// "" is the one carried.
func gapsOf(got coverage.Result, rope string) (out []gap) {
	for _, r := range got.Reaches { // in order
		if r.State != coverage.Uncovered || len(out) == reachesListed {
			break
		}
		at := placeOf(r.Line[len(r.Line)/2])
		again := url.Values{"coverage": {"1"}, "q": {at.LatLon}}
		if rope != "" {
			again.Set("rope_m", rope)
		}
		out = append(out, gap{r.Name, r.LengthM, "/?" + again.Encode(), at})
	}
	return out
}

// reachAsked reads the rope and the load of an address.
func reachAsked(q url.Values) (geo.Length, atlas.Ask, error) {
	rope, err := ropeOf(q)
	if err != nil {
		return 0, atlas.Ask{}, err
	}
	asked, err := ask(q)
	return rope, asked, err
}

func reachRows(by map[string]*coverage.Lengths) []reachRow {
	var out []reachRow
	for _, name := range slices.Sorted(maps.Keys(by)) {
		out = append(out, reachRow{name, *by[name]})
	}
	return out
}

// reaches remembers what was measured for as long as the atlas stays as it is.
type reaches struct {
	mu   sync.Mutex
	kept []keptReach
}

type keptReach struct {
	state  sqlite.State
	rope   geo.Length
	ask    atlas.Ask
	at     time.Time
	result coverage.Result
}

// measureReach measures the banks, or remembers what they measured.
func (s *Server) measureReach(ctx context.Context, rope geo.Length, asked atlas.Ask) (coverage.Result, error) {
	state, err := s.store.State(ctx)
	if err != nil {
		return coverage.Result{}, err
	}
	c := &s.reaches
	c.mu.Lock() // one at a time: it takes both processors
	defer c.mu.Unlock()
	now := s.now()
	c.kept = slices.DeleteFunc(c.kept, func(k keptReach) bool { return k.state != state || now.Sub(k.at).Abs() > fresh })
	for _, k := range c.kept {
		if k.rope == rope && k.ask == asked {
			return k.result, nil
		}
	}
	got, err := s.atlas.Coverage(ctx, rope, asked, nil)
	if err != nil {
		return got, err
	}
	if len(c.kept) == reachesKept {
		c.kept = c.kept[1:]
	}
	c.kept = append(c.kept, keptReach{state, rope, asked, now, got})
	return got, nil
}

// handleReaches draws the reach of the points along the banks in a view, as
// fine as the view can show.
//
// GET /map/reaches?bbox=&rope_m=&load=&required=&tonight=
func (s *Server) handleReaches(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "bbox", "rope_m", "load", "required", "tonight")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	bound, err := bbox(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	rope, asked, err := reachAsked(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	got, err := s.measureReach(r.Context(), rope, asked)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, typeGeoJSON, drawReaches(got.Reaches, bound))
}

type reachProps struct {
	State string `json:"state"`
	Bank  string `json:"bank"`
}

// drawReaches cuts the stretches to a view and leaves out the corners that it
// is too coarse to show. Of too many the longest are drawn.
func drawReaches(all []coverage.Reach, b *orb.Bound) drawnAll[reachProps] {
	out := drawAll[reachProps](0)
	view := orb.Bound{Min: orb.Point{-180, -90}, Max: orb.Point{180, 90}}
	if b != nil && b.Left() < b.Right() {
		view = *b
	}
	coarse := simplify.DouglasPeucker((view.Right() - view.Left()) / reachPixels)
	byLength := slices.Clone(all)
	slices.SortStableFunc(byLength, func(x, y coverage.Reach) int { return cmp.Compare(y.LengthM, x.LengthM) })
	for _, r := range byLength {
		if len(out.Features) >= reachesDrawn {
			break
		}
		if !view.Intersects(r.Line.Bound()) {
			continue
		}
		line := coarse.LineString(r.Line.Clone())
		for _, part := range clip.LineString(view, line) {
			out.Features = append(out.Features, draw(part, reachProps{string(r.State), r.Name}))
		}
	}
	return out
}

// handleReachPart is the reach along the banks as a piece of the map page.
//
// GET /map/coverage?rope_m=&load=&required=&tonight=
func (s *Server) handleReachPart(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "rope_m", "load", "required", "tonight")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	policy, err := s.store.Policy(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q.Set("coverage", "1")
	v, err := s.reach(r.Context(), policy, q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.renderPart(w, r, "reach", v)
}
