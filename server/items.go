package server

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// pathPart is a part of the address. Where the address had to escape more than
// usual, the router leaves it escaped.
func pathPart(r *http.Request, name string) string {
	part := chi.URLParam(r, name)
	if r.URL.RawPath == "" {
		return part
	}
	if plain, err := url.PathUnescape(part); err == nil {
		return plain
	}
	return part
}

// items is one page of a collection.
type items struct {
	features []geojson.Feature
	matched  int    // uncounted when it would have taken too long
	next     string // cursor of the next page
}

const uncounted = -1

// handleItems lists the features of a collection, a page at a time. The next
// page is found by where the last feature of this one stands, so that it
// costs the same however far on it is.
//
// GET /api/collections/{collection}/items
func (s *Server) handleItems(w http.ResponseWriter, r *http.Request) {
	c, sel, form, err := s.selection(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sel.out.stamp(w)
	if s.unchanged(w, r, form) {
		return
	}
	got, err := s.listInTime(r.Context(), c, sel)
	if got.matched = len(got.features); err == nil && (sel.After != "" || got.next != "") {
		got.matched, err = s.matched(r, c, sel)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeItems(w, r, form, c, got)
}

// unchanged answers 304 when the client has this very list already: nothing
// in the atlas has changed since.
func (s *Server) unchanged(w http.ResponseWriter, r *http.Request, form string) bool {
	state, err := s.store.State(r.Context())
	if err != nil {
		return false // the list itself will say what is wrong
	}
	etag := fmt.Sprintf(`W/"%d.%d-%s%s"`, state.Revision, state.Edition, strings.TrimPrefix(form[strings.Index(form, "/")+1:], "geo+"), asSeen(r.Context()))
	h := w.Header()
	h.Set("ETag", etag)
	h.Set("Cache-Control", cachePrivate)
	if form == typeHTML || !etagListed(r.Header.Get("If-None-Match"), etag, weakly) {
		return false
	}
	w.WriteHeader(http.StatusNotModified)
	return true
}

// longest is how long a list may be looked for.
const longest = 20 * time.Second

// listInTime returns a page, or says that it takes too long.
func (s *Server) listInTime(ctx context.Context, c collection, sel selection) (items, error) {
	limited, cancel := context.WithTimeout(ctx, longest)
	defer cancel()
	got, err := s.list(limited, c, sel)
	if err != nil && limited.Err() != nil && ctx.Err() == nil {
		err = status(http.StatusServiceUnavailable, sayListTooLong)
	}
	return got, err
}

// list returns a page. It asks for one feature more, to know whether there is
// a next page.
func (s *Server) list(ctx context.Context, c collection, sel selection) (items, error) {
	f := sel.Filter
	f.Limit++
	var page items
	var err error
	switch c.ID {
	case sqlite.Sites:
		rows, e := s.store.Sites(ctx, f)
		page, err = pageOf(rows, sel, survey.Site.Feature, func(s survey.Site) string { return s.Name })
		err = errors.Join(e, err)
	case sqlite.Points:
		rows, e := s.store.Points(ctx, f)
		page, err = pageOf(rows, sel, survey.Point.Feature, func(p survey.Point) string { return p.Label })
		err = errors.Join(e, err)
	default:
		rows, e := s.store.Features(ctx, c.ID, f)
		page, err = layerPage(rows, sel), e
	}
	if err != nil {
		return page, err
	}
	for i, g := range page.features {
		if page.features[i], err = sel.out.written(g); err != nil {
			return page, err
		}
	}
	return page, nil
}

func pageOf[T any](rows []sqlite.Row[T], sel selection, feature func(T) (geojson.Feature, error), named func(T) string) (items, error) {
	var out items
	if len(rows) > sel.Limit {
		rows = rows[:sel.Limit]
		last := rows[sel.Limit-1]
		f, err := feature(last.Item)
		if err != nil {
			return out, err
		}
		key := named(last.Item)
		if sel.Order.By == sqlite.UpdatedName {
			key = last.UpdatedKey()
		}
		out.next = cursor(sel.Order, key, f.ID)
	}
	for _, row := range rows {
		f, err := feature(row.Item)
		if err != nil {
			return out, err
		}
		f.Geometry = wound(f.Geometry)
		out.features = append(out.features, f)
	}
	return out, nil
}

func layerPage(rows []survey.LayerFeature, sel selection) items {
	var out items
	if len(rows) > sel.Limit {
		rows = rows[:sel.Limit]
		out.next = cursor(sel.Order, "", rows[sel.Limit-1].ID)
	}
	for _, row := range rows {
		out.features = append(out.features, layerFeature(row))
	}
	return out
}

func layerFeature(f survey.LayerFeature) geojson.Feature {
	return geojson.Feature{ID: f.ID, NumericID: true, Geometry: wound(geojson.Geometry{Geometry: f.Geometry, Z: f.Heights}), Properties: f.Properties}
}

// featureCollection is all of a page but its features, which follow.
type featureCollection struct {
	Type           string `json:"type"`
	TimeStamp      string `json:"timeStamp"`
	NumberMatched  *int   `json:"numberMatched,omitempty"`
	NumberReturned int    `json:"numberReturned"`
	Links          []link `json:"links"`
}

// with writes the collection with its features. They are put in as they are
// written; encoding/json would read them all again.
func (c featureCollection) with(features []geojson.Feature) ([]byte, error) {
	b, err := json.Marshal(c)
	if err != nil {
		return nil, fmt.Errorf("write features: %w", err)
	}
	b = append(bytes.TrimSuffix(b, []byte("}")), `,"features":[`...)
	for i, f := range features {
		one, err := f.MarshalJSON()
		if err != nil {
			return nil, fmt.Errorf("write feature %s: %w", f.ID, err)
		}
		if i > 0 {
			b = append(b, ',')
		}
		b = append(b, one...)
	}
	return append(b, "]}\n"...), nil
}

func (s *Server) writeItems(w http.ResponseWriter, r *http.Request, form string, c collection, got items) {
	doc := featureCollection{
		Type: "FeatureCollection", TimeStamp: s.now().UTC().Format("2006-01-02T15:04:05Z"),
		NumberReturned: len(got.features),
		Links:          append(selfLinks(r, form, typeGeoJSON, typeHTML), link{origin(r) + "/api/collections/" + url.PathEscape(c.ID), "collection", typeJSON, c.Title}),
	}
	if got.matched != uncounted {
		doc.NumberMatched = &got.matched
	}
	if got.next != "" {
		q := r.URL.Query()
		q.Set("after", got.next)
		next := origin(r) + r.URL.EscapedPath() + "?" + q.Encode()
		doc.Links = append(doc.Links, link{next, "next", form, sayNextPage})
		w.Header().Add("Link", fmt.Sprintf(`<%s>; rel="next"; type="%s"`, next, form))
	}
	if form == typeGeoJSON {
		b, err := doc.with(got.features)
		if err != nil {
			s.fail(w, r, err)
			return
		}
		w.Header().Set("Content-Type", typeGeoJSON)
		w.Header().Add("Vary", "Accept")
		if _, err := w.Write(b); err != nil {
			s.log.InfoContext(r.Context(), "write features", "error", err)
		}
		return
	}
	p := apiPage{Heading: c.Title, Links: doc.Links, Head: []string{"Id", "Name"}}
	if doc.NumberMatched != nil {
		p.Text = fmt.Sprintf(sayShownOf, doc.NumberReturned, *doc.NumberMatched)
	}
	for _, f := range got.features {
		p.Rows = append(p.Rows, []apiCell{{f.ID, itemPath(c.ID, f.ID) + "?f=html"}, {Text: featureName(f)}})
	}
	s.render(w, r, http.StatusOK, "api", page{Title: p.Heading, Room: "api", Body: p})
}

func itemPath(collection, id string) string {
	return "/api/collections/" + url.PathEscape(collection) + "/items/" + url.PathEscape(id)
}

// featureName is what a feature calls itself.
func featureName(f geojson.Feature) string {
	var named map[string]any
	if json.Unmarshal(f.Properties, &named) != nil {
		return ""
	}
	for _, key := range []string{"name", "label", "NAME", "title"} {
		if text, ok := named[key].(string); ok {
			return text
		}
	}
	return ""
}

// stored is one feature with what a client needs to change it.
type stored struct {
	feature  geojson.Feature
	revision int64 // 0 for a layer, whose features are replaced as a whole
}

// item loads a feature by exactly its id.
func (s *Server) item(ctx context.Context, collection, id string) (stored, error) {
	switch collection {
	case sqlite.Sites:
		row, err := s.store.Site(ctx, id)
		if err == nil && row.Item.ID != id {
			err = survey.NotFound("site", id)
		}
		if err != nil {
			return stored{}, err
		}
		f, err := row.Item.Feature()
		f.Geometry = wound(f.Geometry)
		return stored{f, row.Revision}, err
	case sqlite.Points:
		row, err := s.store.Point(ctx, id)
		if err == nil && row.Item.ID != id {
			err = survey.NotFound("point", id)
		}
		if err != nil {
			return stored{}, err
		}
		f, err := row.Item.Feature()
		return stored{f, row.Revision}, err
	}
	n, err := strconv.ParseInt(id, 10, 64)
	if err != nil {
		return stored{}, survey.NotFound("feature", id)
	}
	f, err := s.store.LayerFeature(ctx, collection, n)
	return stored{feature: layerFeature(f)}, err
}

// handleItem shows one feature, with its revision as ETag.
//
// GET /api/collections/{collection}/items/{id}
func (s *Server) handleItem(w http.ResponseWriter, r *http.Request) {
	c, q, form, err := s.collectionOffered(r, []string{"crs"}, typeGeoJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out, err := systemOf(q, "crs", c.systems)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	got, err := s.item(r.Context(), c.ID, pathPart(r, "id"))
	if err == nil {
		got.feature, err = out.written(got.feature)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out.stamp(w)
	if form == typeGeoJSON && got.revision > 0 {
		etag := fmt.Sprintf(`"%d%s"`, got.revision, asSeen(r.Context()))
		w.Header().Set("ETag", etag)
		if etagListed(r.Header.Get("If-None-Match"), etag, weakly) {
			w.WriteHeader(http.StatusNotModified)
			return
		}
	}
	doc := linkedFeature{got.feature, append(selfLinks(r, form, typeGeoJSON, typeHTML),
		link{origin(r) + "/api/collections/" + url.PathEscape(c.ID), "collection", typeJSON, c.Title})}
	p := apiPage{Heading: c.Title + ": " + got.feature.ID, Text: featureName(got.feature), Links: doc.links}
	if form == typeHTML {
		text, err := json.MarshalIndent(got.feature, "", "  ")
		if err != nil {
			s.fail(w, r, fmt.Errorf("write feature: %w", err))
			return
		}
		p.JSON = string(text)
	}
	s.writeResource(w, r, form, doc, p)
}

// linkedFeature is a Feature with links, as the standard asks of one that is
// fetched alone.
type linkedFeature struct {
	geojson.Feature
	links []link
}

// MarshalJSON writes the Feature with the links as its last member.
func (f linkedFeature) MarshalJSON() ([]byte, error) {
	b, err := f.Feature.MarshalJSON()
	if err != nil {
		return nil, err
	}
	links, err := json.Marshal(f.links)
	if err != nil {
		return nil, err
	}
	b = append(bytes.TrimSuffix(b, []byte("}")), `,"links":`...)
	return append(append(b, links...), '}'), nil
}
