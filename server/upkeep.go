package server

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/coverage"
	"holdfast/survey/sqlite"
	"holdfast/survey/upkeep"
	"holdfast/survey/version"
)

// upkeepPage is what the rescue lead has to see to.
type upkeepPage struct {
	Sites, Points int
	Verdicts      []tally // nil when there are too many points to judge for a page
	Unsettled     []unsettled
	SharedCodes   []sqlite.SharedCode
	Unvouched     []upkeep.Unvouched
	Stale         []upkeep.Due
	Months        float64
	Flood         floodForm
	After         *upkeep.After // nil when nobody asked
	Coverage      *coverage.Result
	Gaps          []gap
	Banks         []reachRow
}

const upkeepJudged = 5_000 // points a page may judge while somebody waits

// handleUpkeep lists what has to be reviewed, surveyed again or walked after a
// flood.
//
// GET /upkeep?ended=&gauge=&stage=&within=
func (s *Server) handleUpkeep(w http.ResponseWriter, r *http.Request) {
	ctx := r.Context()
	q, err := query(r, "ended", "gauge", "stage", "within")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	policy, err := s.store.Policy(ctx)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sites, places, err := s.atlas.Places(ctx)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	now := s.now().UTC()
	body := upkeepPage{
		Sites: len(sites), Points: len(places), Months: policy.ResurveyMonths.Value,
		Unvouched: upkeep.Vouch(sites, places, now), Stale: upkeep.Stale(places, policy, now),
		Flood: readFlood(q, policy.Units, now, sites),
	}
	if body.Unsettled, err = s.unsettled(ctx); err != nil {
		s.fail(w, r, err)
		return
	}
	if body.SharedCodes, err = s.store.SharedCodes(ctx); err != nil {
		s.fail(w, r, err)
		return
	}
	if f, ok := body.Flood.flood.Get(); ok {
		after, err := s.atlas.AfterFlood(ctx, places, f)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		body.After = &after
	}
	if len(places) <= upkeepJudged {
		if err := s.judgeUpkeep(r, &body); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	code := http.StatusOK
	if len(body.Flood.Wrong) > 0 {
		code = http.StatusBadRequest
	}
	s.render(w, r, code, "upkeep", page{Title: "Upkeep", Room: "upkeep", Body: body})
}

// unsettled is an item that two stations recorded differently.
type unsettled struct {
	Name, Address string
	Fields        []string
	Last          time.Time // when the latest of the versions was made
}

// unsettled lists what people have to choose between, by item.
func (s *Server) unsettled(ctx context.Context) ([]unsettled, error) {
	open, err := s.store.OpenConflicts(ctx)
	if err != nil {
		return nil, err
	}
	var out []unsettled
	for _, c := range open {
		address := "/" + c.Collection + "/" + url.PathEscape(c.ID)
		if c.Collection != sqlite.Sites && c.Collection != sqlite.Points {
			address = ""
		}
		if len(out) == 0 || out[len(out)-1].Address != address || address == "" {
			out = append(out, unsettled{Name: c.Name, Address: address})
		}
		one := &out[len(out)-1]
		one.Fields = append(one.Fields, version.What(c.Path))
		for _, side := range c.Sides {
			if side.At.After(one.Last) {
				one.Last = side.At
			}
		}
	}
	return out, nil
}

// judgeUpkeep adds what needs every point judged: the count of verdicts and
// the coverage of the banks.
func (s *Server) judgeUpkeep(r *http.Request, body *upkeepPage) error {
	if err := s.refresh(r.Context()); err != nil {
		return err
	}
	counts := map[answer.Verdict]int{}
	s.marks.within(nil, func(m *mark) { counts[m.verdict]++ })
	for _, v := range answer.Verdicts {
		body.Verdicts = append(body.Verdicts, tally{v, counts[v]})
	}
	got, err := s.measureReach(r.Context(), 0, atlas.Ask{})
	if err != nil {
		return err
	}
	body.Coverage, body.Gaps, body.Banks = &got, gapsOf(got, ""), reachRows(got.Names)
	return nil
}

// floodForm is the flood as it was typed, with what is wrong with it by field.
type floodForm struct {
	Ended, Gauge, Stage, Within string
	Gauges                      []string // on file
	Unit                        string
	Today                       string
	Wrong                       map[string]string

	flood survey.Opt[upkeep.Flood]
}

func readFlood(q url.Values, u survey.Units, now time.Time, sites []survey.Site) floodForm {
	f := floodForm{
		Ended: q.Get("ended"), Gauge: strings.TrimSpace(q.Get("gauge")), Stage: q.Get("stage"), Within: q.Get("within"),
		Unit: lengthUnit(u), Today: now.Format(time.DateOnly), Wrong: map[string]string{},
	}
	for _, s := range sites {
		if g := s.Water.Gauge; g != "" && !slices.Contains(f.Gauges, g) {
			f.Gauges = append(f.Gauges, g)
		}
	}
	slices.Sort(f.Gauges)
	if !q.Has("ended") && !q.Has("stage") {
		f.Within = strconv.FormatFloat(inUnit(u, upkeep.UsualStrip), 'f', 0, 64)
		return f
	}
	flood := upkeep.Flood{Gauge: f.Gauge}
	ended, err := time.Parse(time.DateOnly, f.Ended)
	switch {
	case err != nil:
		f.Wrong["ended"] = sayGiveFloodDay
	case ended.After(now):
		f.Wrong["ended"] = sayDayNotCome
	}
	flood.Ended = ended.Add(24*time.Hour - time.Second) // a survey on that day may have been made before
	if f.Stage != "" {
		stage, err := readLength(u, f.Stage)
		if err != nil {
			f.Wrong["stage"] = sayGiveReading + f.Unit + ": " + err.Error() + "."
		}
		flood.Stage = survey.Known(stage)
	}
	within, err := readLength(u, f.Within)
	switch most := fmt.Sprintf(sayGiveDistance, inUnit(u, upkeep.WidestStrip), f.Unit); {
	case err != nil:
		f.Wrong["within"] = most + ": " + err.Error() + "."
	case within < 0 || within > upkeep.WidestStrip:
		f.Wrong["within"] = most + "."
	}
	flood.Within = within
	if len(f.Wrong) == 0 {
		f.flood = survey.Known(flood)
	}
	return f
}

// handleReview changes how far a site's preplan is approved, on the version
// that was looked at.
//
// POST /sites/{id}/review
func (s *Server) handleReview(w http.ResponseWriter, r *http.Request) {
	seen, err := s.formOn(r, "revision", saySiteVersionNotSaid)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	row, err := s.store.Site(r.Context(), pathID(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	site := row.Item
	now := s.now().UTC().Truncate(time.Second)
	if site.Review, err = readReview(r.PostForm, now); err == nil {
		err = site.Review.Check(now)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if _, err := s.store.PutSite(r.Context(), site, author(r), survey.Known(seen)); err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, "/sites/"+url.PathEscape(site.ID)+"#review", http.StatusSeeOther)
}

// readReview reads the form of a review made at a moment.
func readReview(form url.Values, at time.Time) (survey.Review, error) {
	out := survey.Review{State: survey.ReviewState(form.Get("state")), By: strings.TrimSpace(form.Get("by")), At: survey.Known(at)}
	if text := form.Get("due"); text != "" {
		due, err := time.Parse(time.DateOnly, text)
		if err != nil {
			return out, survey.Invalid("/properties/review/due", sayGiveReviewDay)
		}
		out.Due = survey.Known(due)
	}
	return out, nil
}
