package server_test

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/mvt"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
)

const bendTile = "/api/collections/points/tiles/WebMercatorQuad/13/2958/2020" // it holds Alder Bend

func TestTileAnswers(t *testing.T) {
	s, store := fixture(t)
	for target, code := range map[string]int{
		bendTile: 200,
		"/api/collections/points/tiles/WebMercatorQuad/0/0/0":                    200,
		"/api/collections/points/tiles/WebMercatorQuad/13/2958/2010":             204, // nothing there (20-057, /req/core/tc-error B)
		"/api/collections/points/tiles/WebMercatorQuad/24/6058215/4138200":       204,
		"/api/collections/points/tiles/WebMercatorQuad/1/2/0":                    404, // outside the tile matrix (/req/core/tc-error A)
		"/api/collections/points/tiles/WebMercatorQuad/25/0/0":                   404,
		"/api/collections/points/tiles/WebMercatorQuad/x/0/0":                    404,
		"/api/collections/points/tiles/WebMercatorQuad/1/-1/0":                   404,
		"/api/collections/points/tiles/WebMercatorQuad/99999999999999999999/0/0": 404,
		"/api/collections/points/tiles/WorldCRS84Quad/0/0/0":                     404,
		"/api/collections/none/tiles/WebMercatorQuad/0/0/0":                      404,
		"/api/collections/none/tiles":                                            404,
		bendTile + "?properties=nothing":                                         400,
		bendTile + "?properties=label,anchors.kind":                              400, // a list has no place in a tile
		bendTile + "?f=png":            400,
		bendTile + "?zoom=1":           400,
		bendTile + "?f=mvt":            200,
		bendTile + "?properties=label": 200,
	} {
		res := call(t, s, http.MethodGet, target, "")
		assert.Equal(t, code, res.StatusCode, target)
		if code >= 400 {
			checkProblem(t, res, code)
		}
	}

	first := call(t, s, http.MethodGet, bendTile, "", "Accept: application/x-protobuf")
	etag := first.Header.Get("ETag")
	require.NotEmpty(t, etag)
	again := call(t, s, http.MethodGet, bendTile, "", "If-None-Match: "+etag)
	assert.Equal(t, http.StatusNotModified, again.StatusCode)
	assert.Empty(t, bodyOf(t, again))
	p, err := store.Point(t.Context(), "p-bare")
	require.NoError(t, err)
	p.Item.Label = "another"
	_, err = store.PutPoint(t.Context(), p.Item, author, survey.Known(p.Revision))
	require.NoError(t, err)
	changed := call(t, s, http.MethodGet, bendTile, "", "If-None-Match: "+etag)
	assert.Equal(t, http.StatusOK, changed.StatusCode)
	assert.Contains(t, bodyOf(t, changed), "another")
}

// TestMapTile: a tile of several layers is the tiles of each in one, of those
// asked for that are there.
func TestMapTile(t *testing.T) {
	s, _ := fixture(t)
	const at = "13/2958/2020"
	layer := func(id string) string {
		return bodyOf(t, call(t, s, http.MethodGet, "/api/collections/"+id+"/tiles/WebMercatorQuad/"+at+"?properties=", ""))
	}
	river, gas := layer("river"), layer("gas")
	require.NotEmpty(t, river)
	require.NotEmpty(t, gas)
	// "Embedded message fields are merged" and repeated ones concatenated when
	// encoded messages are (Protocol Buffers, Encoding, "Last One Wins").
	for asked, want := range map[string][]string{"river": {river}, "gas,river": {gas, river}, "river,gas,gone": {gas, river}} {
		res := call(t, s, http.MethodGet, "/map/tiles/"+at+"?layers="+asked, "")
		require.Equal(t, http.StatusOK, res.StatusCode, asked)
		assert.Equal(t, "application/vnd.mapbox-vector-tile", res.Header.Get("Content-Type"))
		body, size := bodyOf(t, res), 0
		for _, one := range want {
			assert.Contains(t, body, one, asked)
			size += len(one)
		}
		assert.Len(t, body, size, asked)
		assert.Equal(t, http.StatusNotModified, call(t, s, http.MethodGet, "/map/tiles/"+at+"?layers="+asked, "", "If-None-Match: "+res.Header.Get("ETag")).StatusCode)
	}
	for target, code := range map[string]int{
		at + "?layers=": 204, at: 204, at + "?layers=gone": 204, "13/2958/2010?layers=river,gas": 204,
		"1/2/0?layers=river": 404, at + "?layers=river&zoom=1": 400, "25/0/0": 404,
	} {
		assert.Equal(t, code, call(t, s, http.MethodGet, "/map/tiles/"+target, "").StatusCode, target)
	}
}

