package server

import (
	"net/http"
	"net/url"

	"holdfast/geo/cql2"
)

// conformsTo names the conformance classes that hold (17-069r4, 18-058r1,
// 19-079r2, 21-065r2, 20-002 and 20-057).
var conformsTo = append([]string{
	"http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/core",
	"http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/geojson",
	"http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/html",
	"http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/oas30",
	"http://www.opengis.net/spec/ogcapi-features-2/1.0/conf/crs",
	"http://www.opengis.net/spec/ogcapi-features-3/1.0/conf/queryables",
	"http://www.opengis.net/spec/ogcapi-features-3/1.0/conf/queryables-query-parameters",
	"http://www.opengis.net/spec/ogcapi-features-3/1.0/conf/filter",
	"http://www.opengis.net/spec/ogcapi-features-3/1.0/conf/features-filter",
	"http://www.opengis.net/spec/ogcapi-features-4/1.0/conf/create-replace-delete",
	"http://www.opengis.net/spec/ogcapi-features-4/1.0/conf/optimistic-locking-etags",
	"http://www.opengis.net/spec/ogcapi-tiles-1/1.0/conf/core",
	"http://www.opengis.net/spec/ogcapi-tiles-1/1.0/conf/tileset",
	"http://www.opengis.net/spec/ogcapi-tiles-1/1.0/conf/tilesets-list",
	"http://www.opengis.net/spec/ogcapi-tiles-1/1.0/conf/geodata-tilesets",
	"http://www.opengis.net/spec/ogcapi-tiles-1/1.0/conf/mvt",
	"http://www.opengis.net/spec/ogcapi-tiles-1/1.0/conf/oas30",
}, cql2.Conformance()...)

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
		l := link{Href: origin(r) + r.URL.EscapedPath() + "?" + q.Encode(), Rel: "alternate", Type: f, Title: sayThisAs + f}
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

// collectionOffered is offered for an answer about the collection that the
// address names.
func (s *Server) collectionOffered(r *http.Request, known []string, forms ...string) (collection, url.Values, string, error) {
	q, form, err := offered(r, known, forms...)
	if err != nil {
		return collection{}, nil, "", err
	}
	c, err := s.collection(r)
	return c, q, form, err
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
		Title:       sayAtlas,
		Description: sayAtlasHolds,
		Links: append(selfLinks(r, form, typeJSON, typeHTML),
			link{at + "/openapi", "service-desc", typeOpenAPI + ";version=3.0", sayTheAPI},
			link{at + "/conformance", "conformance", typeJSON, sayTheClasses},
			link{at + "/collections", "data", typeJSON, sayTheCollections},
			link{at + "/tileMatrixSets", relTilings, typeJSON, sayTheTilings},
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
	p := apiPage{Heading: "Conformance", Text: sayClassesHold, Links: selfLinks(r, form, typeJSON, typeHTML), Head: []string{"Class"}}
	for _, c := range conformsTo {
		p.Rows = append(p.Rows, []apiCell{{Text: c}})
	}
	s.writeResource(w, r, form, map[string][]string{"conformsTo": conformsTo}, p)
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
	known, err := s.collections(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	all := make([]collection, len(known))
	for i, c := range known {
		all[i] = c.linked(r)
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
	c, _, form, err := s.collectionOffered(r, nil, typeJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	p := apiPage{Heading: c.Title, Text: c.Description, Links: c.Links, Head: []string{"Property", "Value"}}
	for _, row := range [][2]string{{"Role", c.Role}, {sayAsOf, c.AsOf}, {"Licence", c.Licence}} {
		if row[1] != "" {
			p.Rows = append(p.Rows, []apiCell{{Text: row[0]}, {Text: row[1]}})
		}
	}
	s.writeResource(w, r, form, c, p)
}
