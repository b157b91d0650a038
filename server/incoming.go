package server

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/url"
	"path"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/go-chi/chi/v5"

	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

// sendPath takes files; its requests may be longer than others.
const sendPath = "/layers/files"

// sendPatience is how long the other side may be silent.
const sendPatience = time.Minute

// handleSend takes a file into the spool while it comes in.
//
// POST /layers/files
func (s *Server) handleSend(w http.ResponseWriter, r *http.Request) {
	one, err := s.receive(w, r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	http.Redirect(w, r, sendPath+"/"+one.ID, http.StatusSeeOther)
}

func (s *Server) receive(w http.ResponseWriter, r *http.Request) (*sent, error) {
	if err := s.writableNow(); err != nil {
		return nil, err
	}
	parts, err := r.MultipartReader()
	if err != nil {
		return nil, status(http.StatusBadRequest, sayFormMultipart)
	}
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return nil, survey.Invalid("", sayNoFileChosen)
		}
		if err != nil {
			return nil, cutOff(err)
		}
		if part.FormName() != "file" {
			continue
		}
		one, err := s.spool.keep(sentName(part.FileName()), &patient{part, http.NewResponseController(w), sendPatience})
		if err != nil {
			return nil, cutOff(err)
		}
		return one, nil
	}
}

// cutOff says in plain words that a file did not come in whole.
func cutOff(err error) error {
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return status(http.StatusBadRequest, sayFileCutOff)
	}
	return err
}

// patient gives a sender more time whenever something comes.
type patient struct {
	r     io.Reader
	time  *http.ResponseController
	after time.Duration // what is done with it once it is there may take
}

func (p *patient) Read(b []byte) (int, error) {
	later := time.Now().Add(sendPatience)
	_ = p.time.SetReadDeadline(later)               // where the connection has none,
	_ = p.time.SetWriteDeadline(later.Add(p.after)) // there is nothing to put off
	return p.r.Read(b)
}

