package server

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/go-chi/chi/v5"
	"github.com/paulmach/orb"

	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func collectionID(r *http.Request) string { return chi.URLParam(r, "collection") }

// selection is which items a request asks for.
type selection struct {
	bound *orb.Bound
	when  *span
	site  string
	after string
	limit int
}

// items is one page of a collection.
type items struct {
	features []geojson.Feature
	matched  int // -1 when not counted
	next     string
}

// handleItems lists the features of a collection, a page at a time. The next
// page is found by the last id of this one, so that it costs the same however
// far on it is.
//
// GET /api/collections/{collection}/items?bbox=&datetime=&limit=&after=&site=
func (s *Server) handleItems(w http.ResponseWriter, r *http.Request) {
	id := collectionID(r)
	known := []string{"bbox", "datetime", "limit", "after"}
	if id == sqlite.Points {
		known = append(known, "site")
	}
	q, form, err := offered(r, known, typeGeoJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sel, err := selected(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.collection(r.Context(), r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if s.unchanged(w, r, form) {
		return
	}
	got, err := s.list(r.Context(), id, sel)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeItems(w, r, form, c, got)
}

func selected(q url.Values) (sel selection, err error) {
	sel.after, sel.site = q.Get("after"), q.Get("site")
	if sel.bound, err = bbox(q); err != nil {
		return sel, err
	}
	if sel.when, err = datetime(q); err != nil {
		return sel, err
	}
	sel.limit, err = limit(q)
	return sel, err
}

// unchanged answers 304 when the client has this very list already: nothing
// in the atlas has changed since.
func (s *Server) unchanged(w http.ResponseWriter, r *http.Request, form string) bool {
	revision, err := s.store.Revision(r.Context())
	if err != nil {
		return false // the list itself will say what is wrong
	}
	etag := fmt.Sprintf(`W/"%d-%s"`, revision, strings.TrimPrefix(form[strings.Index(form, "/")+1:], "geo+"))
	h := w.Header()
	h.Set("ETag", etag)
	h.Set("Cache-Control", "no-cache")
	if form == typeHTML || !etagListed(r.Header.Get("If-None-Match"), etag, weakly) {
		return false
	}
	w.WriteHeader(http.StatusNotModified)
	return true
}

func (s *Server) list(ctx context.Context, id string, sel selection) (items, error) {
	switch id {
	case sqlite.Sites:
		return listSurvey(ctx, sel, s.store.Sites, s.store.CountSites, survey.Site.Feature, nil)
	case sqlite.Points:
		return listSurvey(ctx, sel, s.store.Points, s.store.CountPoints, survey.Point.Feature, func(p survey.Point, when span) bool {
			at, known := p.SurveyedAt.Get()
			return !known || when.holds(at) // 17-069r4, 7.15.4: what has no time always matches
		})
	}
	return s.listLayer(ctx, id, sel)
}

// listSurvey lists sites or points. A filter on time is applied to what the
// store returns, page by page, and then nothing is counted.
func listSurvey[T any](
	ctx context.Context, sel selection,
	list func(context.Context, sqlite.Filter) ([]sqlite.Row[T], error),
	count func(context.Context, sqlite.Filter) (int, error),
	feature func(T) (geojson.Feature, error),
	inTime func(T, span) bool,
) (items, error) {
	f := sqlite.Filter{Bound: sel.bound, Site: sel.site, After: sel.after, Limit: sel.limit + 1}
	out := items{matched: -1}
	for {
		rows, err := list(ctx, f)
		if err != nil {
			return out, err
		}
		for _, row := range rows {
			g, err := feature(row.Item)
			if err != nil {
				return out, err
			}
			f.After = g.ID
			if sel.when != nil && inTime != nil && !inTime(row.Item, *sel.when) {
				continue
			}
			if len(out.features) == sel.limit {
				out.next = out.features[sel.limit-1].ID
				break
			}
			out.features = append(out.features, g)
		}
		if out.next != "" || len(rows) < f.Limit {
			break
		}
	}
	if sel.when != nil && inTime != nil {
		return out, nil
	}
	var err error
	out.matched, err = count(ctx, f)
	return out, err
}

func (s *Server) listLayer(ctx context.Context, id string, sel selection) (items, error) {
	var after int64
	if sel.after != "" {
		var err error
		if after, err = strconv.ParseInt(sel.after, 10, 64); err != nil {
			return items{}, badParameter("after", "%q is not from a next link of this collection", sel.after)
		}
	}
	rows, err := s.store.LayerFeatures(ctx, id, sel.bound, after, sel.limit+1)
	if err != nil {
		return items{}, err
	}
	out := items{}
	if len(rows) > sel.limit {
		rows = rows[:sel.limit]
		out.next = rows[sel.limit-1].ID
	}
	for _, row := range rows {
		out.features = append(out.features, layerFeature(row))
	}
	out.matched, err = s.store.CountFeatures(ctx, id, sqlite.Filter{Bound: sel.bound})
	return out, err
}

func layerFeature(f survey.LayerFeature) geojson.Feature {
	return geojson.Feature{ID: f.ID, NumericID: true, Geometry: wound(geojson.Geometry{Geometry: f.Geometry, Z: f.Heights}), Properties: f.Properties}
}

type featureCollection struct {
	Type           string            `json:"type"`
	TimeStamp      string            `json:"timeStamp"`
	NumberMatched  *int              `json:"numberMatched,omitempty"`
	NumberReturned int               `json:"numberReturned"`
	Links          []link            `json:"links"`
	Features       []geojson.Feature `json:"features"`
}

func (s *Server) writeItems(w http.ResponseWriter, r *http.Request, form string, c collection, got items) {
	doc := featureCollection{
		Type: "FeatureCollection", TimeStamp: s.now().UTC().Format("2006-01-02T15:04:05Z"),
		NumberReturned: len(got.features), Features: got.features,
		Links: append(selfLinks(r, form, typeGeoJSON, typeHTML), link{origin(r) + "/api/collections/" + url.PathEscape(c.ID), "collection", typeJSON, c.Title}),
	}
	if got.matched >= 0 {
		doc.NumberMatched = &got.matched
	}
	if doc.Features == nil {
		doc.Features = []geojson.Feature{}
	}
	if got.next != "" {
		q := r.URL.Query()
		q.Set("after", got.next)
		next := origin(r) + r.URL.EscapedPath() + "?" + q.Encode()
		doc.Links = append(doc.Links, link{next, "next", form, "the next page"})
		w.Header().Add("Link", fmt.Sprintf(`<%s>; rel="next"; type="%s"`, next, form))
	}
	p := apiPage{Heading: c.Title, Links: doc.Links, Head: []string{"Id", "Name"}}
	if doc.NumberMatched != nil {
		p.Text = fmt.Sprintf("%d of %d features.", doc.NumberReturned, *doc.NumberMatched)
	}
	for _, f := range got.features {
		p.Rows = append(p.Rows, []apiCell{{f.ID, itemPath(c.ID, f.ID) + "?f=html"}, {Text: featureName(f)}})
	}
	s.writeResource(w, r, form, doc, p)
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
	_, form, err := offered(r, nil, typeGeoJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.collection(r.Context(), r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	got, err := s.item(r.Context(), c.ID, pathID(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if form == typeGeoJSON && got.revision > 0 {
		w.Header().Set("ETag", etagOf(got.revision))
		if etagListed(r.Header.Get("If-None-Match"), etagOf(got.revision), weakly) {
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
