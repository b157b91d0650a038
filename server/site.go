package server

import (
	"fmt"
	"net/http"
	"slices"
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
	Plates    []plate
	History   []change
	Disputed  *disputed // what two stations recorded differently

	Reviewable         bool
	Hidden             bool   // there are contacts, and the visitor may not see them
	Tomorrow, DueAgain string // days, for the form of a review
}

// handleSite shows what holds at a site and how to get there.
//
// GET /sites/{id}?drawing=
func (s *Server) handleSite(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, drawingParameter)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	row, judged, err := s.atlas.Site(r.Context(), pathID(r), atlas.Ask{})
	if err != nil {
		s.fail(w, r, err)
		return
	}
	history, err := s.changes(r.Context(), sqlite.Sites, row.Item.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	apart, err := s.disputed(r.Context(), sqlite.Sites, row.Item.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	shared, err := s.store.SharedCodes(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	slices.SortStableFunc(judged, func(a, b atlas.Judged) int { return answer.Compare(&a.Answer, &b.Answer) })
	policy, err := s.store.Policy(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	drawn, err := s.siteMap(r.Context(), r.URL, row.Item, judged, policy.Units)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if n := q.Get(drawingParameter); n != "" {
		s.serveDrawing(w, r, drawn, n)
		return
	}
	now := s.now().UTC()
	s.render(w, r, http.StatusOK, "site", page{Title: row.Item.Name, Body: sitePage{
		Site: row.Item, Revision: row.Revision, UpdatedAt: row.UpdatedAt, UpdatedBy: row.UpdatedBy,
		Grid: usng(middle(row.Item.Geometry)), Loud: append(codeDoubts(row.Item, shared), siteDoubts(row.Item, judged)...), Answers: judged, Plates: drawn, History: history, Disputed: apart,
		Reviewable: !s.readOnly && may(r.Context(), survey.SignOff), Hidden: len(row.Item.Contacts) > 0 && !may(r.Context(), survey.Contacts), Tomorrow: now.AddDate(0, 0, 1).Format(time.DateOnly),
		DueAgain: now.AddDate(0, int(policy.ResurveyMonths.Value), 0).Format(time.DateOnly),
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

// codeDoubts names the other sites that have the code of a site.
func codeDoubts(site survey.Site, shared []sqlite.SharedCode) []string {
	var out []string
	for _, c := range shared {
		for _, other := range c.Others(site.ID) {
			out = append(out, fmt.Sprintf(sayCodeTwice, other.Name, other.ID, c.Code))
		}
	}
	return out
}

// siteDoubts says what must not be overlooked about a site as a whole: pages put
// it on top, as loud as the answer.
func siteDoubts(site survey.Site, judged []atlas.Judged) []string {
	var out []string
	if len(judged) == 0 && site.Review.State != survey.Signed {
		out = append(out, sayNotSignedOff)
	}
	for _, j := range judged {
		for _, one := range doubts(j.Answer, answer.ReviewTitle) {
			if !slices.Contains(out, one) {
				out = append(out, one)
			}
		}
	}
	for _, j := range judged {
		for _, one := range doubts(j.Answer, answer.AgeTitle) {
			out = append(out, j.Point.Item.Label+": "+one)
		}
	}
	return out
}

// doubts words the named checks of an answer that did not pass.
func doubts(a answer.Answer, titles ...string) []string {
	best, ok := a.Best()
	if !ok {
		return nil
	}
	var out []string
	for _, c := range best.Main.Checks {
		if slices.Contains(titles, c.Title) && !(c.Ran && c.Passed) {
			text := c.Message
			if c.Fix != "" {
				text += ": " + c.Fix
			}
			out = append(out, sentence(text))
		}
	}
	return out
}
