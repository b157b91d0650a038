package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/go-chi/chi/v5"

	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// problem is the body of an error answer (RFC 9457). Errors lists what is
// wrong with the input, each with a JSON Pointer into the body or the name of
// the query parameter.
type problem struct {
	Type     string          `json:"type"`
	Title    string          `json:"title"`
	Status   int             `json:"status"`
	Detail   string          `json:"detail"`
	Instance string          `json:"instance,omitempty"`
	Errors   []problemDetail `json:"errors,omitempty"`

	// Both versions, when a write met a newer one.
	Yours       *geojson.Feature `json:"yours,omitempty"`
	Current     *geojson.Feature `json:"current,omitempty"`
	CurrentETag string           `json:"current_etag,omitempty"`
}

type problemDetail struct {
	Pointer   string `json:"pointer,omitempty"`
	Parameter string `json:"parameter,omitempty"`
	Detail    string `json:"detail"`
}

// statusError is a failure of the request itself rather than of the job.
type statusError struct {
	code    int
	message string
}

func (e *statusError) Error() string { return e.message }

func status(code int, format string, args ...any) error {
	return &statusError{code: code, message: fmt.Sprintf(format, args...)}
}

var errInternal = errors.New("internal error")

// parameterError is a query parameter that cannot be used.
type parameterError struct {
	name    string
	message string
}

func (e *parameterError) Error() string {
	if e.name == "" {
		return e.message
	}
	return fmt.Sprintf(sayParameter, e.name, e.message)
}
func (e *parameterError) Unwrap() error { return survey.ErrInvalid }

func badParameter(name, format string, args ...any) error {
	return &parameterError{name: name, message: fmt.Sprintf(format, args...)}
}

// staleError is a write on a version that is no longer the current one.
type staleError struct {
	yours, current geojson.Feature
	etag           string
}

func (e *staleError) Error() string {
	return sayChangedMeanwhile
}
func (e *staleError) Unwrap() error { return survey.ErrStale }

// problemOf says what an error means to the outside. The text of an internal
// error stays in the log.
func problemOf(err error) problem {
	p := problem{Type: "about:blank", Detail: sentence(err.Error())}
	var (
		asked   *statusError
		tooBig  *http.MaxBytesError
		invalid *survey.InvalidError
		param   *parameterError
		where   *positionError
		stale   *staleError
	)
	switch {
	case errors.As(err, &asked):
		p.Status = asked.code
	case errors.As(err, &tooBig):
		p.Status = http.StatusRequestEntityTooLarge
		p.Detail = fmt.Sprintf(sayBodyTooLarge, tooBig.Limit)
	case errors.As(err, &param):
		p.Status = http.StatusBadRequest
		p.Errors = []problemDetail{{Parameter: param.name, Detail: param.message}}
	case errors.As(err, &invalid):
		p.Status = http.StatusBadRequest
		p.Detail = sayAll(invalid.Problems)
		for _, one := range invalid.Problems {
			p.Errors = append(p.Errors, problemDetail{Pointer: one.Pointer, Detail: one.Message})
		}
	case errors.As(err, &where):
		p.Status = http.StatusBadRequest
		p.Errors = where.details()
	case errors.As(err, &stale):
		p.Status = http.StatusPreconditionFailed
		p.Yours, p.Current, p.CurrentETag = &stale.yours, &stale.current, stale.etag
	case errors.Is(err, sqlite.ErrFull):
		p.Status = http.StatusInsufficientStorage
		p.Detail += " " + whatToDo
	case errors.Is(err, sqlite.ErrRefused):
		p.Status = http.StatusServiceUnavailable
		p.Detail += " " + whatToDo
	case errors.Is(err, survey.ErrInvalid):
		p.Status = http.StatusBadRequest
	case errors.Is(err, survey.ErrNotFound):
		p.Status = http.StatusNotFound
	case errors.Is(err, survey.ErrConflict):
		p.Status = http.StatusConflict
	case errors.Is(err, survey.ErrStale):
		p.Status = http.StatusPreconditionFailed
	case errors.Is(err, survey.ErrForbidden), errors.Is(err, survey.ErrReadOnly):
		p.Status = http.StatusForbidden
	case errors.Is(err, sqlite.ErrBusy):
		p.Status = http.StatusServiceUnavailable
	default:
		p.Status = http.StatusInternalServerError
		p.Detail = saySomethingWrong
	}
	p.Title = http.StatusText(p.Status)
	return p
}

