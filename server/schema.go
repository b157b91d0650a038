package server

import (
	"fmt"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"time"

	"holdfast/survey"
)

// schema is a JSON Schema, draft 2020-12, as far as it is needed here.
type schema struct {
	Schema      string             `json:"$schema,omitempty"`
	ID          string             `json:"$id,omitempty"`
	Title       string             `json:"title,omitempty"`
	Description string             `json:"description,omitempty"`
	Type        any                `json:"type,omitempty"` // a word, or some
	Format      string             `json:"format,omitempty"`
	Const       string             `json:"const,omitempty"`
	Enum        []string           `json:"enum,omitempty"`
	Properties  map[string]*schema `json:"properties,omitempty"`
	Required    []string           `json:"required,omitempty"`
	Additional  *bool              `json:"additionalProperties,omitempty"`
	Items       *schema            `json:"items,omitempty"`
	MinItems    int                `json:"minItems,omitempty"`
	MaxItems    int                `json:"maxItems,omitempty"`
	OneOf       []*schema          `json:"oneOf,omitempty"`
	Unit        string             `json:"x-ogc-unit,omitempty"` // UCUM code
	Role        string             `json:"x-ogc-role,omitempty"`
}

const (
	draft202012 = "https://json-schema.org/draft/2020-12/schema"
	typeSchema  = "application/schema+json"
)

// vocabulary lists the words of every type that has a fixed list of them.
var vocabulary = map[reflect.Type][]string{
	reflect.TypeFor[survey.SiteKind]():      wordsOf(survey.SiteKinds),
	reflect.TypeFor[survey.ReviewState]():   wordsOf([]survey.ReviewState{survey.Draft, survey.Reviewed, survey.Signed}),
	reflect.TypeFor[survey.FixSource]():     wordsOf(survey.FixSources),
	reflect.TypeFor[survey.GroundClass]():   wordsOf(survey.GroundClasses),
	reflect.TypeFor[survey.Texture]():       wordsOf(survey.Textures),
	reflect.TypeFor[survey.Moisture]():      wordsOf(survey.Moistures),
	reflect.TypeFor[survey.TestKind]():      wordsOf(survey.TestKinds),
	reflect.TypeFor[survey.Answer]():        wordsOf([]survey.Answer{survey.Yes, survey.No, survey.AnswerUnknown}),
	reflect.TypeFor[survey.TerrainSource](): wordsOf([]survey.TerrainSource{survey.TerrainMeasured, survey.TerrainLayer, survey.TerrainElevation}),
	reflect.TypeFor[survey.North]():         wordsOf([]survey.North{survey.TrueNorth, survey.MagneticNorth}),
	reflect.TypeFor[survey.PullSource]():    wordsOf([]survey.PullSource{survey.PullMeasured, survey.PullFallLine, survey.PullLayer}),
	reflect.TypeFor[survey.AnchorKind]():    wordsOf(survey.SurveyedKinds),
	reflect.TypeFor[survey.Evidence]():      wordsOf(survey.Evidences),
	reflect.TypeFor[survey.BuriedState]():   wordsOf(survey.BuriedStates),
	reflect.TypeFor[survey.OverheadState](): wordsOf([]survey.OverheadState{survey.OverheadNone, survey.OverheadPresent, survey.OverheadUnknown}),
	reflect.TypeFor[survey.TestOutcome]():   wordsOf([]survey.TestOutcome{survey.Held, survey.Moved, survey.Failed}),
}

func wordsOf[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, v := range list {
		out[i] = string(v)
	}
	return out
}

// units are the UCUM codes of the endings that names carry.
var units = map[string]string{"deg": "deg", "m": "m", "mm": "mm", "kn": "kN", "kv": "kV"}

// schemaOf describes the JSON of a Go type: what it writes and strictly
// reads.
func schemaOf(t reflect.Type) *schema {
	if get, ok := t.MethodByName("Get"); ok && get.Type.NumOut() == 2 { // survey.Opt
		t = get.Type.Out(0)
	}
	switch {
	case t == reflect.TypeFor[time.Time]():
		return &schema{Type: "string", Format: "date-time"}
	case t == reflect.TypeFor[survey.Reading]():
		return &schema{Type: []string{"number", "string"}}
	}
	switch t.Kind() {
	case reflect.Struct:
		return schemaOfStruct(t)
	case reflect.Slice:
		return &schema{Type: "array", Items: schemaOf(t.Elem())}
	case reflect.Float64:
		return &schema{Type: "number"}
	}
	return &schema{Type: "string", Enum: vocabulary[t]}
}

