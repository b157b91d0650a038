package server

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/sqlite"
)

const (
	ledgerSites  = 40 // in one ledger
	ledgerPoints = 80 // with a sentence each; with more, sites say how many of each verdict
)

// ledgerView is the list that says what the map shows, by site.
type ledgerView struct {
	Counted  string
	Unjudged int // of the atlas; 0 when every verdict is known
	Total    int // points of the atlas
	Sites    []ledgerSite
	Next     string // address of the next page
}

type ledgerSite struct {
	ID, Name, Code string
	Points         []ledgerPoint
	Empty          bool    // no point has been surveyed
	Tally          []tally // instead of the points where there are too many
}

type ledgerPoint struct {
	ID, Label string
	Verdict   answer.Verdict
	Sentence  string
}

type tally struct {
	Verdict answer.Verdict
	Count   int
}

// siteLedger lists the sites of the atlas a page at a time.
func (s *Server) siteLedger(ctx context.Context, after string) (ledgerView, error) {
	var v ledgerView
	if err := s.refresh(ctx); err != nil {
		return v, err
	}
	rows, err := s.store.Sites(ctx, sqlite.Filter{After: after, Limit: ledgerSites + 1})
	if err != nil {
		return v, err
	}
	if len(rows) > ledgerSites {
		rows = rows[:ledgerSites]
		v.Next = "/?" + url.Values{"after": {rows[ledgerSites-1].Item.ID}}.Encode()
	}
	v.Total, v.Unjudged = s.marks.count()
	by, shown := make(map[string][]mark, len(rows)), 0
	for _, r := range rows {
		by[r.Item.ID] = s.marks.of(r.Item.ID)
		shown += len(by[r.Item.ID])
	}
	for _, r := range rows {
		one := ledgerSite{ID: r.Item.ID, Name: r.Item.Name, Code: r.Item.Code, Empty: len(by[r.Item.ID]) == 0}
		s.fillSite(ctx, &one, by[r.Item.ID], shown <= ledgerPoints)
		v.Sites = append(v.Sites, one)
	}
	total, err := s.store.CountSites(ctx, sqlite.Filter{})
	v.Counted = fmt.Sprintf(sayCountWith, wording.Count(total, "site", "sites"), wording.Count(v.Total, "point", "points"))
	if total == 0 {
		v.Counted = sayEmptyAtlas
	}
	return v, err
}

// fillSite writes the points of a site, best first, or how many there are of
// each verdict.
func (s *Server) fillSite(ctx context.Context, one *ledgerSite, points []mark, each bool) {
	if !each {
		for _, v := range answer.Verdicts {
			n := 0
			for _, m := range points {
				if m.verdict == v {
					n++
				}
			}
			if n > 0 {
				one.Tally = append(one.Tally, tally{v, n})
			}
		}
		return
	}
	slices.SortStableFunc(points, func(a, b mark) int {
		return cmp.Or(a.verdict.Rank()-b.verdict.Rank(), survey.CompareLabels(a.label, b.label))
	})
	for _, m := range points {
		one.Points = append(one.Points, ledgerPoint{m.id, m.label, m.verdict, s.sentenceOf(ctx, m)})
	}
}

// sentenceOf is the answer of a point in one sentence.
func (s *Server) sentenceOf(ctx context.Context, m mark) string {
	if !m.judged {
		return sayStillWorking
	}
	if m.sentence != "" {
		return m.sentence
	}
	j, err := s.judgedNow(ctx, m.id)
	if err != nil {
		return sayNotWorkedOut
	}
	s.marks.keep(m, j.Answer.Sentence)
	return j.Answer.Sentence
}

// handleLedger is the ledger of a view: the points in it or, where there are
// many, the sites with how many of each verdict.
//
// GET /map/ledger?bbox=
func (s *Server) handleLedger(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "bbox")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	bound, err := bbox(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if err := s.refresh(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	s.renderPart(w, r, "ledger", s.viewLedger(r.Context(), bound))
}

func (s *Server) viewLedger(ctx context.Context, bound *orb.Bound) ledgerView {
	var v ledgerView
	var points []mark
	sites, tallies := map[*markSite]int{}, map[*markSite]map[answer.Verdict]int{}
	total := 0
	v.Unjudged = s.marks.within(bound, func(m *mark) {
		if total++; total <= ledgerPoints {
			points = append(points, *m)
		}
		if sites[m.site]++; tallies[m.site] == nil {
			tallies[m.site] = map[answer.Verdict]int{}
		}
		tallies[m.site][m.verdict]++
	})
	if v.Unjudged > 0 {
		v.Total, _ = s.marks.count()
	}
	order := make([]*markSite, 0, len(sites))
	for site := range sites {
		order = append(order, site)
	}
	slices.SortFunc(order, func(a, b *markSite) int {
		return cmp.Or(cmp.Compare(strings.ToLower(a.name), strings.ToLower(b.name)), cmp.Compare(a.id, b.id))
	})
	v.Counted = wording.Count(total, "point", "points") + sayInView
	switch {
	case total == 0:
		v.Counted = sayNoneInView
	case len(order) > ledgerSites:
		v.Counted = fmt.Sprintf(sayZoomForOthers, wording.Count(total, "point", "points"), wording.Count(len(order), "site", "sites"), ledgerSites)
		order = order[:ledgerSites]
	case total > ledgerPoints:
		v.Counted = fmt.Sprintf(sayZoomForEach, wording.Count(total, "point", "points"), wording.Count(len(order), "site", "sites"))
	}
	for _, site := range order {
		one := ledgerSite{ID: site.id, Name: site.name, Code: site.code}
		if total <= ledgerPoints {
			own := slices.DeleteFunc(slices.Clone(points), func(m mark) bool { return m.site != site })
			s.fillSite(ctx, &one, own, true)
		} else {
			for _, verdict := range answer.Verdicts {
				if n := tallies[site][verdict]; n > 0 {
					one.Tally = append(one.Tally, tally{verdict, n})
				}
			}
		}
		v.Sites = append(v.Sites, one)
	}
	return v
}
