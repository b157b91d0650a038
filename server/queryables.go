package server

import (
	"net/http"
	"net/url"
	"reflect"
	"slices"

	"holdfast/geo/cql2"
	"holdfast/survey/sqlite"
)

const (
	geometryName  = sqlite.GeometryName
	relQueryables = "http://www.opengis.net/def/rel/ogc/1.0/queryables"
)

func geometryField(format string) field {
	return field{geometryName, &schema{Title: sayWhereItLies, Format: format, Role: "primary-geometry"}}
}

// surveyFields are the queryables of sites or points.
func surveyFields(t reflect.Type, geometry string) []field {
	own := []field{
		geometryField(geometry),
		{sqlite.IDName, &schema{Type: "string", Role: "id"}},
		{sqlite.UpdatedName, &schema{Type: "string", Format: "date-time", Title: sayWhenChanged}},
	}
	return append(own, flat("", schemaOf(t))...)
}

// layerSchemas describe the values of a layer's properties.
var layerSchemas = map[sqlite.Type]*schema{
	sqlite.Text:      {Type: "string"},
	sqlite.Integer:   {Type: "integer"},
	sqlite.Real:      {Type: "number"},
	sqlite.Boolean:   {Type: "boolean"},
	sqlite.Date:      {Type: "string", Format: "date"},
	sqlite.Timestamp: {Type: "string", Format: "date-time"},
	sqlite.List:      {Type: "array"},
}

// typ is how a filter takes the values.
func (f field) typ() cql2.Type {
	switch f.schema.Type {
	case "number", "integer":
		return cql2.NumberType
	case "boolean":
		return cql2.BooleanType
	case "array":
		return cql2.ArrayType
	case nil:
		return cql2.GeometryType
	}
	switch f.schema.Format {
	case "date":
		return cql2.DateType
	case "date-time":
		return cql2.TimestampType
	}
	return cql2.StringType
}

// itemParameters are what every list of features can be asked for.
var itemParameters = []string{"bbox", "bbox-crs", "crs", "datetime", "limit", "after", "sortby", "filter", "filter-lang", "filter-crs", "f"}

// asked are the queryables that are query parameters too: those with one
// value, and a name that means nothing else.
func (c collection) asked() []field {
	return slices.DeleteFunc(slices.Clone(c.fields), func(f field) bool {
		return f.schema.Type == nil || f.schema.Type == "array" || slices.Contains(itemParameters, f.name)
	})
}

// handleQueryables lists what the features of a collection can be filtered by
// (19-079r2, /req/queryables).
//
// GET /api/collections/{collection}/queryables
func (s *Server) handleQueryables(w http.ResponseWriter, r *http.Request) {
	c, _, form, err := s.collectionOffered(r, nil, typeSchema, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	none := false
	doc := schema{
		Schema: draft202012, ID: origin(r) + "/api/collections/" + url.PathEscape(c.ID) + "/queryables", Type: "object", Title: c.Title,
		Description: sayFilterNames,
		Properties:  map[string]*schema{}, Additional: &none,
	}
	p := apiPage{
		Heading: c.Title + ": queryables", Text: doc.Description, Head: []string{"Name", "Type", "Values", "Unit"},
		Links: append(selfLinks(r, form, typeSchema, typeHTML), link{doc.ID[:len(doc.ID)-len("/queryables")], "collection", typeJSON, c.Title}),
	}
	for _, f := range c.fields {
		doc.Properties[f.name] = f.schema
		p.Rows = append(p.Rows, fieldRow(f))
	}
	s.writeResource(w, r, form, doc, p)
}