func schemaOfStruct(t reflect.Type) *schema {
	closed := false
	s := &schema{Type: "object", Properties: map[string]*schema{}, Additional: &closed}
	for i := range t.NumField() {
		name, option, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		if name == "" || name == "-" {
			continue
		}
		p := schemaOf(t.Field(i).Type)
		if p.Type == "number" {
			p.Unit = units[name[strings.LastIndexByte(name, '_')+1:]]
		}
		s.Properties[name] = p
		if option == "" {
			s.Required = append(s.Required, name)
		}
	}
	return s
}

func positions(depth, least int) *schema {
	s := &schema{Type: "array", Items: &schema{Type: "number"}, MinItems: 2, MaxItems: 3}
	for range depth {
		s = &schema{Type: "array", Items: s}
	}
	if depth == 1 {
		s.MinItems = least
	} else if depth == 2 {
		s.MinItems, s.Items.MinItems = 1, least
	}
	return s
}

func geometrySchema(kind string, coordinates *schema) *schema {
	return &schema{Type: "object", Title: "GeoJSON " + kind, Required: []string{"type", "coordinates"}, Properties: map[string]*schema{
		"type": {Type: "string", Const: kind}, "coordinates": coordinates,
	}}
}

var (
	pointGeometry = geometrySchema("Point", positions(0, 0))
	siteGeometry  = &schema{OneOf: []*schema{pointGeometry, geometrySchema("LineString", positions(1, 2)), geometrySchema("Polygon", positions(2, 4))}}
)

// featureSchema describes a whole Feature.
func featureSchema(title, description string, geometry *schema, t reflect.Type) *schema {
	return &schema{
		Title: title, Description: description, Type: "object", Required: []string{"type", "geometry", "properties"},
		Properties: map[string]*schema{
			"type": {Type: "string", Const: "Feature"}, "id": {Type: "string"}, "geometry": geometry, "properties": schemaOf(t),
		},
	}
}

// nouns are the Features of the survey, by the name of their schema.
var nouns = map[string]*schema{
	"site": featureSchema("Site", saySchemaSite,
		siteGeometry, reflect.TypeFor[survey.Site]()),
	"point": featureSchema("Point", saySchemaPoint,
		pointGeometry, reflect.TypeFor[survey.Point]()),
}

// handleSchema is the JSON Schema of a site or point.
//
// GET /api/schemas/{noun}
func (s *Server) handleSchema(w http.ResponseWriter, r *http.Request) {
	_, form, err := offered(r, nil, typeSchema, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	noun := pathPart(r, "noun")
	known, ok := nouns[noun]
	if !ok {
		s.fail(w, r, status(http.StatusNotFound, sayNoSchema, noun))
		return
	}
	doc := *known
	doc.Schema, doc.ID = draft202012, origin(r)+"/api/schemas/"+noun
	p := apiPage{Heading: doc.Title, Text: doc.Description, Links: selfLinks(r, form, typeSchema, typeHTML), Head: []string{"Property", "Type", "Values", "Unit"}}
	for _, f := range flat("", known.Properties["properties"]) {
		p.Rows = append(p.Rows, fieldRow(f))
	}
	s.writeResource(w, r, form, doc, p)
}

// field is a property as it is asked for: one within another is led into by a
// dot, and one within a list of objects stands for the list of its values.
type field struct {
	name   string
	schema *schema
}

// flat lists the properties of an object, sorted by name.
func flat(prefix string, object *schema) []field {
	var out []field
	for name, p := range object.Properties {
		switch {
		case p.Type == "object":
			out = append(out, flat(prefix+name+".", p)...)
		case p.Type == "array" && p.Items.Type == "object":
			for inner, q := range p.Items.Properties {
				if _, simple := q.Type.(string); simple && q.Type != "array" && q.Type != "object" {
					out = append(out, field{prefix + name + "." + inner, &schema{Type: "array", Items: q}})
				}
			}
		default:
			if _, simple := p.Type.(string); simple {
				out = append(out, field{prefix + name, p})
			}
		}
	}
	slices.SortFunc(out, func(a, b field) int { return strings.Compare(a.name, b.name) })
	return out
}

func fieldRow(f field) []apiCell {
	p, kind := f.schema, ""
	if p.Items != nil {
		p, kind = p.Items, "list: "
	}
	if p.Type != nil {
		kind += fmt.Sprint(p.Type)
	}
	if p.Format != "" {
		kind = strings.TrimSpace(kind + " " + p.Format)
	}
	return []apiCell{{Text: f.name}, {Text: kind}, {Text: strings.Join(p.Enum, ", ")}, {Text: p.Unit}}
}