// TestTilesets follows the links from a collection to a tile.
func TestTilesets(t *testing.T) {
	s, _ := fixture(t)
	type set struct {
		DataType, CRS, TileMatrixSetURI string
		Links                           []struct {
			Href, Rel, Type string
			Templated       bool
		}
		Layers []struct {
			ID               string
			PropertiesSchema struct{ Properties map[string]object }
		}
	}
	c := parse[collectionDoc](t, call(t, s, http.MethodGet, "/api/collections/points", ""))
	list := ""
	for _, l := range c.Links {
		if l.Rel == "http://www.opengis.net/def/rel/ogc/1.0/tilesets-vector" {
			list = l.Href
		}
	}
	sets := parse[struct{ Tilesets []set }](t, call(t, s, http.MethodGet, list, "")).Tilesets
	require.Len(t, sets, 1)
	href := func(of set, rel string) string {
		for _, l := range of.Links {
			if l.Rel == rel {
				assert.Equal(t, rel == "item", l.Templated)
				return l.Href
			}
		}
		return ""
	}
	whole := parse[set](t, call(t, s, http.MethodGet, href(sets[0], "self"), ""))
	for _, one := range []set{sets[0], whole} {
		assert.Equal(t, "vector", one.DataType)
		assert.Equal(t, epsg+"3857", one.CRS)
		assert.Equal(t, "http://www.opengis.net/def/tilematrixset/OGC/1.0/WebMercatorQuad", one.TileMatrixSetURI)
		assert.NotEmpty(t, href(one, "http://www.opengis.net/def/rel/ogc/1.0/tiling-scheme"))
	}
	// OGC 17-083r4, D.1 gives these of the first and the twentieth matrix.
	scheme := parse[struct {
		URI          string
		TileMatrices []struct {
			ID                         string
			ScaleDenominator, CellSize float64
			PointOfOrigin              [2]float64
			MatrixWidth                int
		}
	}](t, call(t, s, http.MethodGet, href(whole, "http://www.opengis.net/def/rel/ogc/1.0/tiling-scheme"), ""))
	assert.Equal(t, whole.TileMatrixSetURI, scheme.URI)
	require.Len(t, scheme.TileMatrices, 25)
	assert.InDelta(t, 559082264.028717, scheme.TileMatrices[0].ScaleDenominator, 1e-6)
	assert.InDelta(t, 156543.033928041, scheme.TileMatrices[0].CellSize, 1e-9)
	assert.InDelta(t, 1066.36479192489, scheme.TileMatrices[19].ScaleDenominator, 1e-9)
	assert.InDelta(t, -20037508.3427892, scheme.TileMatrices[19].PointOfOrigin[0], 1e-7)
	assert.Equal(t, 524288, scheme.TileMatrices[19].MatrixWidth)
	require.Len(t, whole.Layers, 1)
	assert.Contains(t, whole.Layers[0].PropertiesSchema.Properties, "ground.class")
	at := strings.NewReplacer("{tileMatrix}", "13", "{tileRow}", "2958", "{tileCol}", "2020").Replace(href(whole, "item"))
	layers, err := mvt.Unmarshal([]byte(bodyOf(t, call(t, s, http.MethodGet, at, ""))))
	require.NoError(t, err)
	require.Len(t, layers, 1)
	assert.Equal(t, whole.Layers[0].ID, layers[0].Name)
	for _, f := range layers[0].Features {
		for name := range f.Properties {
			assert.True(t, name == "id" || whole.Layers[0].PropertiesSchema.Properties[name] != nil, name)
		}
	}
}

// TestCrowdedTile draws an even part of a layer that is too much for a tile:
// of its four quarters each keeps as much as the others.
func TestCrowdedTile(t *testing.T) {
	s, store := fixture(t)
	var fs []survey.LayerFeature
	for i := range 10_000 {
		fs = append(fs, survey.LayerFeature{Geometry: orb.Point{-92 + 0.01*float64(i%100), 44 + 0.01*float64(i/100)}})
	}
	addFeatures(t, store, survey.Layer{ID: "a-few", Title: "A few", Role: survey.RoleOther}, fs[:50])
	addFeatures(t, store, survey.Layer{ID: "grid", Title: "Grid", Role: survey.RoleOther}, fs)
	decode := func(id string) *mvt.Layer {
		layers, err := mvt.Unmarshal([]byte(bodyOf(t, call(t, s, http.MethodGet, fmt.Sprintf("/api/collections/%s/tiles/WebMercatorQuad/0/0/0", id), ""))))
		require.NoError(t, err)
		require.Len(t, layers, 1)
		return layers[0]
	}
	crowd := decode("grid")
	assert.Less(t, len(crowd.Features), 3001)
	assert.Greater(t, len(crowd.Features), 2000)
	quarters := map[[2]bool]int{}
	for _, f := range crowd.Features {
		n := int(f.ID.(float64)) - 1
		quarters[[2]bool{n%100 < 50, n/100 < 50}]++
	}
	for _, n := range quarters {
		assert.InDelta(t, len(crowd.Features)/4, n, 50)
	}
	assert.Len(t, decode("a-few").Features, 50, "another layer's crowd takes nothing from this one")
}
