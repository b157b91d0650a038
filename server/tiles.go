package server

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/paulmach/orb/maptile"

	"holdfast/geo/tile"
	"holdfast/survey/sqlite"
)

const (
	typeTile    = "application/vnd.mapbox-vector-tile"
	relTilesets = "http://www.opengis.net/def/rel/ogc/1.0/tilesets-vector"
	relTiling   = "http://www.opengis.net/def/rel/ogc/1.0/tiling-scheme"
	relTilings  = "http://www.opengis.net/def/rel/ogc/1.0/tiling-schemes"

	webMercatorQuad    = "WebMercatorQuad"
	webMercatorQuadURI = "http://www.opengis.net/def/tilematrixset/OGC/1.0/" + webMercatorQuad
)

// tileset describes the tiles of a collection (OGC 17-083r4).
type tileset struct {
	Title            string         `json:"title"`
	Description      string         `json:"description,omitempty"`
	DataType         string         `json:"dataType"`
	CRS              string         `json:"crs"`
	TileMatrixSetURI string         `json:"tileMatrixSetURI"`
	Links            []tileLink     `json:"links"`
	Layers           []tilesetLayer `json:"layers,omitempty"`
	BoundingBox      *tilesetBox    `json:"boundingBox,omitempty"`
}

// tileLink is a link that may be a template.
type tileLink struct {
	link
	Templated bool `json:"templated,omitempty"`
}

type tilesetLayer struct {
	ID         string `json:"id"`
	DataType   string `json:"dataType"`
	Properties schema `json:"propertiesSchema"`
}

type tilesetBox struct {
	LowerLeft  [2]float64 `json:"lowerLeft"`
	UpperRight [2]float64 `json:"upperRight"`
	CRS        string     `json:"crs"`
}

// tileset describes the one tileset a collection has.
func (c collection) tileset(r *http.Request) tileset {
	at := origin(r) + tilesPath(c.ID) + "/" + webMercatorQuad
	return tileset{
		Title: c.Title, DataType: "vector", CRS: epsg + fmt.Sprint(webSphere), TileMatrixSetURI: webMercatorQuadURI,
		Links: []tileLink{
			{link: link{at, "self", typeJSON, sayThisTileset}},
			{link: link{origin(r) + "/api/tileMatrixSets/" + webMercatorQuad, relTiling, typeJSON, webMercatorQuad}},
			{link: link{at + "/{tileMatrix}/{tileRow}/{tileCol}", "item", typeTile, sayOneTile}, Templated: true},
		},
	}
}

func tilesPath(collection string) string {
	return "/api/collections/" + url.PathEscape(collection) + "/tiles"
}

