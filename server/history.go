package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/sqlite"
	"holdfast/survey/version"
)

// change is a revision with what it changed.
type change struct {
	sqlite.Revision
	Path        string // of its page
	Phrases     []version.Phrase
	Differences []version.Difference
}

// changes reads the history of a site or a point, newest first, with what each
// revision changed, as much as the visitor may see.
func (s *Server) changes(ctx context.Context, collection, id string) ([]change, error) {
	revisions, err := s.store.History(ctx, collection, id)
	if err != nil {
		return nil, err
	}
	if len(revisions) == 0 {
		return nil, survey.NotFound(singular(collection), id)
	}
	units, err := s.units(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]change, len(revisions))
	for i, r := range revisions {
		if out[i], err = changeOf(ctx, r, units); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func changeOf(ctx context.Context, r sqlite.Revision, units survey.Units) (change, error) {
	c := change{Revision: r, Path: fmt.Sprintf("/%s/%s/revisions/%d", r.Collection, url.PathEscape(r.ID), r.Number)}
	var err error
	if c.Before, err = discreet(ctx, r.Collection, r.Before); err != nil {
		return c, err
	}
	if c.After, err = discreet(ctx, r.Collection, r.After); err != nil {
		return c, err
	}
	c.Differences = []version.Difference{}
	if c.Before != nil && c.After != nil {
		if c.Differences, err = version.Differences(c.Before, c.After); err != nil {
			return c, err
		}
	}
	c.Phrases = version.Phrases(units, c.Differences)
	return c, nil
}

// discreet is a version of an item as the visitor may see it.
func discreet(ctx context.Context, collection string, body json.RawMessage) (json.RawMessage, error) {
	if body == nil || may(ctx, survey.Contacts) {
		return body, nil
	}
	f, err := featureOf(ctx, sqlite.Revision{Collection: collection, After: body})
	if err != nil {
		return nil, err
	}
	return f.MarshalJSON()
}

// featureOf is what a revision left behind, as the visitor may see it.
func featureOf(ctx context.Context, r sqlite.Revision) (geojson.Feature, error) {
	if r.Collection == sqlite.Sites {
		site, err := r.Site()
		if err != nil {
			return geojson.Feature{}, err
		}
		if !may(ctx, survey.Contacts) {
			site = site.Discreet()
		}
		return site.Feature()
	}
	p, err := r.Point()
	if err != nil {
		return geojson.Feature{}, err
	}
	if !may(ctx, survey.Contacts) {
		p = p.Discreet()
	}
	return p.Feature()
}

// units are those of the policy in force, US customary while there is none.
func (s *Server) units(ctx context.Context) (survey.Units, error) {
	p, err := s.store.Policy(ctx)
	if errors.Is(err, survey.ErrNotFound) {
		return survey.UnitsUS, nil
	}
	return p.Units, err
}

func singular(collection string) string {
	if collection == sqlite.Sites {
		return "site"
	}
	return "point"
}

type historyPage struct {
	Noun, Name string
	Here       string // "" when it was deleted
	Changes    []change
}

// historyOf shows every change to a site or a point, also to one that was
// deleted.
//
// GET /sites/{id}/revisions, GET /points/{id}/revisions
func (s *Server) historyOf(collection string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if _, err := query(r); err != nil {
			s.fail(w, r, err)
			return
		}
		all, err := s.changes(r.Context(), collection, pathPart(r, "id"))
		if err != nil {
			s.fail(w, r, err)
			return
		}
		body := historyPage{Noun: singular(collection), Name: nameOf(all[0].Revision), Changes: all}
		if all[0].After != nil {
			body.Here = "/" + collection + "/" + url.PathEscape(all[0].ID)
		}
		s.render(w, r, http.StatusOK, "history", page{Title: sayEveryChange + body.Name, Body: body})
	}
}

// nameOf is what an item calls itself in a revision.
func nameOf(r sqlite.Revision) string {
	body := r.After
	if body == nil {
		body = r.Before
	}
	var f geojson.Feature
	if json.Unmarshal(body, &f) != nil {
		return r.ID
	}
	return featureName(f)
}

type revisionPage struct {
	change
	Noun, Name string
	Facts      []version.Phrase // all of it, in After
	Since      []version.Phrase // from it to what is now
	Now        int64            // revision; 0 when there is none
	Last       bool             // this is what is now
	Writable   bool
}

// revisionOf shows an item as one revision left it, and offers to put that
// back.
//
// GET /sites/{id}/revisions/{number}, GET /points/{id}/revisions/{number}
func (s *Server) revisionOf(collection string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if _, err := query(r); err != nil {
			s.fail(w, r, err)
			return
		}
		body, err := s.revisionPage(r, collection)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		s.render(w, r, http.StatusOK, "revision", page{Title: fmt.Sprintf(sayRevisionOf, body.Name, body.Number), Body: body})
	}
}

func (s *Server) revisionPage(r *http.Request, collection string) (revisionPage, error) {
	ctx := r.Context()
	old, err := s.revision(r, collection)
	if err != nil {
		return revisionPage{}, err
	}
	history, err := s.store.History(ctx, collection, old.ID)
	if err != nil {
		return revisionPage{}, err
	}
	units, err := s.units(ctx)
	if err != nil {
		return revisionPage{}, err
	}
	newest := history[0]
	p := revisionPage{Noun: singular(collection), Name: nameOf(old), Writable: !s.readOnly && may(ctx, survey.Record)}
	if p.change, err = changeOf(ctx, old, units); err != nil {
		return p, err
	}
	now, err := s.present(ctx, collection, old.ID)
	if err != nil {
		return p, err
	}
	all, err := version.Differences(nil, p.After)
	if err != nil {
		return p, err
	}
	since, err := version.Differences(p.After, now)
	if err != nil {
		return p, err
	}
	if now != nil {
		p.Now = newest.Number
	}
	p.Last = newest.Number == old.Number && len(since) == 0
	p.Facts, p.Since = version.Phrases(units, all), version.Phrases(units, since)
	return p, nil
}

