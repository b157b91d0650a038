package server

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"
	"github.com/paulmach/orb"
	"github.com/paulmach/orb/planar"

	"holdfast/geo/grid"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

type sitePage struct {
	Site      survey.Site
	Revision  int64
	UpdatedAt time.Time
	UpdatedBy string
	Grid      string // USNG
	Loud      []string
	Answers   []atlas.Judged // best first
	History   []sqlite.Revision
}

// handleSite shows what holds at a site and how to get there.
//
// GET /sites/{id}
func (s *Server) handleSite(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	row, judged, err := s.atlas.Site(r.Context(), pathID(r), atlas.Ask{})
	if err != nil {
		s.fail(w, r, err)
		return
	}
	history, err := s.store.History(r.Context(), sqlite.Sites, row.Item.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	policy, err := s.store.Policy(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	slices.SortStableFunc(judged, func(a, b atlas.Judged) int {
		return slices.Index(answer.Verdicts, a.Answer.Verdict) - slices.Index(answer.Verdicts, b.Answer.Verdict)
	})
	s.render(w, r, http.StatusOK, "site", page{Title: row.Item.Name, Body: sitePage{
		Site: row.Item, Revision: row.Revision, UpdatedAt: row.UpdatedAt, UpdatedBy: row.UpdatedBy,
		Grid: usng(middle(row.Item.Geometry)), Loud: s.siteDoubts(row.Item, judged, policy), Answers: judged, History: history,
	}})
}

// pathID is the {id} of the address.
func pathID(r *http.Request) string { return chi.URLParam(r, "id") }

// middle is a place that stands for a geometry.
func middle(g orb.Geometry) orb.Point {
	switch g := g.(type) {
	case orb.Point:
		return g
	case orb.LineString:
		if len(g) > 0 {
			return g[len(g)/2]
		}
	}
	p, _ := planar.CentroidArea(g)
	return p
}

// usng writes a position as a grid reference to a metre, "" where there is
// none.
func usng(p orb.Point) string {
	ref, err := grid.USNG(p, grid.Metre)
	if err != nil {
		return ""
	}
	return ref
}

// siteDoubts says what must not be overlooked about a site as a whole.
func (s *Server) siteDoubts(site survey.Site, judged []atlas.Judged, policy survey.Policy) []string {
	out := reviewDoubts(site.Review, s.now())
	var old, undated []string
	for _, j := range judged {
		switch _, stale, known := surveyAge(j.Point.Item, policy, s.now()); {
		case !known:
			undated = append(undated, j.Point.Item.Label)
		case stale:
			old = append(old, j.Point.Item.Label)
		}
	}
	if len(old) > 0 {
		out = append(out, fmt.Sprintf("Surveyed longer ago than the %.0f months allowed: %s.", policy.ResurveyMonths.Value, strings.Join(old, ", ")))
	}
	if len(undated) > 0 {
		out = append(out, fmt.Sprintf("The date of the survey is not recorded: %s.", strings.Join(undated, ", ")))
	}
	return out
}

// reviewDoubts says how far short of a valid signature a site is.
func reviewDoubts(r survey.Review, now time.Time) []string {
	var out []string
	switch r.State {
	case survey.Signed:
	case survey.Reviewed:
		out = append(out, "Reviewed but not signed off.")
	case survey.Draft:
		out = append(out, "A draft: neither reviewed nor signed off.")
	default:
		out = append(out, "Not reviewed and not signed off.")
	}
	if due, ok := r.Due.Get(); ok && now.After(due) {
		out = append(out, fmt.Sprintf("The review was due again on %s.", due.UTC().Format("2 Jan 2006")))
	}
	return out
}

// surveyAge is how many days ago a point was surveyed, and whether that is
// longer than the policy allows; known is false without a date.
func surveyAge(p survey.Point, policy survey.Policy, now time.Time) (days int, stale, known bool) {
	days, known = survey.Age(p.SurveyedAt, now)
	at, _ := p.SurveyedAt.Get()
	return days, known && now.After(at.AddDate(0, int(policy.ResurveyMonths.Value), 0)), known
}
