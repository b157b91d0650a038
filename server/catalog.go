package server

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/paulmach/orb"

	"holdfast/geo/cql2"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// collection describes a set of features.
type collection struct {
	ID          string   `json:"id"`
	Title       string   `json:"title"`
	Description string   `json:"description,omitempty"`
	Extent      *extent  `json:"extent,omitempty"`
	ItemType    string   `json:"itemType"`
	CRS         []string `json:"crs"`
	StorageCRS  string   `json:"storageCrs"`
	Role        string   `json:"role,omitempty"`
	AsOf        string   `json:"as_of,omitempty"`
	Licence     string   `json:"licence,omitempty"`
	Links       []link   `json:"links"`

	writable   bool
	systems    []system
	fields     []field // queryables
	queryables cql2.Queryables
	orders     []string // what sortby may name
	asOf       survey.Opt[time.Time]
	features   int // of a layer
}

type extent struct {
	Spatial struct {
		BBox [][4]float64 `json:"bbox"`
		CRS  string       `json:"crs"`
	} `json:"spatial"`
	Temporal *temporal `json:"temporal,omitempty"`
}

type temporal struct {
	Interval [][2]string `json:"interval"`
}

// catalog remembers what collections there are for as long as the atlas stays
// as it is.
type catalog struct {
	mu    sync.Mutex
	state sqlite.State
	all   []collection
}

// collections lists the survey's own collections and every layer.
func (s *Server) collections(ctx context.Context) ([]collection, error) {
	state, err := s.store.State(ctx)
	if err != nil {
		return nil, err
	}
	s.catalog.mu.Lock()
	defer s.catalog.mu.Unlock()
	if s.catalog.all != nil && s.catalog.state == state {
		return s.catalog.all, nil
	}
	all, err := s.catalogue(ctx)
	if err != nil {
		return nil, err
	}
	s.catalog.all, s.catalog.state = all, state
	return all, nil
}

func (s *Server) catalogue(ctx context.Context) ([]collection, error) {
	sites := collection{
		ID: sqlite.Sites, Title: "Sites", Description: saySitesAre, writable: true,
		fields: surveyFields(reflect.TypeFor[survey.Site](), "geometry-any"), orders: []string{sqlite.IDName, "name", sqlite.UpdatedName},
	}
	points := collection{
		ID: sqlite.Points, Title: "Points", Description: sayPointsAre, writable: true,
		fields: surveyFields(reflect.TypeFor[survey.Point](), "geometry-point"), orders: []string{sqlite.IDName, "label", sqlite.UpdatedName},
	}
	out := []collection{sites, points}
	for i := range out {
		b, known, err := s.store.Extent(ctx, out[i].ID)
		if err != nil {
			return nil, err
		}
		out[i].place(b, known)
	}
	layers, err := s.store.Layers(ctx)
	if err != nil {
		return nil, err
	}
	for _, l := range layers {
		c, err := s.layerCollection(ctx, l)
		if err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	return out, nil
}

func (s *Server) layerCollection(ctx context.Context, l survey.Layer) (collection, error) {
	c := collection{
		ID: l.ID, Title: l.Title, Description: sayLayerInRole + string(l.Role), Role: string(l.Role), Licence: l.Licence,
		orders: []string{sqlite.IDName}, asOf: l.AsOf, features: l.Features,
	}
	if t, known := l.AsOf.Get(); known {
		c.AsOf = t.UTC().Format(time.DateOnly)
	}
	b, properties, known, err := s.store.LayerContents(ctx, l.ID)
	if err != nil {
		return c, err
	}
	c.fields = append(c.fields, geometryField("geometry-any"))
	for _, p := range properties {
		if p.Name != sqlite.GeometryName {
			c.fields = append(c.fields, field{p.Name, layerSchemas[p.Type]})
		}
	}
	c.place(b, known)
	if t, dated := l.AsOf.Get(); dated && c.Extent != nil {
		at := t.UTC().Format(time.RFC3339)
		c.Extent.Temporal = &temporal{Interval: [][2]string{{at, at}}}
	}
	return c, nil
}

// place fills in what follows from where a collection lies and what it holds.
func (c *collection) place(b orb.Bound, known bool) {
	if known {
		c.Extent = &extent{}
		c.Extent.Spatial.BBox = [][4]float64{{b.Left(), b.Bottom(), b.Right(), b.Top()}}
		c.Extent.Spatial.CRS = crs84
	}
	c.ItemType, c.StorageCRS = "feature", crs84
	c.systems = systemsFor(b, known)
	c.CRS = urisOf(c.systems)
	c.queryables = cql2.Queryables{}
	for _, f := range c.fields {
		c.queryables[f.name] = f.typ()
	}
}

// linked returns the collection with its links.
func (c collection) linked(r *http.Request) collection {
	at := origin(r) + "/api/collections/" + url.PathEscape(c.ID)
	c.Links = []link{
		{at, "self", typeJSON, sayThisCollection},
		{at + "?f=html", "alternate", typeHTML, sayThisCollectionRead},
		{at + "/items", "items", typeGeoJSON, sayItsFeatures},
		{at + "/items?f=html", "items", typeHTML, sayItsFeaturesRead},
		{at + "/queryables", relQueryables, typeSchema, sayItsFilters},
		{at + "/queryables?f=html", relQueryables, typeHTML, sayItsFiltersRead},
		{at + "/tiles", relTilesets, typeJSON, sayItsTiles},
	}
	if c.writable {
		c.Links = append(c.Links, link{origin(r) + "/api/schemas/" + strings.TrimSuffix(c.ID, "s"), "describedby", typeSchema, sayItsSchema})
	}
	return c
}

// collection is the one the address names.
func (s *Server) collection(r *http.Request) (collection, error) {
	id := pathPart(r, "collection")
	all, err := s.collections(r.Context())
	if err != nil {
		return collection{}, err
	}
	i := slices.IndexFunc(all, func(c collection) bool { return c.ID == id })
	if i < 0 {
		names := make([]string, len(all))
		for i, c := range all {
			names[i] = c.ID
		}
		return collection{}, fmt.Errorf(sayNoCollection, id, strings.Join(names, ", "), survey.ErrNotFound)
	}
	c := all[i].linked(r)
	if !may(r.Context(), survey.Contacts) {
		c = c.discreet()
	}
	return c, nil
}

// discreet returns the collection without the properties that some may not
// see: asking what matches would tell them too.
func (c collection) discreet() collection {
	if c.ID != sqlite.Sites && c.ID != sqlite.Points {
		return c
	}
	c.queryables = maps.Clone(c.queryables)
	c.fields = slices.DeleteFunc(slices.Clone(c.fields), func(f field) bool {
		if !survey.Sensitive(f.name) {
			return false
		}
		delete(c.queryables, f.name)
		return true
	})
	return c
}

// asSeen marks the ETag of what is shown without contacts: it is another
// document.
func asSeen(ctx context.Context) string {
	if may(ctx, survey.Contacts) {
		return ""
	}
	return "-discreet"
}
