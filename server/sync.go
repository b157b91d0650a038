package server

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"time"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// The exchange with another holdfast: see package together for who asks what.

// handleStanding says which atlas this is and how far the asker's history was
// taken in.
//
// GET /api/sync?atlas=
func (s *Server) handleStanding(w http.ResponseWriter, r *http.Request) {
	q, _, err := offered(r, []string{"atlas"}, typeJSON)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	st, err := s.store.Standing(r.Context(), q.Get("atlas"))
	s.answer(w, r, st, err)
}

// answer writes what a question gave, or what went wrong.
func (s *Server) answer(w http.ResponseWriter, r *http.Request, v any, err error) {
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Cache-Control", "no-store")
	s.writeJSON(w, r, typeJSON, v)
}

// handleParcel hands out the history after a mark.
//
// GET /api/sync/revisions?after=&link=
func (s *Server) handleParcel(w http.ResponseWriter, r *http.Request) {
	q, _, err := offered(r, []string{"after", "link"}, typeJSON)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var after sqlite.Mark
	if text := q.Get("after"); text != "" {
		if after.Number, err = strconv.ParseInt(text, 10, 64); err != nil {
			s.fail(w, r, badParameter("after", sayNoRevisionNumber, text))
			return
		}
	}
	if text := q.Get("link"); text != "" {
		if err := after.Link.UnmarshalText([]byte(text)); err != nil {
			s.fail(w, r, badParameter("link", "%s", err))
			return
		}
	}
	p, err := s.store.Parcel(r.Context(), after, 0)
	s.answer(w, r, p, err)
}

// handleMissing says which of some revisions are not here.
//
// POST /api/sync/missing
func (s *Server) handleMissing(w http.ResponseWriter, r *http.Request) {
	var hashes []sqlite.Hash
	if err := s.exchanged(r, &hashes); err != nil {
		s.fail(w, r, err)
		return
	}
	missing, err := s.store.Missing(r.Context(), hashes)
	s.answer(w, r, missing, err)
}

// handleTakeParcel takes in a piece of another atlas's history.
//
// POST /api/sync/revisions
func (s *Server) handleTakeParcel(w http.ResponseWriter, r *http.Request) {
	var p sqlite.Parcel
	err := s.writableNow()
	if err == nil {
		err = s.exchanged(r, &p)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	taken, err := s.store.TakeWhere(r.Context(), p, author(r), mayBring(r.Context()))
	s.answer(w, r, taken, err)
}

// mayBring asks for the leave that layers need beside stationWrites. A token has one role and that of a station is a lead's, so what
// counts is whether its account may bring in layers.
func mayBring(ctx context.Context) func(collection string) error {
	allowed := may(ctx, survey.Load) || visitorOf(ctx).person.Leave().Has(survey.Load)
	return func(collection string) error {
		if allowed || collection != sqlite.Layers {
			return nil
		}
		return fmt.Errorf(sayLayersNotAllowed, survey.GIS)
	}
}

// exchanged reads the body of a request of another holdfast.
func (s *Server) exchanged(r *http.Request, v any) error {
	if _, _, err := offered(r, nil, typeJSON); err != nil {
		return err
	}
	d := json.NewDecoder(r.Body)
	d.DisallowUnknownFields()
	if err := d.Decode(v); err != nil {
		return fmt.Errorf("read exchange: %w", asInvalid(err))
	}
	if _, err := d.Token(); err != io.EOF {
		return survey.Invalid("", sayMoreFollows)
	}
	return nil
}

// asInvalid makes what is wrong with a body an error of its sender; a body
// that is too large stays that.
func asInvalid(err error) error {
	if problemOf(err).Status == http.StatusRequestEntityTooLarge {
		return err
	}
	return survey.Invalid("", sayNoExchange, err)
}

// handleWants lists the layers and photos that are spoken of and not here.
//
// GET /api/sync/contents
func (s *Server) handleWants(w http.ResponseWriter, r *http.Request) {
	if _, _, err := offered(r, nil, typeJSON); err != nil {
		s.fail(w, r, err)
		return
	}
	wants, err := s.store.Wants(r.Context())
	s.answer(w, r, wants, err)
}

func contentOf(r *http.Request) sqlite.Content {
	return sqlite.Content{Kind: sqlite.ContentKind(pathPart(r, "kind")), ID: pathPart(r, "id"), SHA256: pathPart(r, "sha256")}
}

// handleContent hands out a layer or a photo.
//
// GET /api/sync/contents/{kind}/{id}/{sha256}
func (s *Server) handleContent(w http.ResponseWriter, r *http.Request) {
	c := contentOf(r)
	if err := s.store.HasContent(r.Context(), c); err != nil {
		s.fail(w, r, err)
		return
	}
	ended, err := s.handed.begin(r.Context(), s.queueWait)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	defer ended()
	f, discard, err := spare()
	if err != nil {
		s.fail(w, r, err)
		return
	}
	defer discard()
	if err := s.store.WriteContent(r.Context(), c, f); err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	w.Header().Set("Cache-Control", "no-store")
	if err := hand(w, f); err != nil {
		s.log.InfoContext(r.Context(), "write content", "error", err)
		panic(http.ErrAbortHandler) // so that a part is not taken for the whole
	}
}

// handleGive takes in a layer or a photo.
//
// PUT /api/sync/contents/{kind}/{id}/{sha256}
func (s *Server) handleGive(w http.ResponseWriter, r *http.Request) {
	err := s.writableNow()
	if err == nil {
		err = s.give(w, r)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

func (s *Server) give(w http.ResponseWriter, r *http.Request) error {
	ended, err := s.taken.begin(r.Context(), s.queueWait)
	if err != nil {
		return err
	}
	defer ended()
	from := &patient{r.Body, http.NewResponseController(w), time.Hour} // a large layer takes its time to be written
	return s.store.TakeContent(r.Context(), contentOf(r), from, author(r))
}
