package server

import (
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

const (
	typeHTML    = "text/html"
	typeJSON    = "application/json"
	typeGeoJSON = "application/geo+json"
	typePDF     = "application/pdf"
	typeProblem = "application/problem+json"
	typeOpenAPI = "application/vnd.oai.openapi+json"
)

// short names of media types, for ?f=.
var shortNames = map[string][]string{
	"html": {typeHTML},
	"json": {typeJSON, typeGeoJSON, typeOpenAPI, typeSchema},
	"pdf":  {typePDF},
	"mvt":  {typeTile},
}

// negotiate chooses one of the offered media types, by ?f= before Accept; the
// first offer wins a tie. An Accept of application/json takes any JSON offer.
func negotiate(r *http.Request, offers ...string) (string, error) {
	if f := r.URL.Query().Get("f"); f != "" {
		for _, o := range offers {
			if slices.Contains(shortNames[f], o) {
				return o, nil
			}
		}
		return "", badParameter("f", sayNotOffered, f, strings.Join(offeredShort(offers), ", "))
	}
	accept := strings.Join(r.Header.Values("Accept"), ",")
	if strings.TrimSpace(accept) == "" {
		return offers[0], nil
	}
	best, bestQ := "", 0.0
	for _, o := range offers {
		if q := quality(accept, o); q > bestQ {
			best, bestQ = o, q
		}
	}
	if best == "" {
		return "", status(http.StatusNotAcceptable, sayOfferedOnly, strings.Join(offers, ", "))
	}
	return best, nil
}

func offeredShort(offers []string) []string {
	var out []string
	for _, name := range []string{"html", "json", "pdf", "mvt"} {
		for _, o := range offers {
			if slices.Contains(shortNames[name], o) {
				out = append(out, name)
				break
			}
		}
	}
	return out
}

// quality is the weight an Accept header gives to a media type; the most
// specific range that matches decides (RFC 9110, 12.5.1).
func quality(accept, offer string) float64 {
	kind, _, _ := strings.Cut(offer, "/")
	q, specific := 0.0, 0
	for part := range strings.SplitSeq(accept, ",") {
		media, params, err := mime.ParseMediaType(part)
		if err != nil {
			continue
		}
		var s int
		switch {
		case media == offer:
			s = 4
		case media == typeJSON && slices.Contains(shortNames["json"], offer):
			s = 3
		case media == kind+"/*":
			s = 2
		case media == "*/*":
			s = 1
		}
		if s <= specific {
			continue
		}
		w := 1.0
		if text, ok := params["q"]; ok {
			if w, err = strconv.ParseFloat(text, 64); err != nil || !(w >= 0 && w <= 1) {
				w = 0
			}
		}
		q, specific = w, s
	}
	return q
}

// prefersHTML tells whether an error goes to a person rather than a program.
func prefersHTML(r *http.Request) bool {
	switch r.URL.Query().Get("f") {
	case "html":
		return true
	case "json":
		return false
	}
	t, err := negotiate(r, typeProblem, typeHTML)
	return err == nil && t == typeHTML
}

// query reads the query string and refuses parameters that this resource does
// not have (17-069r4, /req/core/query-param-unknown) and repeated ones.
func query(r *http.Request, known ...string) (url.Values, error) {
	q, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, badParameter("", sayAddressUnread, err)
	}
	for name, values := range q {
		if !slices.Contains(known, name) {
			if len(known) == 0 {
				return nil, badParameter(name, sayNotKnownHere)
			}
			return nil, badParameter(name, sayNotKnownAre, strings.Join(known, ", "))
		}
		if len(values) > 1 {
			return nil, badParameter(name, sayGivenTimes, len(values))
		}
	}
	return q, nil
}
