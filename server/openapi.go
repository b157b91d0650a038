package server

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"

	"holdfast/survey/sqlite"
)

//go:embed openapi.json
var openAPI []byte

// object is a JSON object.
type object = map[string]any

// handleOpenAPI is the definition of the API.
//
// GET /api/openapi
func (s *Server) handleOpenAPI(w http.ResponseWriter, r *http.Request) {
	if _, _, err := offered(r, nil, typeOpenAPI); err != nil {
		s.fail(w, r, err)
		return
	}
	all, err := s.collections(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	doc, err := definition(all)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	doc["servers"] = []object{{"url": origin(r) + "/api"}}
	if s.version != "" {
		doc["info"].(object)["version"] = s.version
	}
	s.writeJSON(w, r, typeOpenAPI+";version=3.0", doc)
}

// definition is the definition with a path for the items of each collection
// there is, since what they can be asked for differs (19-079r2,
// /req/queryables-query-parameters).
func definition(all []collection) (object, error) {
	var doc struct {
		Paths map[string]object
	}
	var whole object
	for _, to := range []any{&whole, &doc} {
		if err := json.Unmarshal(openAPI, to); err != nil {
			return nil, fmt.Errorf("read API definition: %w", err)
		}
	}
	for _, c := range all {
		doc.Paths["/collections/"+c.ID+"/items"] = c.itemsPath(doc.Paths["/collections/{collection}/items"])
	}
	whole["paths"] = doc.Paths
	return whole, nil
}

// itemsPath fits what is defined for the items of any collection to this one.
func (c collection) itemsPath(usual object) object {
	out := object{}
	for method, op := range usual {
		if method == "post" && !c.writable {
			continue
		}
		one := maps.Clone(op.(object))
		one["operationId"] = fmt.Sprint(one["operationId"], ".", c.ID)
		one["parameters"] = slices.DeleteFunc(slices.Clone(one["parameters"].([]any)), func(p any) bool {
			return p.(object)["$ref"] == "#/components/parameters/collection"
		})
		out[method] = one
	}
	get := out["get"].(object)
	get["summary"] = fmt.Sprintf(sayPageAtATime, c.Title)
	parameters := get["parameters"].([]any)
	for _, f := range c.asked() {
		says := sayOnlyWithValue
		if c.ID == sqlite.Points && f.name == "site" {
			says = sayOnlyOfSite
		}
		parameters = append(parameters, object{
			"name": f.name, "in": "query", "required": false, "style": "form", "explode": false, "description": says, "schema": f.schema,
		})
	}
	get["parameters"] = parameters
	return out
}
