package tile_test

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/encoding/mvt"
	"github.com/paulmach/orb/geojson"
	"github.com/paulmach/orb/maptile"
	"github.com/paulmach/orb/planar"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/tile"
)

func gdal(t *testing.T, program string, args ...string) []byte {
	t.Helper()
	if _, err := exec.LookPath(program); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s (gdal-bin) is missing", program)
		}
		t.Skipf("%s (gdal-bin) is not installed", program)
	}
	c := exec.Command(program, args...)
	c.Env = append(os.Environ(), "OGR_GEOMETRY_ACCEPT_UNCLOSED_RING=NO")
	out, err := c.Output()
	if exit, ok := err.(*exec.ExitError); ok {
		t.Fatalf("%s %q: %s", program, args, exit.Stderr)
	}
	require.NoError(t, err)
	return out
}

// invented makes features of a made-up floodplain round a tile: survey points,
// river banks and fields, one of which has a pond. The same seed gives the
// same.
func invented(seed uint64, at maptile.Tile, n int) []tile.Feature {
	r := rand.New(rand.NewPCG(seed, seed))
	b := tile.Reach(at)
	degree := (b.Max[0] - b.Min[0]) / (tile.Extent + 2*tile.Margin) // of a unit
	somewhere := func() orb.Point {
		return orb.Point{b.Min[0] + 1.2*(r.Float64()-0.1)*(b.Max[0]-b.Min[0]), b.Min[1] + 1.2*(r.Float64()-0.1)*(b.Max[1]-b.Min[1])}
	}
	round := func(c orb.Point, units float64, corners int, sign float64) orb.Ring {
		var ring orb.Ring
		for i := range corners {
			a := sign * 2 * math.Pi * float64(i) / float64(corners)
			d := units * degree * (0.6 + 0.4*r.Float64())
			ring = append(ring, orb.Point{c[0] + d*math.Cos(a), c[1] + d*math.Sin(a)})
		}
		return append(ring, ring[0])
	}
	var out []tile.Feature
	for i := range n {
		f := tile.Feature{ID: new(uint64(i + 1)), Properties: map[string]any{
			"label": fmt.Sprintf("É%d", i), "class": i % 3, "slope": float64(i) / 4, "wet": i%2 == 0, "none": nil, "tags": []any{"ice", i},
		}}
		switch i % 4 {
		case 0, 1:
			f.Geometry = somewhere()
		case 2:
			p := somewhere()
			l := orb.LineString{p}
			for range 30 {
				p = orb.Point{p[0] + degree*200*(r.Float64()-0.3), p[1] + degree*200*(r.Float64()-0.5)}
				l = append(l, p)
			}
			f.Geometry = l
		default:
			c := somewhere()
			p := orb.Polygon{round(c, 300, 40, 1)}
			if i%8 == 3 {
				p = append(p, round(c, 100, 12, -1))
			}
			f.Geometry = p
		}
		out = append(out, f)
	}
	return out
}

func write(t *testing.T, path string, data []byte) string {
	t.Helper()
	require.NoError(t, os.WriteFile(path, data, 0o600))
	return path
}