// present is an item as it is, which after an exchange need not be what any one
// revision left; nil when it was taken out.
func (s *Server) present(ctx context.Context, collection, id string) (json.RawMessage, error) {
	f, err := s.stored(ctx, collection, id)
	if errors.Is(err, survey.ErrNotFound) {
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	return f.MarshalJSON()
}

// stored is a site or a point as the store has it.
func (s *Server) stored(ctx context.Context, collection, id string) (geojson.Feature, error) {
	if collection == sqlite.Sites {
		row, err := s.store.Site(ctx, id)
		if err != nil {
			return geojson.Feature{}, err
		}
		return row.Item.Feature()
	}
	row, err := s.store.Point(ctx, id)
	if err != nil {
		return geojson.Feature{}, err
	}
	return row.Item.Feature()
}

// revision is the one that the address names.
func (s *Server) revision(r *http.Request, collection string) (sqlite.Revision, error) {
	number, err := strconv.ParseInt(pathPart(r, "number"), 10, 64)
	if err != nil {
		return sqlite.Revision{}, survey.NotFound("revision", pathPart(r, "number"))
	}
	return s.store.At(r.Context(), collection, pathPart(r, "id"), number)
}

// putBack makes an item again what a revision left behind, when it is still
// what the visitor saw.
//
// POST /sites/{id}/revisions/{number}, POST /points/{id}/revisions/{number}
func (s *Server) putBack(collection string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		seen, err := s.formOn(r, "seen", sayVersionNotSaid)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		old, err := s.revision(r, collection)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		if site, isSite := old.Site(); collection == sqlite.Sites && isSite == nil {
			_, err = s.mayReview(r.Context(), site, seen) // what was signed once may come back as it was
		}
		if err != nil {
			s.fail(w, r, err)
			return
		}
		if _, err := s.store.PutBack(r.Context(), collection, old.ID, old.Number, author(r), survey.Known(seen)); err != nil {
			s.fail(w, r, err)
			return
		}
		http.Redirect(w, r, "/"+collection+"/"+url.PathEscape(old.ID), http.StatusSeeOther)
	}
}

// apiRevision is a revision as the API lists it.
type apiRevision struct {
	Number  int64                `json:"number"`
	At      string               `json:"at"`
	Who     string               `json:"who"`
	Device  string               `json:"device,omitempty"`
	Verb    sqlite.Verb          `json:"verb"`
	Changes []version.Difference `json:"changes"` // of a replacement, field by field
	Links   []link               `json:"links"`
}

// handleRevisions lists every change to a site or a point, newest first, also
// to one that was deleted.
//
// GET /api/collections/{collection}/items/{id}/revisions
func (s *Server) handleRevisions(w http.ResponseWriter, r *http.Request) {
	if _, _, err := offered(r, nil, typeJSON); err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.revised(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	all, err := s.changes(r.Context(), c.ID, pathPart(r, "id"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := make([]apiRevision, len(all))
	for i, one := range all {
		out[i] = apiRevision{
			Number: one.Number, At: one.At.Format("2006-01-02T15:04:05.000000Z"), Who: one.Who, Device: one.Device, Verb: one.Verb,
			Changes: one.Differences, Links: []link{},
		}
		if one.After != nil {
			at := fmt.Sprintf("%s%s/revisions/%d", origin(r), itemPath(c.ID, one.ID), one.Number)
			out[i].Links = append(out[i].Links, link{at, "version-history", typeGeoJSON, sayItemAsLeft})
		}
	}
	s.writeJSON(w, r, typeJSON, struct {
		Revisions []apiRevision `json:"revisions"`
		Links     []link        `json:"links"`
	}{out, append(selfLinks(r, typeJSON, typeJSON), link{origin(r) + itemPath(c.ID, all[0].ID), "latest-version", typeGeoJSON, sayItemAsIs})})
}

// handleRevision is a site or a point as one revision left it.
//
// GET /api/collections/{collection}/items/{id}/revisions/{number}
func (s *Server) handleRevision(w http.ResponseWriter, r *http.Request) {
	if _, _, err := offered(r, nil, typeGeoJSON); err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.revised(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	old, err := s.revision(r, c.ID)
	if err == nil && old.After == nil {
		err = status(http.StatusGone, sayRevisionTookOut, old.Number, singular(c.ID))
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	f, err := featureOf(r.Context(), old)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	f.Geometry = wound(f.Geometry)
	stored84.stamp(w)
	s.writeJSON(w, r, typeGeoJSON, linkedFeature{f, append(selfLinks(r, typeGeoJSON, typeGeoJSON),
		link{origin(r) + itemPath(c.ID, old.ID), "latest-version", typeGeoJSON, sayItemAsIs})})
}

// revised is the collection of the address when it keeps revisions of its
// items.
func (s *Server) revised(r *http.Request) (collection, error) {
	c, err := s.collection(r)
	if err == nil && c.ID != sqlite.Sites && c.ID != sqlite.Points {
		err = status(http.StatusNotFound, sayLayerNoRevisions, c.Title)
	}
	return c, err
}
