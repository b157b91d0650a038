package server

import (
	"math"
	"net/http"
	"strconv"

	"holdfast/geo/tile"
)

// tileMatrixSet is a tiling scheme (OGC 17-083r4, 6.2).
type tileMatrixSet struct {
	ID           string       `json:"id"`
	Title        string       `json:"title"`
	URI          string       `json:"uri"`
	CRS          string       `json:"crs"`
	OrderedAxes  []string     `json:"orderedAxes"`
	TileMatrices []tileMatrix `json:"tileMatrices"`
}

type tileMatrix struct {
	ID               string     `json:"id"`
	ScaleDenominator float64    `json:"scaleDenominator"`
	CellSize         float64    `json:"cellSize"` // metres of the map
	CornerOfOrigin   string     `json:"cornerOfOrigin"`
	PointOfOrigin    [2]float64 `json:"pointOfOrigin"`
	TileWidth        int        `json:"tileWidth"` // cells
	TileHeight       int        `json:"tileHeight"`
	MatrixWidth      int        `json:"matrixWidth"` // tiles
	MatrixHeight     int        `json:"matrixHeight"`
}

// newWebMercatorQuad is WebMercatorQuad of OGC 17-083r4, D.1: the square map
// of EPSG:3857, quartered from one zoom level to the next. A scale stands for
// cells of 0.28 mm.
func newWebMercatorQuad() tileMatrixSet {
	const half, cells, pixel = math.Pi * 6378137, 256, 0.00028
	set := tileMatrixSet{
		ID: webMercatorQuad, Title: sayWebMercator, URI: webMercatorQuadURI,
		CRS: epsg + strconv.Itoa(webSphere), OrderedAxes: []string{"X", "Y"},
	}
	for z := range tile.MaxZoom + 1 {
		n := 1 << z
		size := 2 * half / cells / float64(n)
		set.TileMatrices = append(set.TileMatrices, tileMatrix{
			ID: strconv.Itoa(z), ScaleDenominator: size / pixel, CellSize: size, CornerOfOrigin: "topLeft", PointOfOrigin: [2]float64{-half, half},
			TileWidth: cells, TileHeight: cells, MatrixWidth: n, MatrixHeight: n,
		})
	}
	return set
}

// handleTileMatrixSets lists the tiling schemes.
//
// GET /api/tileMatrixSets
func (s *Server) handleTileMatrixSets(w http.ResponseWriter, r *http.Request) {
	_, form, err := offered(r, nil, typeJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	type entry struct {
		ID    string `json:"id"`
		Title string `json:"title"`
		URI   string `json:"uri"`
		CRS   string `json:"crs"`
		Links []link `json:"links"`
	}
	set, at := newWebMercatorQuad(), "/api/tileMatrixSets/"+webMercatorQuad
	doc := map[string][]entry{"tileMatrixSets": {{set.ID, set.Title, set.URI, set.CRS, []link{{origin(r) + at, "self", typeJSON, set.Title}}}}}
	s.writeResource(w, r, form, doc, apiPage{
		Heading: sayTilings, Links: selfLinks(r, form, typeJSON, typeHTML), Head: []string{"Scheme", "Title"},
		Rows: [][]apiCell{{{set.ID, at + "?f=html"}, {Text: set.Title}}},
	})
}

// handleTileMatrixSet is the one tiling scheme.
//
// GET /api/tileMatrixSets/WebMercatorQuad
func (s *Server) handleTileMatrixSet(w http.ResponseWriter, r *http.Request) {
	_, form, err := offered(r, nil, typeJSON, typeHTML)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	set := newWebMercatorQuad()
	p := apiPage{Heading: set.ID, Text: set.Title, Links: selfLinks(r, form, typeJSON, typeHTML), Head: []string{sayZoomLevel, "Scale 1:", sayTilesAcross}}
	for _, m := range set.TileMatrices {
		p.Rows = append(p.Rows, []apiCell{{Text: m.ID}, {Text: strconv.FormatFloat(m.ScaleDenominator, 'f', 0, 64)}, {Text: strconv.Itoa(m.MatrixWidth)}})
	}
	s.writeResource(w, r, form, set, p)
}
