package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
	"holdfast/survey/version"
)

// ratingsPage is the policy in force, the pull tests behind it and the policies
// before it.
type ratingsPage struct {
	Policy  survey.Policy
	Since   time.Time
	By      string
	Sheaves []saidSheaf
	Tables  []saidTable
	Log     logPart
	Past    []pastPolicy
	Change  bool // the visitor may change it
}

type saidSheaf struct {
	ID, Title, Note string
	Lines           []saidLine
}

type saidLine struct{ Label, Value, Source string }

type saidTable struct {
	ID, Title, Note string
	Heads           []string
	Rows            [][]saidCell
}

type saidCell struct {
	Text   string
	Figure bool
}

// pastPolicy is a policy on record with what it changed.
type pastPolicy struct {
	sqlite.Row[survey.Policy]
	Phrases []version.Phrase
	First   bool
}

// handleRatings shows what the department requires and credits, with sources.
//
// GET /ratings
func (s *Server) handleRatings(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	body, err := s.ratingsPage(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, http.StatusOK, "ratings", page{Title: "Ratings", Room: "ratings", Body: body})
}

func (s *Server) ratingsPage(ctx context.Context) (ratingsPage, error) {
	past, err := s.store.Policies(ctx)
	if err != nil {
		return ratingsPage{}, err
	}
	if len(past) == 0 {
		return ratingsPage{}, fmt.Errorf(sayNoPolicy, survey.ErrNotFound)
	}
	now := past[0]
	body := ratingsPage{Policy: now.Item, Since: now.UpdatedAt, By: now.UpdatedBy, Change: !s.readOnly && may(ctx, survey.Rate)}
	doc, err := documentOf(now.Item)
	if err != nil {
		return body, err
	}
	body.Sheaves, body.Tables = sayPolicy(doc, now.Item.Units)
	if body.Past, err = pastPolicies(past); err != nil {
		return body, err
	}
	body.Log, err = s.logPart(ctx, now.Item)
	return body, err
}

// sayPolicy is a policy as a page says it.
func sayPolicy(doc document, u survey.Units) (lines []saidSheaf, lists []saidTable) {
	for i, s := range sheaves {
		out := saidSheaf{ID: fmt.Sprintf("lines-%d", i+1), Title: s.Title, Note: s.Note}
		for _, l := range s.Lines {
			in := doc.holder(l.Path)
			out.Lines = append(out.Lines, saidLine{l.Label, spoken(in, "value", l.quantity, u), typed(in, "source", text, u)})
		}
		lines = append(lines, out)
	}
	for _, t := range tables {
		out := saidTable{ID: "table-" + strings.TrimPrefix(t.Path, "/"), Title: t.Title, Note: t.Note}
		for _, c := range t.Row {
			out.Heads = append(out.Heads, c.Label)
		}
		for _, in := range doc.rows(t.Path) {
			var row []saidCell
			for _, c := range t.Row {
				row = append(row, saidCell{spoken(in, c.Key, c.quantity, u), c.quantity != text})
			}
			out.Rows = append(out.Rows, row)
		}
		lists = append(lists, out)
	}
	return lines, lists
}