// TestReadByGDAL writes a tile and has GDAL's MVT driver read it back on the
// map: ids, properties with their types, and positions to half a unit.
func TestReadByGDAL(t *testing.T) {
	features := invented(1, place, 200)
	b, err := tile.Encode(place, tile.Layer{Name: "survey", Features: features})
	require.NoError(t, err)
	dir := t.TempDir()
	pbf := write(t, filepath.Join(dir, "t.pbf"), b)
	open := []string{"-oo", fmt.Sprintf("X=%d", place.X), "-oo", fmt.Sprintf("Y=%d", place.Y), "-oo", fmt.Sprintf("Z=%d", place.Z), "-oo", "CLIP=NO"}

	out := gdal(t, "ogr2ogr", append([]string{"-f", "GeoJSON", "-t_srs", "EPSG:4326", "-lco", "COORDINATE_PRECISION=12", "/vsistdout/", pbf, "survey"}, open...)...)
	read, err := geojson.UnmarshalFeatureCollection(out)
	require.NoError(t, err)
	byID := map[float64]*geojson.Feature{}
	for _, f := range read.Features {
		byID[f.Properties["mvt_id"].(float64)] = f
	}
	unit := (place.Bound().Max[0] - place.Bound().Min[0]) / tile.Extent
	points := 0
	for _, f := range features {
		got := byID[float64(*f.ID)]
		p, ok := f.Geometry.(orb.Point)
		if !ok && got == nil {
			continue // outside, or checked by its outline below
		}
		if ok && !tile.Reach(place).Contains(p) {
			assert.Nil(t, got, "%v is outside", p)
			continue
		}
		require.NotNil(t, got, "feature %d", *f.ID)
		if ok {
			points++
			q := got.Geometry.(orb.Point)
			assert.InDelta(t, p[0], q[0], unit*0.501)
			assert.InDelta(t, p[1], q[1], unit*0.501)
		}
		want := map[string]any{
			"mvt_id": float64(*f.ID), "label": f.Properties["label"], "class": float64(f.Properties["class"].(int)),
			"slope": f.Properties["slope"], "wet": f.Properties["wet"], "tags": fmt.Sprintf(`["ice",%d]`, *f.ID-1),
		}
		if list, ok := got.Properties["tags"].([]any); ok { // newer drivers unfold JSON text
			b, err := json.Marshal(list)
			require.NoError(t, err)
			got.Properties["tags"] = string(b)
		}
		assert.Equal(t, want, map[string]any(got.Properties))
	}
	assert.Greater(t, points, 60)

	info := string(gdal(t, "ogrinfo", append([]string{"-so", pbf, "survey"}, open...)...))
	for _, field := range []string{"label: String", "class: Integer", "slope: Real", "wet: Integer(Boolean)"} {
		assert.Contains(t, info, field)
	}
	invalid := string(gdal(t, "ogrinfo", append([]string{
		"-q", "-dialect", "SQLite", "-sql",
		"SELECT count(*) AS areas, sum(ST_IsValid(geometry) = 0) AS invalid FROM survey WHERE ST_Dimension(geometry) = 2", pbf,
	}, open...)...))
	assert.Contains(t, invalid, "invalid (Integer) = 0")
	assert.NotContains(t, invalid, "areas (Integer) = 0")
}

// TestSameTileAsGDAL makes the same tile with GDAL's writer. Points must agree
// exactly. Lines and areas GDAL does not simplify, so they may be two units
// apart; their outlines are compared, since GDAL 3.6.2 winds some parts of a
// cut area the wrong way.
func TestSameTileAsGDAL(t *testing.T) {
	for _, at := range []maptile.Tile{place, maptile.New(0, 0, 0), maptile.New(8, 12, 5), maptile.New(1_136, 1_546, 12)} {
		t.Run(fmt.Sprintf("%d-%d-%d", at.Z, at.Y, at.X), func(t *testing.T) {
			features := invented(2, at, 240)
			source := &geojson.FeatureCollection{}
			for _, f := range features {
				if b := f.Geometry.Bound(); b.Min[1] < -85 || b.Max[1] > 85 || b.Min[0] < -180 || b.Max[0] > 180 {
					continue // GDAL's transformation refuses these
				}
				g := geojson.NewFeature(f.Geometry)
				g.Properties["n"] = *f.ID
				source.Features = append(source.Features, g)
			}
			features = slices.DeleteFunc(features, func(f tile.Feature) bool {
				return !slices.ContainsFunc(source.Features, func(g *geojson.Feature) bool { return g.Properties["n"] == *f.ID })
			})
			for i := range features {
				features[i].Properties = map[string]any{"n": *features[i].ID}
			}
			data, err := json.Marshal(source)
			require.NoError(t, err)
			dir := t.TempDir()
			in := write(t, filepath.Join(dir, "survey.geojson"), data)
			zoom := fmt.Sprint(at.Z)
			gdal(t, "ogr2ogr", "-q", "-f", "MVT", filepath.Join(dir, "out"), in, "-nln", "survey", "-dsco", "MINZOOM="+zoom, "-dsco", "MAXZOOM="+zoom,
				"-dsco", fmt.Sprint("BUFFER=", tile.Margin), "-dsco", "COMPRESS=NO", "-dsco", "SIMPLIFICATION=0", "-dsco", "SIMPLIFICATION_MAX_ZOOM=0")
			theirs, err := os.ReadFile(filepath.Join(dir, "out", zoom, fmt.Sprint(at.X), fmt.Sprint(at.Y)+".pbf"))
			require.NoError(t, err)
			ours, err := tile.Encode(at, tile.Layer{Name: "survey", Features: features})
			require.NoError(t, err)
			compare(t, numbered(t, theirs), numbered(t, ours))
		})
	}
}

