package main

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/planar"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/geojson"
)

// meuse is one of the survey's places with what the survey says of it.
type meuse struct {
	at   orb.Point
	soil string
	dist float64 // to the river, metres, as surveyed
}

func meuseData(t *testing.T) (places []meuse, river orb.Ring) {
	t.Helper()
	read := func(name string, visit func(geojson.Feature)) {
		f, err := os.Open(filepath.Join("testdata", "meuse", name))
		require.NoError(t, err)
		defer f.Close()
		for r := range geojson.Records(f) {
			require.NoError(t, r.Err)
			visit(r.Feature)
		}
	}
	read("meuse.geojson", func(f geojson.Feature) {
		var p struct {
			Soil string  `json:"soil"`
			Dist float64 `json:"dist.m"`
		}
		require.NoError(t, json.Unmarshal(f.Properties, &p))
		places = append(places, meuse{f.Geometry.Geometry.(orb.Point), p.Soil, p.Dist})
	})
	read("meuse_riv.geojson", func(f geojson.Feature) { river = f.Geometry.Geometry.(orb.Polygon)[0] })
	return places, river
}

// toRiver is the distance and direction to the outline by sampling it every
// metre on a plane: another way than the program's own.
func toRiver(p orb.Point, river orb.Ring) (d, bearing float64) {
	d = math.Inf(1)
	kx, ky := 111320*math.Cos(p.Lat()*math.Pi/180)*1.0011, 111258.0 // metres a degree near 51° N, to 1 in 1,000
	for i := 1; i < len(river); i++ {
		ax, ay := (river[i-1][0]-p[0])*kx, (river[i-1][1]-p[1])*ky
		bx, by := (river[i][0]-p[0])*kx, (river[i][1]-p[1])*ky
		n := math.Ceil(math.Hypot(bx-ax, by-ay))
		for k := 0.0; k <= n; k++ {
			x, y := ax+(bx-ax)*k/n, ay+(by-ay)*k/n
			if h := math.Hypot(x, y); h < d {
				d, bearing = h, math.Mod(math.Atan2(x, y)*180/math.Pi+360, 360)
			}
		}
	}
	return d, bearing
}

// A real soil survey goes in by the program's own commands and comes out as
// answers. What should come out, and why:
//   - 155 points, soil 1, 2 and 3 on 97, 46 and 12 of them (source: the data
//     set's documentation), as sandy clay, clay and silty clay;
//   - a bearing towards the river for each, which the outline alone decides, but
//     for the few places on the bank that lie inside the generalised outline;
//   - no class: the survey made no strength test, and 29 CFR 1926 Subpart P
//     Appendix A (c) wants a visual and a manual finding, so the class is unknown;
//   - options for each, none of which holds, and what would settle it;
//   - a sheet.
func TestMeuse(t *testing.T) {
	dir := filepath.Join("testdata", "meuse")
	atlas := filepath.Join(t.TempDir(), "atlas.db")
	for _, args := range [][]string{
		{"import", "--sites", filepath.Join(dir, "site.geojson")},
		{"import", filepath.Join(dir, "meuse_riv.geojson"), "--layer", "Meuse", "--role", "water"},
		{"import", "--points", filepath.Join(dir, "meuse.geojson"), "--map", filepath.Join(dir, "mapping.json")},
	} {
		r := call(t, "", append(args, "--atlas", atlas)...)
		require.Equal(t, exitDone, r.code, "%v: %s%s", args, r.out, r.err)
	}

	places, river := meuseData(t)
	require.Len(t, places, 155)
	args := []string{"options", "--atlas", atlas, "--json"}
	for i := range places {
		args = append(args, fmt.Sprintf("MEUSE/M%d", i+1))
	}
	r := call(t, "", args...)
	require.Equal(t, exitDone, r.code, r.err)
	textures, surveyed, wet := map[string]int{}, 0, 0
	dec := json.NewDecoder(strings.NewReader(r.out))
	for i, p := range places {
		var a struct {
			Verdict string
			Ground  struct {
				Class    string
				Cohesive string
				Settles  []string
			}
			Pull struct {
				TrueDeg *float64 `json:"true_deg"`
				Source  string
			}
			Options []struct{ Verdict string }
		}
		require.NoError(t, dec.Decode(&a), i)
		textures[p.soil]++
		assert.Equal(t, "unknown", a.Ground.Class, i)
		assert.Equal(t, "yes", a.Ground.Cohesive, "all three soils are clays")
		assert.NotEmpty(t, a.Ground.Settles, i)
		assert.NotEmpty(t, a.Options, i)
		for _, o := range a.Options {
			assert.NotEqual(t, "holds", o.Verdict, i)
		}
		d, bearing := toRiver(p.at, river)
		if planar.RingContains(river, p.at) {
			// A few places on the bank lie inside the generalised outline: they stand
			// in the water on file, and no way leads to where one is.
			assert.Equal(t, "no", a.Verdict)
			assert.Nil(t, a.Pull.TrueDeg)
			wet++
			continue
		}
		assert.Equal(t, "unknown", a.Verdict, i)
		require.NotNil(t, a.Pull.TrueDeg, "%d: %g m from the river", i, d)
		off := math.Abs(math.Mod(*a.Pull.TrueDeg-bearing+540, 360) - 180)
		assert.Less(t, off*math.Pi/180*d, 2.0, "%d: the way to the river, to 2 m of its outline", i)
		assert.Contains(t, a.Pull.Source, "Meuse", i)
		if math.Abs(d-p.dist) < 60 {
			surveyed++
		}
	}
	assert.Equal(t, map[string]int{"1": 97, "2": 46, "3": 12}, textures)
	assert.Less(t, wet, 10, "the survey was made on land")
	assert.Greater(t, surveyed, 4*len(places)/5, "the outline lies where the survey says the river is")

	pdf := filepath.Join(t.TempDir(), "meuse.pdf")
	require.Equal(t, exitDone, call(t, "", "sheet", "MEUSE", "--to", pdf, "--atlas", atlas).code)
	assert.FileExists(t, pdf)
}