func pastPolicies(rows []sqlite.Row[survey.Policy]) ([]pastPolicy, error) {
	out := make([]pastPolicy, len(rows))
	for i, row := range rows {
		out[i] = pastPolicy{Row: row, First: i == len(rows)-1}
		if out[i].First {
			continue
		}
		var err error
		if out[i].Phrases, err = changedLines(rows[i+1].Item, row.Item); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// handlePolicyFile hands out the policy in force, or one on record, as the
// document that can be sent in again.
//
// GET /ratings/policy.json?version=
func (s *Server) handlePolicyFile(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "version")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	past, err := s.store.Policies(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	for _, row := range past {
		if v := q.Get("version"); v != "" && v != row.Item.Version {
			continue
		}
		raw, err := json.MarshalIndent(row.Item, "", " ")
		if err != nil {
			s.fail(w, r, err)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		w.Header().Set("Content-Disposition", `attachment; filename="policy.json"`)
		w.Write(append(raw, '\n'))
		return
	}
	s.fail(w, r, survey.NotFound("policy", q.Get("version")))
}

// changePage is a policy being changed, with what the change would do once it
// was tried.
type changePage struct {
	Form      *policyForm
	From      string // version in force
	Tried     *tried
	Meanwhile bool // another policy was put in force since
	Nothing   bool // what was sent is the policy in force
}

// tried is the outcome of a trial.
type tried struct {
	Version  string
	Document string
	Lines    []version.Phrase
	Counts   []triedCount
	All      int
	Changes  []atlas.PointChange
	More     int // changed points that are not listed
}

type triedCount struct {
	Verdict       answer.Verdict
	Before, After int
}

const (
	mostChanged  = 200             // changed points listed with their sentences
	trialTime    = 2 * time.Minute // that a trial may take
	mostDocument = 1 << 20         // bytes of a policy; the default is a hundredth of it
)

// handleRatingsChange shows the form for changing the policy in force.
//
// GET /ratings/change
func (s *Server) handleRatingsChange(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r); err != nil {
		s.fail(w, r, err)
		return
	}
	past, err := s.policies(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	doc, err := documentOf(past[0].Item)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	doc["version"] = nextVersion(past, s.now())
	delete(doc, "reason")
	s.showChange(w, r, http.StatusOK, changePage{Form: newPolicyForm(doc, past[0].Revision, past[0].Item.Units), From: past[0].Item.Version})
}

// policies are those on record, at least one, the one in force first.
func (s *Server) policies(ctx context.Context) ([]sqlite.Row[survey.Policy], error) {
	past, err := s.store.Policies(ctx)
	if err == nil && len(past) == 0 {
		err = fmt.Errorf(sayNoPolicy, survey.ErrNotFound)
	}
	return past, err
}

func versionsOf(past []sqlite.Row[survey.Policy]) []string {
	out := make([]string, len(past))
	for i, row := range past {
		out[i] = row.Item.Version
	}
	return out
}

// nextVersion names a policy by the day, with a number after the first of it.
func nextVersion(past []sqlite.Row[survey.Policy], now time.Time) string {
	day := now.UTC().Format(time.DateOnly)
	name := day
	used := versionsOf(past)
	for i := 2; ; i++ {
		free := true
		for _, v := range used {
			free = free && v != name
		}
		if free {
			return name
		}
		name = fmt.Sprintf("%s-%d", day, i)
	}
}

func (s *Server) showChange(w http.ResponseWriter, r *http.Request, code int, body changePage) {
	if err := body.Form.fill(); err != nil {
		s.fail(w, r, err)
		return
	}
	s.render(w, r, code, "change", page{Title: sayChangeRatings, Room: "ratings", Body: body})
}

// handleRatingsTry shows what a changed policy would do to every verdict. The
// atlas is left as it is.
//
// POST /ratings/try
func (s *Server) handleRatingsTry(w http.ResponseWriter, r *http.Request) {
	past, err := s.policies(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	form, err := readTrial(r, past[0])
	if err != nil {
		s.fail(w, r, err)
		return
	}
	now := past[0]
	form.Base = now.Revision // what it is tried against
	body := changePage{Form: form, From: now.Item.Version}
	p, ok, err := form.policy(versionsOf(past))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if !ok {
		s.showChange(w, r, http.StatusBadRequest, body)
		return
	}
	if body.Tried, err = s.try(r.Context(), now.Item, p); err != nil {
		s.fail(w, r, err)
		return
	}
	body.Nothing = len(body.Tried.Lines) == 0
	s.showChange(w, r, http.StatusOK, body)
}

// readTrial reads what is to be tried: a file, or the fields of the form.
func readTrial(r *http.Request, now sqlite.Row[survey.Policy]) (*policyForm, error) {
	if err := r.ParseMultipartForm(MaxBody); err != nil && !errors.Is(err, http.ErrNotMultipart) {
		var tooBig *http.MaxBytesError
		if errors.As(err, &tooBig) {
			return nil, err
		}
		return nil, status(http.StatusBadRequest, sayFormUnread)
	}
	raw := []byte(r.PostFormValue("document"))
	uploaded := false
	if file, _, err := r.FormFile("file"); err == nil {
		defer file.Close()
		uploaded = true
		if raw, err = io.ReadAll(io.LimitReader(file, mostDocument+1)); err != nil {
			return nil, status(http.StatusBadRequest, sayFileUnread)
		}
	}
	if len(raw) > mostDocument {
		return nil, status(http.StatusBadRequest, sayPolicyTooLong)
	}
	doc, err := parseDocument(raw)
	if err != nil || doc == nil {
		return nil, status(http.StatusBadRequest, sayPolicyNotJSON)
	}
	units := now.Item.Units
	form := newPolicyForm(doc, now.Revision, units)
	if !uploaded {
		form.read(r.PostForm)
	}
	return form, nil
}

// try judges the district under the policy in force and another. One trial
// runs at a time.
func (s *Server) try(ctx context.Context, now, other survey.Policy) (*tried, error) {
	if !s.trial.TryLock() {
		return nil, status(http.StatusServiceUnavailable, sayTrialBusy)
	}
	defer s.trial.Unlock()
	ctx, stop := context.WithTimeout(ctx, trialTime)
	defer stop()
	lines, err := changedLines(now, other)
	if err != nil {
		return nil, err
	}
	got, err := s.atlas.WhatIf(ctx, other, nil)
	if err == nil {
		err = s.atlas.Explain(ctx, other, &got, mostChanged)
	}
	if errors.Is(err, context.DeadlineExceeded) {
		return nil, status(http.StatusServiceUnavailable, sayTrialTooLarge)
	}
	if err != nil {
		return nil, err
	}
	raw, err := json.Marshal(other)
	if err != nil {
		return nil, err
	}
	out := &tried{Version: other.Version, Document: string(raw), Lines: lines}
	for _, v := range answer.Verdicts {
		out.Counts = append(out.Counts, triedCount{v, got.Before[v], got.After[v]})
		out.All += got.Before[v]
	}
	out.Changes = got.Changes[:min(len(got.Changes), mostChanged)]
	out.More = len(got.Changes) - len(out.Changes)
	return out, nil
}

// handleRatingsSet puts a policy in force that was tried against the one that
// still is. When another came between, nothing is changed and nothing lost.
//
// POST /ratings
func (s *Server) handleRatingsSet(w http.ResponseWriter, r *http.Request) {
	base, err := s.formOn(r, "base", sayTrialNotSaid)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	past, err := s.policies(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	doc, err := parseDocument([]byte(r.PostFormValue("document")))
	if err != nil || doc == nil {
		s.fail(w, r, status(http.StatusBadRequest, sayTrialEmpty))
		return
	}
	now := past[0]
	body := changePage{Form: newPolicyForm(doc, now.Revision, now.Item.Units), From: now.Item.Version}
	p, ok, err := body.Form.policy(versionsOf(past))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if !ok {
		body.Meanwhile = base != now.Revision
		s.showChange(w, r, http.StatusBadRequest, body)
		return
	}
	err = s.store.ReplacePolicy(r.Context(), p, author(r), base)
	switch {
	case errors.Is(err, survey.ErrStale):
		body.Meanwhile = true
		s.showChange(w, r, http.StatusPreconditionFailed, body)
	case err != nil:
		s.fail(w, r, err)
	default:
		http.Redirect(w, r, "/ratings", http.StatusSeeOther)
	}
}
