package server

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func etagOf(revision int64) string { return fmt.Sprintf(`"%d"`, revision) }

// Comparison of ETags (RFC 9110, 8.8.3.2).
const (
	strongly = false
	weakly   = true
)

// etagListed tells whether an If-Match or If-None-Match header names an ETag.
func etagListed(header, etag string, weak bool) bool {
	if strings.TrimSpace(header) == "*" {
		return true
	}
	for one := range strings.SplitSeq(header, ",") {
		one = strings.TrimSpace(one)
		if weak {
			one, etag = strings.TrimPrefix(one, "W/"), strings.TrimPrefix(etag, "W/")
		}
		if one != "" && one == etag {
			return true
		}
	}
	return false
}

// expected reads which revision a write was made on: 0 for an item that must
// not exist yet.
func (s *Server) expected(ctx context.Context, r *http.Request, collection, id string) (int64, error) {
	if strings.TrimSpace(r.Header.Get("If-None-Match")) == "*" {
		return 0, nil
	}
	match := r.Header.Get("If-Match")
	if match == "" {
		return 0, status(http.StatusPreconditionRequired, sayVersionMissing)
	}
	now, err := s.item(ctx, collection, id)
	switch {
	case errors.Is(err, survey.ErrNotFound):
		return 0, status(http.StatusPreconditionFailed, sayNothingToChange, strings.TrimSuffix(collection, "s"), id)
	case err != nil:
		return 0, err
	case etagListed(match, etagOf(now.revision), strongly):
		return now.revision, nil
	}
	if n, err := strconv.ParseInt(strings.Trim(match, `"`), 10, 64); err == nil && n > 0 {
		return n, nil // an older one: the store refuses it, at the moment of writing
	}
	return -1, nil // no revision of ours
}

// writableNow refuses every write to an atlas that is served for reading only.
func (s *Server) writableNow() error {
	if s.readOnly {
		return fmt.Errorf(sayServedReadOnly, survey.ErrReadOnly)
	}
	return nil
}

// writable refuses a write where none is possible.
func (s *Server) writable(w http.ResponseWriter, r *http.Request) (collection, error) {
	if err := s.writableNow(); err != nil {
		return collection{}, err
	}
	c, err := s.collection(r)
	if err == nil && !c.writable {
		w.Header().Set("Allow", "GET, HEAD, OPTIONS")
		err = status(http.StatusMethodNotAllowed, sayLayerWhole, c.Title)
	}
	return c, err
}

// put stores a Feature in a collection.
func (s *Server) put(r *http.Request, collection string, f geojson.Feature, expect int64) (stored, error) {
	ctx, seen := r.Context(), survey.Known(expect)
	if collection == sqlite.Sites {
		site, err := survey.ParseSite(f)
		if err != nil {
			return stored{}, err
		}
		changed, err := s.mayReview(ctx, site, expect)
		if err == nil && changed {
			err = site.Review.Check(s.now())
		}
		if err != nil {
			return stored{}, err
		}
		row, err := s.store.PutSite(ctx, site, author(r), seen)
		if err != nil {
			return stored{}, err
		}
		g, err := row.Item.Feature()
		return stored{g, row.Revision}, err
	}
	p, err := survey.ParsePoint(f)
	if err != nil {
		return stored{}, err
	}
	row, err := s.store.PutPoint(ctx, p, author(r), seen)
	if err != nil {
		return stored{}, err
	}
	g, err := row.Item.Feature()
	return stored{g, row.Revision}, err
}

// mayReview tells whether a site has another sign-off than there is, and refuses
// that to whoever may not sign. A write that was made on another revision than
// the present one (0: none) is stale, whoever signed meanwhile; what is compared
// here is what the store replaces, as it holds the write to the same revision.
func (s *Server) mayReview(ctx context.Context, site survey.Site, expect int64) (changed bool, err error) {
	now, err := s.store.Site(ctx, site.ID)
	if err != nil && !errors.Is(err, survey.ErrNotFound) {
		return false, err
	}
	if now.Item.ID != site.ID {
		now = sqlite.Row[survey.Site]{}
	}
	changed = !site.Review.Same(now.Item.Review)
	switch {
	case now.Revision != expect:
		return changed, &sqlite.StaleError{Current: now.Revision}
	case changed && !may(ctx, survey.SignOff):
		return changed, lacking(survey.SignOff)
	}
	return changed, nil
}

// sent reads a Feature from the body, in any of the collection's systems.
func (c collection) sent(r *http.Request) (geojson.Feature, error) {
	f, err := readFeature(r)
	if err != nil {
		return f, err
	}
	return fromContentCRS(r, f, c.systems)
}