// handleTilesets lists the tilesets of a collection (20-057,
// /req/tilesets-list).
//
// GET /api/collections/{collection}/tiles
func (s *Server) handleTilesets(w http.ResponseWriter, r *http.Request) {
	c, _, form, err := s.collectionOffered(r, nil, typeJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	doc := struct {
		Links    []link    `json:"links"`
		Tilesets []tileset `json:"tilesets"`
	}{selfLinks(r, form, typeJSON, typeHTML), []tileset{c.tileset(r)}}
	s.writeResource(w, r, form, doc, apiPage{
		Heading: c.Title + sayVectorTiles, Links: doc.Links, Head: []string{"Tileset"},
		Rows: [][]apiCell{{{webMercatorQuad, tilesPath(c.ID) + "/" + webMercatorQuad + "?f=html"}}},
	})
}

// handleTileset describes a tileset (20-057, /req/tileset).
//
// GET /api/collections/{collection}/tiles/WebMercatorQuad
func (s *Server) handleTileset(w http.ResponseWriter, r *http.Request) {
	c, _, form, err := s.collectionOffered(r, nil, typeJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	doc := c.tileset(r)
	doc.Description = fmt.Sprintf(sayTileSimplified, tileFeatures)
	held := schema{Type: "object", Properties: map[string]*schema{}}
	for _, f := range c.shown(nil) {
		held.Properties[f.name] = f.schema
	}
	doc.Layers = []tilesetLayer{{ID: c.ID, DataType: "vector", Properties: held}}
	if c.Extent != nil {
		b := c.Extent.Spatial.BBox[0]
		doc.BoundingBox = &tilesetBox{LowerLeft: [2]float64{b[0], b[1]}, UpperRight: [2]float64{b[2], b[3]}, CRS: crs84}
	}
	s.writeResource(w, r, form, doc, apiPage{Heading: c.Title + ": " + webMercatorQuad, Text: doc.Description, Links: selfLinks(r, form, typeJSON, typeHTML)})
}

// tileProperties are what tiles carry of sites and points; all of them would
// make tiles heavy, and one can ask for more.
var tileProperties = map[string][]string{
	sqlite.Sites:  {"name", "code", "district", "kind", "review.state"},
	sqlite.Points: {"site", "label", "surveyed_at", "ground.class", "terrain.slope_deg", "buried_utilities.state", "overhead.state"},
}

// shown lists the properties that a tile carries: those asked for or, when
// names is nil, the usual ones.
func (c collection) shown(names []string) []field {
	if names == nil {
		names = tileProperties[c.ID]
	}
	return slices.DeleteFunc(slices.Clone(c.fields), func(f field) bool {
		return f.schema.Type == nil || f.schema.Type == "array" || names != nil && !slices.Contains(names, f.name)
	})
}

// tileFeatures is the most features a tile shows. More would be a blot on a
// screen, and each takes its time.
const tileFeatures = 3000

// handleTile is one tile (20-057, /req/core/tc-op).
//
// GET /api/collections/{collection}/tiles/WebMercatorQuad/{matrix}/{row}/{col}?properties=
func (s *Server) handleTile(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "properties", "f")
	if err == nil && q.Has("f") { // map libraries accept other names for a tile, or nothing
		_, err = negotiate(r, typeTile)
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	c, err := s.collection(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	at, err := tileAt(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	var names []string
	if q.Has("properties") {
		names = []string{} // an empty list asks for shapes alone
	}
	if q.Get("properties") != "" {
		names = strings.Split(q.Get("properties"), ",")
	}
	fields := c.shown(names)
	if len(names) > len(fields) {
		s.fail(w, r, badParameter("properties", sayNoSingleProperty))
		return
	}
	s.sendTile(w, r, func() ([]byte, error) { return s.tile(r.Context(), c.ID, at, fields) })
}

// tilesKept is how many bytes of tiles are kept in memory for as long as the
// atlas stays as it is: in an incident many look at the same places.
const tilesKept = 12 << 20

// sendTile answers with a tile: with nothing when the client has it, with the
// one kept, or with what is made.
func (s *Server) sendTile(w http.ResponseWriter, r *http.Request, make func() ([]byte, error)) {
	if s.unchanged(w, r, typeTile) {
		return
	}
	tag, address := w.Header().Get("ETag"), r.URL.RequestURI() // the tag tells what the visitor may see, too
	b, ok := s.tiles.get(tag, address)
	if !ok {
		var err error
		if b, err = make(); err != nil {
			s.fail(w, r, err)
			return
		}
		if tag != "" {
			s.tiles.put(tag, address, b, len(b)+len(address)+100) // about what an entry takes by itself
		}
	}
	if len(b) == 0 {
		w.WriteHeader(http.StatusNoContent)
		return
	}
	h := w.Header()
	h.Set("Content-Type", typeTile)
	h.Add("Vary", "Accept")
	if _, err := w.Write(b); err != nil {
		s.log.InfoContext(r.Context(), "write tile", "error", err)
	}
}

// tileAt is the tile that the address names.
func tileAt(r *http.Request) (maptile.Tile, error) {
	at, err := tile.Parse(pathPart(r, "matrix"), pathPart(r, "row"), pathPart(r, "col"))
	if err != nil {
		return at, status(http.StatusNotFound, "%s", sentence(err.Error()))
	}
	return at, nil
}

// tile encodes one tile of a collection.
func (s *Server) tile(ctx context.Context, collection string, at maptile.Tile, fields []field) ([]byte, error) {
	found, err := s.store.Within(ctx, collection, tile.Reach(at), tileFeatures)
	if err != nil {
		return nil, err
	}
	layer := tile.Layer{Name: collection, Features: make([]tile.Feature, len(found))}
	for i, f := range found {
		one := &layer.Features[i]
		one.Geometry = f.Geometry.Geometry
		if one.Properties, err = pick(f.Properties, fields); err != nil {
			return nil, fmt.Errorf("write tile: %w", err)
		}
		if n, err := strconv.ParseUint(f.ID, 10, 64); err == nil && f.NumericID {
			one.ID = &n
		} else {
			one.Properties[sqlite.IDName] = f.ID
		}
	}
	return tile.Encode(at, layer)
}

// pick takes the values of some properties. Dots in a name lead into objects.
func pick(properties json.RawMessage, fields []field) (map[string]any, error) {
	members, err := membersOf(properties)
	if err != nil {
		return nil, err
	}
	out := make(map[string]any, len(fields)+1)
	for _, f := range fields {
		raw, err := lead(members, f.name)
		if err != nil {
			return nil, err
		}
		if raw == nil {
			continue
		}
		if out[f.name], err = plainValue(raw); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func membersOf(object json.RawMessage) (map[string]json.RawMessage, error) {
	var members map[string]json.RawMessage
	if len(object) == 0 {
		return nil, nil
	}
	return members, json.Unmarshal(object, &members)
}

// lead follows a name with dots; nil when it leads nowhere.
func lead(members map[string]json.RawMessage, name string) (json.RawMessage, error) {
	if raw, ok := members[name]; ok {
		return raw, nil
	}
	first, rest, ok := strings.Cut(name, ".")
	object := members[first]
	if !ok || len(object) == 0 || object[0] != '{' {
		return nil, nil
	}
	inner, err := membersOf(object)
	if err != nil {
		return nil, err
	}
	return lead(inner, rest)
}

// plainValue reads a value, a number as it was written.
func plainValue(raw json.RawMessage) (any, error) {
	switch c := raw[0]; {
	case c == '-' || c >= '0' && c <= '9':
		return json.Number(raw), nil
	case c == '"' && !bytes.ContainsRune(raw, '\\'):
		return string(raw[1 : len(raw)-1]), nil
	}
	var v any
	err := json.Unmarshal(raw, &v)
	return v, err
}
