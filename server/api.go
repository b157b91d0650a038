package server

import (
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

const crs84 = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"

// conformsTo names the conformance classes that hold (17-069r4 and 20-002).
var conformsTo = []string{
	"http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/core",
	"http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/geojson",
	"http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/html",
	"http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/oas30",
	"http://www.opengis.net/spec/ogcapi-features-4/1.0/conf/create-replace-delete",
	"http://www.opengis.net/spec/ogcapi-features-4/1.0/conf/optimistic-locking-etags",
}

// link is a typed link (RFC 8288) as the standard writes it in JSON.
type link struct {
	Href  string `json:"href"`
	Rel   string `json:"rel"`
	Type  string `json:"type,omitempty"`
	Title string `json:"title,omitempty"`
}

// origin is the address this server was reached under.
func origin(r *http.Request) string {
	scheme := "http"
	if r.TLS != nil {
		scheme = "https"
	}
	return scheme + "://" + r.Host
}

// selfLinks are the links of a resource to itself in the forms it has.
func selfLinks(r *http.Request, chosen string, forms ...string) []link {
	var out []link
	for _, f := range forms {
		q := r.URL.Query()
		q.Set("f", "json")
		if f == typeHTML {
			q.Set("f", "html")
		}
		l := link{Href: origin(r) + r.URL.EscapedPath() + "?" + q.Encode(), Rel: "alternate", Type: f, Title: "this, as " + f}
		if f == chosen {
			l.Rel, l.Title = "self", "this"
		}
		out = append(out, l)
	}
	return out
}

// apiPage is a resource of the API shown to a person.
type apiPage struct {
	Heading string
	Text    string
	Links   []link
	Head    []string
	Rows    [][]apiCell
	JSON    string
}

type apiCell struct{ Text, Href string }

// writeResource writes a resource of the API as JSON or as a page.
func (s *Server) writeResource(w http.ResponseWriter, r *http.Request, mediaType string, doc any, p apiPage) {
	if mediaType == typeHTML {
		s.render(w, r, http.StatusOK, "api", page{Title: p.Heading, Room: "api", Body: p})
		return
	}
	s.writeJSON(w, r, mediaType, doc)
}

// offered reads the query and settles the form of the answer in one go.
func offered(r *http.Request, known []string, forms ...string) (url.Values, string, error) {
	q, err := query(r, append(known, "f")...)
	if err != nil {
		return nil, "", err
	}
	f, err := negotiate(r, forms...)
	return q, f, err
}

// handleLanding is the front door of the API.
//
// GET /api
func (s *Server) handleLanding(w http.ResponseWriter, r *http.Request) {
	_, form, err := offered(r, nil, typeJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	at := origin(r) + "/api"
	doc := struct {
		Title       string `json:"title"`
		Description string `json:"description"`
		Links       []link `json:"links"`
	}{
		Title:       "holdfast atlas",
		Description: "Surveyed sites and anchor points, and the layers they are judged with.",
		Links: append(selfLinks(r, form, typeJSON, typeHTML),
			link{at + "/openapi", "service-desc", typeOpenAPI + ";version=3.0", "the API in OpenAPI 3.0"},
			link{at + "/conformance", "conformance", typeJSON, "the conformance classes that hold"},
			link{at + "/collections", "data", typeJSON, "the collections"},
		),
	}
	s.writeResource(w, r, form, doc, apiPage{Heading: doc.Title, Text: doc.Description, Links: doc.Links})
}

// handleConformance lists the conformance classes.
//
// GET /api/conformance
func (s *Server) handleConformance(w http.ResponseWriter, r *http.Request) {
	_, form, err := offered(r, nil, typeJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := apiPage{Heading: "Conformance", Text: "The classes of OGC API - Features that hold here.", Links: selfLinks(r, form, typeJSON, typeHTML), Head: []string{"Class"}}
	for _, c := range conformsTo {
		p.Rows = append(p.Rows, []apiCell{{Text: c}})
	}
	s.writeResource(w, r, form, map[string][]string{"conformsTo": conformsTo}, p)
}

//go:embed openapi.json
var openAPI []byte

// handleOpenAPI is the definition of the API.
//
// GET /api/openapi
func (s *Server) handleOpenAPI(w http.ResponseWriter, r *http.Request) {
	if _, _, err := offered(r, nil, typeOpenAPI); err != nil {
		s.fail(w, r, err)
		return
	}
	var doc map[string]any
	if err := json.Unmarshal(openAPI, &doc); err != nil {
		s.fail(w, r, fmt.Errorf("read API definition: %w", err))
		return
	}
	doc["servers"] = []map[string]string{{"url": origin(r) + "/api"}}
	if info, ok := doc["info"].(map[string]any); ok && s.version != "" {
		info["version"] = s.version
	}
	s.writeJSON(w, r, typeOpenAPI+";version=3.0", doc)
}

// collection describes a set of features.
type collection struct {
	ID          string   `json:"id"`
	Title       string   `json:"title"`
	Description string   `json:"description,omitempty"`
	Extent      *extent  `json:"extent,omitempty"`
	ItemType    string   `json:"itemType"`
	CRS         []string `json:"crs"`
	Role        string   `json:"role,omitempty"`
	AsOf        string   `json:"as_of,omitempty"`
	Licence     string   `json:"licence,omitempty"`
	Links       []link   `json:"links"`

	writable bool
}

type extent struct {
	Spatial struct {
		BBox [][4]float64 `json:"bbox"`
		CRS  string       `json:"crs"`
	} `json:"spatial"`
}

// collections lists the survey's own collections and every layer.
func (s *Server) collections(ctx context.Context, r *http.Request) ([]collection, error) {
	layers, err := s.store.Layers(ctx)
	if err != nil {
		return nil, err
	}
	bounds, ok, err := s.store.Bounds(ctx)
	if err != nil {
		return nil, err
	}
	var around *extent
	if ok {
		around = &extent{}
		around.Spatial.BBox = [][4]float64{{bounds.Left(), bounds.Bottom(), bounds.Right(), bounds.Top()}}
		around.Spatial.CRS = crs84
	}
	out := []collection{
		{ID: sqlite.Sites, Title: "Sites", Description: "Named stretches of bank or embankment; one sheet is printed for each.", Extent: around, writable: true},
		{ID: sqlite.Points, Title: "Points", Description: "Surveyed places where an anchor could be set.", Extent: around, writable: true},
	}
	for _, l := range layers {
		c := collection{ID: l.ID, Title: l.Title, Description: "Layer in the role: " + string(l.Role), Role: string(l.Role), Licence: l.Licence}
		if t, known := l.AsOf.Get(); known {
			c.AsOf = t.UTC().Format("2006-01-02")
		}
		out = append(out, c)
	}
	for i := range out {
		c := &out[i]
		at := origin(r) + "/api/collections/" + url.PathEscape(c.ID)
		c.ItemType, c.CRS = "feature", []string{crs84}
		c.Links = []link{
			{at, "self", typeJSON, "this collection"},
			{at + "?f=html", "alternate", typeHTML, "this collection, for reading"},
			{at + "/items", "items", typeGeoJSON, "its features"},
			{at + "/items?f=html", "items", typeHTML, "its features, for reading"},
		}
	}
	return out, nil
}

// handleCollections lists the collections.
//
// GET /api/collections
func (s *Server) handleCollections(w http.ResponseWriter, r *http.Request) {
	_, form, err := offered(r, nil, typeJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	all, err := s.collections(r.Context(), r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	doc := struct {
		Links       []link       `json:"links"`
		Collections []collection `json:"collections"`
	}{selfLinks(r, form, typeJSON, typeHTML), all}
	p := apiPage{Heading: "Collections", Links: doc.Links, Head: []string{"Collection", "Title", "Description"}}
	for _, c := range all {
		p.Rows = append(p.Rows, []apiCell{{c.ID, "/api/collections/" + url.PathEscape(c.ID) + "?f=html"}, {Text: c.Title}, {Text: c.Description}})
	}
	s.writeResource(w, r, form, doc, p)
}

// handleCollection describes one collection.
//
// GET /api/collections/{collection}
func (s *Server) handleCollection(w http.ResponseWriter, r *http.Request) {
	_, form, err := offered(r, nil, typeJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.collection(r.Context(), r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := apiPage{Heading: c.Title, Text: c.Description, Links: c.Links, Head: []string{"Property", "Value"}}
	for _, row := range [][2]string{{"Role", c.Role}, {"As of", c.AsOf}, {"Licence", c.Licence}} {
		if row[1] != "" {
			p.Rows = append(p.Rows, []apiCell{{Text: row[0]}, {Text: row[1]}})
		}
	}
	s.writeResource(w, r, form, c, p)
}

// collection is the one the address names.
func (s *Server) collection(ctx context.Context, r *http.Request) (collection, error) {
	id := collectionID(r)
	all, err := s.collections(ctx, r)
	if err != nil {
		return collection{}, err
	}
	i := slices.IndexFunc(all, func(c collection) bool { return c.ID == id })
	if i < 0 {
		names := make([]string, len(all))
		for i, c := range all {
			names[i] = c.ID
		}
		return collection{}, fmt.Errorf("there is no collection %q; there are %s: %w", id, strings.Join(names, ", "), survey.ErrNotFound)
	}
	return all[i], nil
}
