package file_test

import (
	"fmt"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/vector"
)

// Waypoints written here are what GDAL 3.6.2 reads; extensions come with the
// prefix of their namespace there.
func TestGDALReadsWaypoints(t *testing.T) {
	s := newSampler(t, 300)
	for _, s.z = range []bool{false, true} {
		s.n = 0
		records := s.records(60, "Point")
		for i := range records {
			at, _ := records[i].Properties.Get("at")
			records[i].Properties = append(records[i].Properties, vector.Property{Name: "time", Value: at})
		}
		path := filepath.Join(t.TempDir(), "a.gpx")
		losses := write(t, path, vector.GPX, describe("a", records), records)
		assert.Contains(t, fmt.Sprint(losses), "ok: values of type boolean became text")
		got := gdalReads(t, path, "waypoints")
		require.Len(t, got, len(records))
		for i, f := range got {
			want := records[i]
			c := floats(f.Geometry).(map[string]any)["coordinates"].([]any)
			require.Equal(t, []any{want.Geometry.Geometry.Bound().Min[0], want.Geometry.Geometry.Bound().Min[1]}, c[:2])
			if s.z {
				require.True(t, sameValue(want.Geometry.Z[0], f.Properties["ele"]), "record %d", want.Number)
			} else {
				require.Nil(t, f.Properties["ele"])
			}
			for _, p := range want.Properties {
				if p.Name == "big" {
					continue // GDAL reads whole numbers of GPX into 32 bits
				}
				name := "h_" + p.Name
				if p.Name == "name" || p.Name == "time" {
					name = p.Name
				}
				require.True(t, sameValue(p.Value, f.Properties[name]), "record %d, %s: want %v, got %v", want.Number, p.Name, p.Value, f.Properties[name])
			}
		}
	}
}

// Waypoints, routes and tracks that GDAL writes are read here. GDAL makes a
// route of a line and a track of a multi-line.
func TestWhatGDALWritesAsGPXIsRead(t *testing.T) {
	s := newSampler(t, 301)
	s.z, s.round = true, true
	for kind, layer := range map[string]string{"Point": "waypoints", "LineString": "routes", "MultiLineString": "tracks"} {
		s.n = 0
		want := s.records(40, kind)
		dir := t.TempDir()
		from, to := filepath.Join(dir, "from.geojson"), filepath.Join(dir, "b.gpx")
		if kind == "Point" { // GDAL takes the elevation of a waypoint from a field only
			for i := range want {
				want[i].Properties = append(want[i].Properties, vector.Property{Name: "ele", Value: want[i].Geometry.Z[0]})
			}
		}
		asGeoJSON(t, from, "", want)
		tool(t, "ogr2ogr", "-f", "GPX", to, from, "-dsco", "GPX_USE_EXTENSIONS=YES", "-lco", "FORCE_GPX_TRACK=NO")
		got, l := reads(t, to, vector.Options{}, 0)
		require.Equal(t, layer, l.Name)
		require.Len(t, got, len(want))
		for i, w := range want {
			g := got[i]
			require.NoError(t, g.Err)
			require.Equal(t, nested(w.Geometry), nested(g.Geometry), "record %d", w.Number)
			for _, p := range w.Properties {
				if p.Name == "ele" {
					continue
				}
				v, has := g.Properties.Get("ogr_" + p.Name)
				if p.Name == "name" {
					v, has = g.Properties.Get("name")
				}
				require.True(t, has || p.Value == nil, "record %d: %s", w.Number, p.Name)
				require.True(t, sameRead(p.Value, v), "record %d, %s: want %v, got %v", w.Number, p.Name, p.Value, v)
			}
		}
	}
}
