package server

import (
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strings"

	"holdfast/geo/convert"
	"holdfast/geo/geojson"
	"holdfast/geo/position"
	"holdfast/survey"
	"holdfast/survey/atlas"
)

// asking reads a question to the engine: that its parameters are those of every
// question and the named ones, that its answer can have one of the media types,
// and what is asked.
func asking(r *http.Request, media []string, names ...string) (url.Values, atlas.Ask, error) {
	q, err := query(r, append(names, "load", "required", "tonight", "f")...)
	if err != nil {
		return nil, atlas.Ask{}, err
	}
	if _, err := negotiate(r, media...); err != nil {
		return nil, atlas.Ask{}, err
	}
	asked, err := ask(q)
	return q, asked, err
}

// handleOptions answers one stored point.
//
// GET /api/collections/points/items/{id}/options?load=&required=&tonight=
func (s *Server) handleOptions(w http.ResponseWriter, r *http.Request) {
	_, asked, err := asking(r, []string{typeJSON})
	if err != nil {
		s.fail(w, r, err)
		return
	}
	j, err := s.atlas.Point(r.Context(), pathID(r), asked)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, typeJSON, j.Answer)
}

// handleCalculate answers a point that is sent along and not stored. Such a
// point may lack a site and a label.
//
// POST /api/options?load=&required=&tonight=
func (s *Server) handleCalculate(w http.ResponseWriter, r *http.Request) {
	_, asked, err := asking(r, []string{typeJSON})
	if err != nil {
		s.fail(w, r, err)
		return
	}
	f, err := readFeature(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p, err := survey.ParseLoosePoint(f)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	a, err := s.atlas.Calculate(r.Context(), p, asked)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, typeJSON, a)
}

// readFeature reads a GeoJSON Feature from the body.
func readFeature(r *http.Request) (geojson.Feature, error) {
	var f geojson.Feature
	media, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";")
	if media = strings.ToLower(strings.TrimSpace(media)); media != typeGeoJSON && media != typeJSON {
		return f, status(http.StatusUnsupportedMediaType, saySendFeature, media)
	}
	dec := json.NewDecoder(r.Body)
	err := dec.Decode(&f)
	if tooBig := (*http.MaxBytesError)(nil); errors.As(err, &tooBig) {
		return f, tooBig
	}
	if err != nil {
		return f, survey.Invalid("", sayNoFeature, err)
	}
	if dec.More() {
		return f, survey.Invalid("", sayOneFeature)
	}
	return f, nil
}

// handleConvert writes one position in every notation, with grid convergence
// and the declination of a day.
//
// GET /api/convert?position=&at=
func (s *Server) handleConvert(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "position", "at", "f")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if _, err := negotiate(r, typeJSON); err != nil {
		s.fail(w, r, err)
		return
	}
	if q.Get("position") == "" {
		s.fail(w, r, badParameter("position", sayPositionMissing))
		return
	}
	at := s.now().UTC()
	if q.Has("at") {
		if at, err = instant(q.Get("at")); err != nil {
			s.fail(w, r, badParameter("at", sayNoDay, q.Get("at")))
			return
		}
	}
	got, err := convert.On(at, s.magnetic).Line(q.Get("position"))
	if err != nil {
		s.fail(w, r, badPosition(err))
		return
	}
	s.writeJSON(w, r, typeJSON, got)
}

// positionError is a text that is no position, or more than one.
type positionError struct {
	message  string
	readings []position.Reading
}

func (e *positionError) Error() string { return e.message }
func (e *positionError) Unwrap() error { return survey.ErrInvalid }

// details lists what the text could mean, each as decimal degrees that can be
// sent instead.
func (e *positionError) details() []problemDetail {
	out := make([]problemDetail, 0, len(e.readings)+1)
	for _, one := range e.readings {
		out = append(out, problemDetail{Parameter: "position", Detail: one.As + ": " + position.Decimal(one.Point, 6)})
	}
	if len(out) == 0 {
		out = append(out, problemDetail{Parameter: "position", Detail: e.message})
	}
	return out
}

func badPosition(err error) error {
	out := &positionError{message: err.Error()}
	if ambiguous, ok := errors.AsType[*position.AmbiguousError](err); ok {
		out.readings = ambiguous.Readings
	}
	return out
}
