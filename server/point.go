package server

import (
	"net/http"
	"time"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

type pointPage struct {
	Point     survey.Point
	Revision  int64
	UpdatedAt time.Time
	UpdatedBy string
	Site      survey.Site
	Answer    answer.Answer
	Grid      string // USNG
	Loud      []string
	Loads     []loadChoice
	Tonight   survey.Moisture
	Moistures []survey.Moisture
	Plates    []plate
	Used      []atlas.Used  // layers, nearest first
	Missing   []survey.Role // that no layer has
	History   []change
	Disputed  *disputed // what two stations recorded differently
	Photos    []photoView
	Pull      pullForm
	Units     survey.Units
	Record    bool // the visitor may add to it
}

type loadChoice struct{ ID, Title string }

// handlePoint shows the answer for a point with all its working.
//
// GET /points/{id}?load=&required=&tonight=&drawing=
func (s *Server) handlePoint(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "load", "required", "tonight", drawingParameter)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	asked, err := ask(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	j, err := s.atlas.Point(r.Context(), pathID(r), asked)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	policy, err := s.store.Policy(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	history, err := s.changes(r.Context(), sqlite.Points, j.Point.Item.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	apart, err := s.disputed(r.Context(), sqlite.Points, j.Point.Item.ID)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	working, err := s.atlas.Working(r.Context(), j)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	drawn, err := plates(r.URL, j, working, policy)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if n := q.Get(drawingParameter); n != "" {
		s.serveDrawing(w, r, drawn, n)
		return
	}
	used, missing, err := s.atlas.Used(r.Context(), j.Around)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := j.Point.Item
	photos, err := s.photosOf(r.Context(), p)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "point", page{Title: p.Label + ", " + j.Site.Item.Name, Body: pointPage{
		Point: p, Revision: j.Point.Revision, UpdatedAt: j.Point.UpdatedAt, UpdatedBy: j.Point.UpdatedBy,
		Site: j.Site.Item, Answer: j.Answer, Grid: usng(p.Position), Loud: doubts(j.Answer, answer.ReviewTitle, answer.AgeTitle),
		Loads: loadChoices(policy, j.Answer), Tonight: asked.Tonight, Moistures: survey.Moistures, Plates: drawn, Used: used, Missing: missing, History: history, Disputed: apart,
		Photos: photos, Pull: newPullForm(p, policy, s.now()), Units: policy.Units, Record: !s.readOnly && may(r.Context(), survey.Record),
	}})
}

// loadChoices lists the policy's load cases and, when the answer is for
// another load, that one too.
func loadChoices(policy survey.Policy, a answer.Answer) []loadChoice {
	var out []loadChoice
	own := true
	for _, l := range policy.LoadCases {
		out = append(out, loadChoice{l.ID, l.Title})
		own = own && l.ID != a.LoadCase.ID
	}
	if own {
		out = append(out, loadChoice{a.LoadCase.ID, a.LoadCase.Title})
	}
	return out
}