// handleCreate adds a site or a point.
//
// POST /api/collections/{collection}/items
func (s *Server) handleCreate(w http.ResponseWriter, r *http.Request) {
	_, _, err := offered(r, nil, typeGeoJSON)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.writable(w, r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	f, err := c.sent(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	made, err := s.put(r, c.ID, f, 0)
	if errors.Is(err, survey.ErrStale) {
		err = fmt.Errorf(sayIDTaken, f.ID, survey.ErrConflict)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeStored(w, r, http.StatusCreated, c, made)
}

// handleReplace replaces a site or a point on the version the client has
// seen, or creates it under an id the client made.
//
// PUT /api/collections/{collection}/items/{id}
func (s *Server) handleReplace(w http.ResponseWriter, r *http.Request) {
	_, _, err := offered(r, nil, typeGeoJSON)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.writable(w, r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	id := pathPart(r, "id")
	expect, err := s.expected(r.Context(), r, c.ID, id)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	f, err := c.sent(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if f.ID != "" && f.ID != id {
		s.fail(w, r, survey.Invalid("/id", sayIDDiffers, f.ID, id))
		return
	}
	f.ID = id
	made, err := s.put(r, c.ID, f, expect)
	again := false
	if errors.Is(err, survey.ErrStale) && r.Header.Get("Idempotency-Key") != "" {
		made, again = s.applied(r.Context(), c.ID, f)
	}
	if err != nil && !again {
		s.fail(w, r, s.bothVersions(r.Context(), c.ID, f, err))
		return
	}
	code := http.StatusOK
	if expect == 0 && !again {
		code = http.StatusCreated
	}
	s.writeStored(w, r, code, c, made)
}

// applied tells whether a write that met another version than it expected is
// that version: it is sent again because its answer was lost (RFC 9110, 13.1.1).
// A client that sends again says so by an Idempotency-Key; to others an old
// version is an old version.
func (s *Server) applied(ctx context.Context, collection string, f geojson.Feature) (stored, bool) {
	now, err := s.item(ctx, collection, f.ID)
	if err != nil {
		return now, false
	}
	if collection == sqlite.Sites {
		var site survey.Site
		if site, err = survey.ParseSite(f); err == nil {
			f, err = site.Feature()
		}
	} else {
		var p survey.Point
		if p, err = survey.ParsePoint(f); err == nil {
			f, err = p.Feature()
		}
	}
	if err != nil {
		return now, false
	}
	f.Geometry = wound(f.Geometry)
	ours, err := f.MarshalJSON()
	if err != nil {
		return now, false
	}
	theirs, err := now.feature.MarshalJSON()
	return now, err == nil && bytes.Equal(ours, theirs)
}

// bothVersions adds the client's and the current version to a stale write.
func (s *Server) bothVersions(ctx context.Context, collection string, yours geojson.Feature, err error) error {
	if !errors.Is(err, survey.ErrStale) {
		return err
	}
	now, lost := s.item(ctx, collection, yours.ID)
	if lost != nil {
		return err
	}
	return &staleError{yours: yours, current: now.feature, etag: etagOf(now.revision)}
}

func (s *Server) writeStored(w http.ResponseWriter, r *http.Request, code int, c collection, made stored) {
	at := origin(r) + itemPath(c.ID, made.feature.ID)
	w.Header().Set("ETag", etagOf(made.revision))
	stored84.stamp(w)
	if code == http.StatusCreated {
		w.Header().Set("Location", at)
	}
	s.writeJSONStatus(w, r, code, typeGeoJSON, linkedFeature{made.feature, []link{
		{at, "self", typeGeoJSON, "this"},
		{at + "?f=html", "alternate", typeHTML, sayThisAs + typeHTML},
		{origin(r) + "/api/collections/" + c.ID, "collection", typeJSON, c.Title},
	}})
}

// handleDelete takes a site or a point out of the atlas; its history stays.
//
// DELETE /api/collections/{collection}/items/{id}
func (s *Server) handleDelete(w http.ResponseWriter, r *http.Request) {
	if _, err := query(r, "f"); err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.writable(w, r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	id := pathPart(r, "id")
	if _, err := s.item(r.Context(), c.ID, id); err != nil {
		s.fail(w, r, err)
		return
	}
	expect, err := s.expected(r.Context(), r, c.ID, id)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	remove := s.store.DeletePoint
	if c.ID == sqlite.Sites {
		remove = s.store.DeleteSite
	}
	if err := remove(r.Context(), id, author(r), survey.Known(expect)); err != nil {
		s.fail(w, r, s.bothVersions(r.Context(), c.ID, geojson.Feature{ID: id}, err))
		return
	}
	w.WriteHeader(http.StatusNoContent)
}

// handleItemsOptions names the methods of a collection's items.
//
// OPTIONS /api/collections/{collection}/items
func (s *Server) handleItemsOptions(w http.ResponseWriter, r *http.Request) {
	s.allow(w, r, "GET, HEAD, OPTIONS", "POST")
}

// handleItemOptions names the methods of one item.
//
// OPTIONS /api/collections/{collection}/items/{id}
func (s *Server) handleItemOptions(w http.ResponseWriter, r *http.Request) {
	s.allow(w, r, "GET, HEAD, OPTIONS", "PUT, DELETE")
}

func (s *Server) allow(w http.ResponseWriter, r *http.Request, reading, writing string) {
	c, err := s.collection(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if c.writable && !s.readOnly {
		reading += ", " + writing
	}
	w.Header().Set("Allow", reading)
	w.WriteHeader(http.StatusNoContent)
}

// formOn reads the form of a change and the revision it was made on, by the
// field that names it; otherwise says what to do when the form does not tell.
func (s *Server) formOn(r *http.Request, field, otherwise string) (int64, error) {
	if err := s.writableNow(); err != nil {
		return 0, err
	}
	if err := r.ParseForm(); err != nil {
		return 0, status(http.StatusBadRequest, sayFormUnread)
	}
	on, err := strconv.ParseInt(r.PostFormValue(field), 10, 64)
	if err != nil {
		return 0, status(http.StatusBadRequest, "%s", otherwise)
	}
	return on, nil
}