// whatToDo is said when the disk takes no writes.
const whatToDo = sayDiskRefuses

// sayAll puts what is wrong with an input into one sentence. The first few
// are enough; all of them are in Errors.
func sayAll(problems []survey.Problem) string {
	const said = 3
	var out []string
	for i, one := range problems {
		if i == said {
			out = append(out, fmt.Sprintf(sayAndMore, len(problems)-said))
			break
		}
		out = append(out, say(one))
	}
	return sentence(strings.Join(out, "; "))
}

// say names the field of a problem as people do: /properties/ground/class is
// the ground class. Messages are sentences of their own or go on from it.
func say(one survey.Problem) string {
	path := strings.TrimPrefix(one.Pointer, "/properties")
	field := strings.NewReplacer("/", " ", "_", " ", "~1", "/", "~0", "~").Replace(strings.TrimPrefix(path, "/"))
	if field == "" {
		return one.Message
	}
	for _, verb := range []string{"is ", "has ", "holds "} {
		if strings.HasPrefix(one.Message, verb) {
			return field + " " + one.Message
		}
	}
	return field + ": " + one.Message
}

// sentence writes an error text as people do: without the kind it wraps, with
// a capital and a full stop.
func sentence(text string) string {
	for _, kind := range []error{survey.ErrInvalid, survey.ErrNotFound, survey.ErrConflict, survey.ErrStale, survey.ErrForbidden} {
		text = strings.TrimSuffix(text, ": "+kind.Error())
	}
	if text == "" {
		return text
	}
	if c := text[0]; c >= 'a' && c <= 'z' {
		text = string(c-'a'+'A') + text[1:]
	}
	if !strings.ContainsRune(".!?", rune(text[len(text)-1])) {
		text += "."
	}
	return text
}

// fail answers a request that cannot be served: problem+json to programs, a
// page to people.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	if errors.Is(err, context.Canceled) && r.Context().Err() != nil {
		return // nobody is waiting any more
	}
	p := problemOf(err)
	id := w.Header().Get("X-Request-Id")
	p.Instance = "urn:holdfast:request:" + id
	if p.Status >= 500 {
		s.log.ErrorContext(r.Context(), "failed", "id", id, "path", loggedPath(r), "kind", faultKind(err), "error", err)
		s.figures.fault(faultKind(err))
	}
	if errors.Is(err, sqlite.ErrFull) || errors.Is(err, sqlite.ErrRefused) {
		w.Header().Set("Retry-After", "60") // a person has to see to it
	}
	if p.Status == http.StatusServiceUnavailable && w.Header().Get("Retry-After") == "" {
		w.Header().Set("Retry-After", "5")
	}
	h := w.Header()
	h.Set("Cache-Control", "no-store")
	h.Del("ETag")
	if prefersHTML(r) {
		s.render(w, r, p.Status, "error", page{Title: p.Title, Body: p})
		return
	}
	h.Set("Content-Type", typeProblem)
	w.WriteHeader(p.Status)
	if err := json.NewEncoder(w).Encode(p); err != nil {
		s.log.InfoContext(r.Context(), "write problem", "id", id, "error", err)
	}
}

// faultKind sorts failures of the program, for counting.
func faultKind(err error) string {
	for kind, is := range map[string]error{"busy": sqlite.ErrBusy, "disk full": sqlite.ErrFull, "disk refuses": sqlite.ErrRefused, "damaged": sqlite.ErrDamaged, "too slow": context.DeadlineExceeded} {
		if errors.Is(err, is) {
			return kind
		}
	}
	return "other"
}

func (s *Server) handleNotFound(w http.ResponseWriter, r *http.Request) {
	s.fail(w, r, status(http.StatusNotFound, sayNothingAt, r.URL.Path))
}

func (s *Server) handleMethodNotAllowed(w http.ResponseWriter, r *http.Request) {
	var allowed []string
	for _, m := range []string{http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodDelete, http.MethodOptions} {
		if s.Routes().Match(chi.NewRouteContext(), m, r.URL.Path) {
			allowed = append(allowed, m)
		}
	}
	w.Header().Set("Allow", strings.Join(allowed, ", "))
	s.fail(w, r, status(http.StatusMethodNotAllowed, sayNotPossible, r.Method))
}