// sentName is a file's name as it is shown.
func sentName(s string) string {
	s = path.Base(strings.ReplaceAll(strings.ToValidUTF8(s, "?"), `\`, "/"))
	if s == "." || s == "/" {
		return "file"
	}
	for utf8.RuneCountInString(s) > 120 {
		s = s[:len(s)-1]
	}
	return strings.ToValidUTF8(s, "")
}

// sentFile is the one that the address names.
func (s *Server) sentFile(r *http.Request) (*sent, error) {
	return s.spool.get(chi.URLParam(r, "file"))
}

// handleFile shows what was found in a file and asks what it is.
//
// GET /layers/files/{file}?as=&table=
func (s *Server) handleFile(w http.ResponseWriter, r *http.Request) {
	one, err := s.sentFile(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q, err := query(r, "as", "table")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	one.mu.Lock()
	before := one.form
	one.mu.Unlock()
	if before != nil && (!q.Has("as") || q.Get("as") == before.Get("as")) && (!q.Has("table") || q.Get("table") == before.Get("table")) {
		q = before // as it was filled in last
	}
	s.renderFile(w, r, one, q, "")
}

// handleLook reads the whole file and compares it, as the form says, and
// writes nothing.
//
// POST /layers/files/{file}/look
func (s *Server) handleLook(w http.ResponseWriter, r *http.Request) {
	one, err := s.sentFile(r)
	if err == nil {
		err = s.writableNow()
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, status(http.StatusBadRequest, sayFormUnread))
		return
	}
	in, err := s.intakeOf(r.Context(), one, r.PostForm)
	if errors.Is(err, survey.ErrInvalid) {
		s.renderFile(w, r, one, r.PostForm, problemOf(err).Detail)
		return
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	one.mu.Lock()
	one.form = r.PostForm
	one.mu.Unlock()
	s.begin(w, r, one, in, false, func(ctx context.Context, in atlas.Intake) outcome {
		report, err := s.atlas.Look(ctx, in)
		return outcome{Report: report, Err: err}
	})
}

// handleTake brings the file in as it was looked at.
//
// POST /layers/files/{file}/take
func (s *Server) handleTake(w http.ResponseWriter, r *http.Request) {
	one, err := s.sentFile(r)
	if err == nil {
		err = s.writableNow()
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	looked := one.at()
	if looked == nil || looked.running() || looked.Taking {
		s.fail(w, r, status(http.StatusConflict, sayLookFirst))
		return
	}
	one.mu.Lock()
	in := one.intake
	one.mu.Unlock()
	if in.Partial = r.PostFormValue("partial") != ""; r.PostFormValue("remove") != "" {
		in.Remove = true
	}
	in.KeepReviews = in.KeepReviews || !may(r.Context(), survey.SignOff) // another may have looked
	if err := allowedIntake(r.Context(), in); err != nil {
		s.fail(w, r, err)
		return
	}
	who, keep := author(r), strings.TrimSpace(r.PostFormValue("keep"))
	s.begin(w, r, one, in, true, func(ctx context.Context, in atlas.Intake) outcome {
		report, made, err := s.atlas.Take(ctx, in, who)
		if err == nil && keep != "" && len(made.Mapping) > 0 {
			err = s.store.SaveMapping(ctx, sqlite.Mapping{Name: keep, Of: in.Of, Body: made.Mapping}, who)
		}
		return outcome{Report: report, Import: made, Err: err}
	})
}

// allowedIntake asks for the leave that sites and points need beside that for
// layers.
func allowedIntake(ctx context.Context, in atlas.Intake) error {
	need := survey.Load
	if in.Of != "" {
		need |= survey.Record
	}
	if in.Remove {
		need |= survey.Remove
	}
	if !may(ctx, need) {
		return status(http.StatusForbidden, sayMayNotBringIn, need&^visitorOf(ctx).leave)
	}
	return nil
}

// begin starts a work, gives it a moment, and shows how far it is.
func (s *Server) begin(w http.ResponseWriter, r *http.Request, one *sent, in atlas.Intake, taking bool, do func(context.Context, atlas.Intake) outcome) {
	job, err := s.spool.start(one, in, taking, do)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	job.wait(r.Context(), time.Second)
	http.Redirect(w, r, sendPath+"/"+one.ID+"/work", http.StatusSeeOther)
}

// workPage is a work going on, or what came of it.
type workPage struct {
	File    *sent
	Running bool
	Taking  bool
	Read    int
	Total   int // -1 when not known
	Rate    int // records a second
	Left    time.Duration
	Report  *exchange.Report
	Import  sqlite.Import
	Failed  string // why it ended early, "" when it did not
	Refused bool   // it failed for refused records alone, and there are others
	As      string // what it is read as
	Ours    bool   // sites or points
	Mapped  bool
	Map     plate
	Layer   survey.Layer
	Listed  []exchange.RecordReport // repaired and refused, the first few
	More    int
	May     bool // take it in
	Remove  bool // also delete what is missing
}

// mostListed is how many records a page lists; the report as a file has all.
const mostListed = 100

// handleWork shows a work: while it goes on the page comes anew by itself.
//
// GET /layers/files/{file}/work
func (s *Server) handleWork(w http.ResponseWriter, r *http.Request) {
	one, err := s.sentFile(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	job := one.at()
	if job == nil {
		http.Redirect(w, r, sendPath+"/"+one.ID, http.StatusSeeOther)
		return
	}
	read, out, ended := job.progress()
	body := workPage{File: one, Running: !ended, Taking: job.Taking, Read: read, Total: job.Total}
	if !ended {
		if took := s.now().Sub(job.Began); took > 0 && read > 0 {
			body.Rate = int(float64(read) / took.Seconds())
			if job.Total > read {
				body.Left = (took * time.Duration(job.Total-read) / time.Duration(read)).Round(time.Second)
			}
		}
		w.Header().Set("Refresh", "1")
		w.Header().Set("Cache-Control", "no-store")
		s.render(w, r, http.StatusOK, "work", page{Title: "Reading " + one.Name, Room: "layers", Body: body})
		return
	}
	if err := s.fillWork(r.Context(), &body, one, out); err != nil {
		s.fail(w, r, err)
		return
	}
	title := "What " + one.Name + sayWouldChange
	if job.Taking {
		title = one.Name + sayIsIn
	}
	w.Header().Set("Cache-Control", "no-store")
	s.render(w, r, http.StatusOK, "work", page{Title: title, Room: "layers", Body: body})
}

// fillWork puts together what came of a work.
func (s *Server) fillWork(ctx context.Context, body *workPage, one *sent, out outcome) error {
	one.mu.Lock()
	in := one.intake
	one.mu.Unlock()
	body.Report, body.Import, body.Ours, body.Layer, body.Mapped = out.Report, out.Import, in.Of != "", in.Layer, in.Map != nil
	if body.As = asLayer; body.Ours {
		body.As = in.Of
	}
	body.May = allowedIntake(ctx, in) == nil
	body.Remove = may(ctx, survey.Remove)
	var refused *atlas.RefusedError
	switch {
	case errors.As(out.Err, &refused):
		body.Refused = refused.Taken > 0
		body.Failed = sentence(out.Err.Error())
	case errors.Is(out.Err, context.Canceled):
		body.Failed = sayStopped
	case out.Err != nil:
		p := problemOf(out.Err)
		body.Failed = p.Detail
		if errors.Is(out.Err, exchange.ErrNoCRS) || errors.Is(out.Err, exchange.ErrTables) || errors.Is(out.Err, atlas.ErrGridCRS) {
			body.Failed = sentence(out.Err.Error())
		} else if p.Status >= http.StatusInternalServerError {
			s.log.ErrorContext(ctx, "bring in", "file", one.ID, "error", out.Err)
		}
	}
	if out.Report == nil {
		return nil
	}
	for _, rec := range out.Report.Records {
		if rec.Status == exchange.Accepted {
			continue
		}
		if len(body.Listed) == mostListed {
			body.More++
			continue
		}
		body.Listed = append(body.Listed, rec)
	}
	var err error
	body.Map, err = s.reportMap(ctx, out.Report)
	return err
}

// handleDiscard stops what is done with a file and removes it.
//
// POST /layers/files/{file}/discard
func (s *Server) handleDiscard(w http.ResponseWriter, r *http.Request) {
	one, err := s.sentFile(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.spool.discard(one)
	http.Redirect(w, r, "/layers", http.StatusSeeOther)
}

// handleReport hands out the report on a file: every record as CSV or JSON, or
// what has a place as GeoJSON.
//
// GET /layers/files/{file}/report.{format}
func (s *Server) handleReport(w http.ResponseWriter, r *http.Request) {
	one, err := s.sentFile(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var report *exchange.Report
	if job := one.at(); job != nil {
		if _, out, ended := job.progress(); ended {
			report = out.Report
		}
	}
	if report == nil {
		s.fail(w, r, status(http.StatusNotFound, sayNoReport))
		return
	}
	format := chi.URLParam(r, "format")
	write, kind := s.reportWriter(format, report)
	if write == nil {
		s.fail(w, r, status(http.StatusNotFound, sayReportAs, format))
		return
	}
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", `attachment; filename="report.`+format+`"`)
	w.Header().Set("Cache-Control", "no-store")
	if err := write(w); err != nil {
		s.log.InfoContext(r.Context(), "write report", "error", err)
	}
}

func (s *Server) reportWriter(format string, report *exchange.Report) (func(io.Writer) error, string) {
	switch format {
	case "csv":
		return func(w io.Writer) error { return writeReportCSV(w, report) }, "text/csv; charset=utf-8"
	case "json":
		return func(w io.Writer) error { return json.NewEncoder(w).Encode(report) }, typeJSON
	case "geojson":
		return func(w io.Writer) error { return exchange.WriteReportGeoJSON(w, report) }, typeGeoJSON
	}
	return nil, ""
}

// writeReportCSV writes a row for each record. A cell that a spreadsheet would
// take for a formula gets an apostrophe in front.
func writeReportCSV(w io.Writer, r *exchange.Report) error {
	out := csv.NewWriter(w)
	plain := func(s string) string {
		if s != "" && strings.ContainsAny(s[:1], "=+-@\t\r") {
			return "'" + s
		}
		return s
	}
	_ = out.Write([]string{"record", "line", "id", "label", "status", "notes"}) // its error is that of Flush
	for _, rec := range r.Records {
		line := ""
		if rec.Line > 0 {
			line = strconv.Itoa(rec.Line)
		}
		_ = out.Write([]string{strconv.Itoa(rec.Number), line, plain(rec.ID), plain(rec.Label), string(rec.Status), plain(strings.Join(rec.Notes, "; "))})
	}
	out.Flush()
	return out.Error()
}

// first returns the value of a form field without space round it.
func first(form url.Values, name string) string { return strings.TrimSpace(form.Get(name)) }