// numbered decodes a tile into its geometries by their property n.
func numbered(t *testing.T, b []byte) map[float64]orb.Geometry {
	t.Helper()
	layers, err := mvt.Unmarshal(b)
	require.NoError(t, err)
	require.Len(t, layers, 1)
	assert.EqualValues(t, 2, layers[0].Version)
	assert.EqualValues(t, tile.Extent, layers[0].Extent)
	out := map[float64]orb.Geometry{}
	for _, f := range layers[0].Features {
		out[f.Properties["n"].(float64)] = f.Geometry
	}
	return out
}

func compare(t *testing.T, theirs, ours map[float64]orb.Geometry) {
	t.Helper()
	points, lines, areas := 0, 0, 0
	for n, a := range theirs {
		b := ours[n]
		if p, ok := a.(orb.Point); ok {
			points++
			assert.Equal(t, p, b, "point %v", n)
			continue
		}
		if b == nil {
			// A sliver at the very edge of the margin may not survive.
			edge := a.Bound()
			assert.Less(t, min(edge.Max[0]-edge.Min[0], edge.Max[1]-edge.Min[1]), 3.0, "feature %v is missing", n)
			continue
		}
		if a.Dimensions() == 1 {
			lines++
		} else {
			areas++
		}
		for _, p := range corners(a) {
			assert.Less(t, distance(b, p), 2.5, "feature %v, corner %v of theirs", n, p)
		}
		for _, p := range corners(b) {
			assert.Less(t, distance(a, p), 2.5, "feature %v, corner %v of ours", n, p)
		}
	}
	for n, b := range ours {
		if theirs[n] == nil {
			assert.NotEqual(t, 0, b.Dimensions(), "point %v is only ours", n)
		}
	}
	assert.Greater(t, min(points, lines, areas), 10)
}

func outlines(g orb.Geometry) []orb.LineString {
	var out []orb.LineString
	switch g := g.(type) {
	case orb.LineString:
		out = append(out, g)
	case orb.MultiLineString:
		out = append(out, g...)
	case orb.Polygon:
		for _, r := range g {
			out = append(out, orb.LineString(r))
		}
	case orb.MultiPolygon:
		for _, p := range g {
			out = append(out, outlines(p)...)
		}
	}
	return out
}

func corners(g orb.Geometry) []orb.Point {
	return slices.Concat(convert(outlines(g), func(l orb.LineString) []orb.Point { return l })...)
}

func distance(g orb.Geometry, p orb.Point) float64 {
	return slices.MinFunc(convert(outlines(g), func(l orb.LineString) float64 { return planar.DistanceFrom(l, p) }), cmp.Compare[float64])
}

func convert[A, B any](list []A, one func(A) B) []B {
	out := make([]B, len(list))
	for i, v := range list {
		out[i] = one(v)
	}
	return out
}
