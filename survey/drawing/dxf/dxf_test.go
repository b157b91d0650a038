package dxf_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/dxf"
	"holdfast/survey/rig"
	"holdfast/survey/surround"
)

func tool(t *testing.T, stdin, name string, args ...string) string {
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatalf("%s is missing", name)
		}
		t.Skipf("%s is not installed", name)
	}
	cmd := exec.Command(name, args...)
	cmd.Stdin = strings.NewReader(stdin)
	out, err := cmd.Output()
	require.NoError(t, err, name)
	return string(out)
}

func plan(mark orb.Point) drawing.Plan {
	const pull = geo.Bearing(214)
	l := &rig.Layout{Anchor: rig.Place(mark), SectorDeg: [2]geo.Bearing{199, 229}}
	for row := range 3 {
		for place := range 3 - row {
			p, _ := geodesic.Direct(mark, pull.Back(), geo.Length(1.2192*float64(row)))
			p, _ = geodesic.Direct(p, pull.Turn(90*geo.Degree), geo.Length(0.0254*float64(place)))
			l.Stakes = append(l.Stakes, rig.Stake{Rig: 1, Row: row + 1, Place: place + 1, Lon: p.Lon(), Lat: p.Lat()})
		}
	}
	a, _ := geodesic.Direct(mark, 90, 5)
	b, _ := geodesic.Direct(mark, 90, 5000)
	main := survey.LayerFeature{Role: survey.RoleBuried, Geometry: orb.LineString{a, b}}
	return drawing.Plan{
		Point: "P1 über \\ 河 🌊", Position: mark, Main: answer.Placed{Anchor: rig.Anchor{Kind: survey.KindRig, Rig: "3-2-1", Count: 1}, Layout: l},
		Pull: answer.Pull{TrueDeg: survey.Known(pull)}, Tolerance: 0.6,
		Near: []surround.Near{{Role: survey.RoleBuried, Name: "gas", HalfWidth: 0.1, Feature: main}},
	}
}

type entity struct {
	Properties struct {
		Layer string `json:"Layer"`
		Text  string `json:"Text"`
	} `json:"properties"`
	Geometry struct {
		Type        string          `json:"type"`
		Coordinates json.RawMessage `json:"coordinates"`
	} `json:"geometry"`
}

// entities reads a file with GDAL's DXF driver.
func entities(t *testing.T, p drawing.Plan) []entity {
	var b bytes.Buffer
	require.NoError(t, dxf.Write(&b, p, []string{"a note"}))
	file := filepath.Join(t.TempDir(), "layout.dxf")
	require.NoError(t, os.WriteFile(file, b.Bytes(), 0o644))
	out := tool(t, "", "ogr2ogr", "-f", "GeoJSON", "/vsistdout/", "-lco", "COORDINATE_PRECISION=5", file)
	var all struct {
		Features []entity `json:"features"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &all))
	return all.Features
}

// GDAL reads the stakes where GeoConvert (GeographicLib) puts them on the UTM
// grid, to half a millimetre: the file is written to a tenth, GeoConvert too.
func TestGDALReadsTheStakesWhereTheyGo(t *testing.T) {
	for name, mark := range map[string]orb.Point{"north": {-84.4123, 38.2051}, "south": {144.95, -37.81}, "Norway's wide zone": {5.3, 60.39}} {
		t.Run(name, func(t *testing.T) {
			p := plan(mark)
			var stakes [][2]float64
			for _, e := range entities(t, p) {
				if e.Properties.Layer == dxf.Stakes && e.Geometry.Type == "Point" && e.Properties.Text == "" {
					var xy [2]float64
					require.NoError(t, json.Unmarshal(e.Geometry.Coordinates, &xy))
					stakes = append(stakes, xy)
				}
			}
			require.Len(t, stakes, len(p.Main.Layout.Stakes))
			for i, s := range p.Main.Layout.Stakes {
				words := strings.Fields(tool(t, fmt.Sprintf("%.12f %.12f\n", s.Lat, s.Lon), "GeoConvert", "-u", "-p", "4"))
				easting, err := strconv.ParseFloat(words[1], 64)
				require.NoError(t, err)
				northing, err := strconv.ParseFloat(words[2], 64)
				require.NoError(t, err)
				assert.InDelta(t, easting, stakes[i][0], 0.0005, "stake %d", i+1)
				assert.InDelta(t, northing, stakes[i][1], 0.0005, "stake %d", i+1)
			}
			f, err := dxf.FrameAt(mark)
			require.NoError(t, err)
			zone := strings.Fields(tool(t, fmt.Sprintf("%f %f\n", mark.Lat(), mark.Lon()), "GeoConvert", "-u"))[0]
			assert.Equal(t, "utm"+zone, f.Short())
		})
	}
}

// Distances between stakes on the grid, brought to the ground by the scale of
// the grid there (GeoConvert -c), are those of GeodSolve.
func TestDistancesInTheFileAgreeWithGeodSolve(t *testing.T) {
	mark := orb.Point{-84.4123, 38.2051}
	p := plan(mark)
	var xy [][2]float64
	for _, e := range entities(t, p) {
		if e.Properties.Layer == dxf.Stakes && e.Properties.Text == "" {
			var at [2]float64
			require.NoError(t, json.Unmarshal(e.Geometry.Coordinates, &at))
			xy = append(xy, at)
		}
	}
	scale, err := strconv.ParseFloat(strings.Fields(tool(t, fmt.Sprintf("%f %f\n", mark.Lat(), mark.Lon()), "GeoConvert", "-c", "-p", "4"))[1], 64)
	require.NoError(t, err)
	first := p.Main.Layout.Stakes[0]
	for i, s := range p.Main.Layout.Stakes[1:] {
		solved := strings.Fields(tool(t, fmt.Sprintf("%.12f %.12f %.12f %.12f\n", first.Lat, first.Lon, s.Lat, s.Lon), "GeodSolve", "-i", "-p", "4"))
		metres, err := strconv.ParseFloat(solved[2], 64)
		require.NoError(t, err)
		assert.InDelta(t, metres, math.Hypot(xy[i+1][0]-xy[0][0], xy[i+1][1]-xy[0][1])/scale, 0.0005)
	}
}

func TestLayersAndWords(t *testing.T) {
	by := map[string]int{}
	said := map[string]bool{}
	for _, e := range entities(t, plan(orb.Point{-84.4123, 38.2051})) {
		by[e.Properties.Layer]++
		said[e.Properties.Text] = true
		if e.Properties.Layer == dxf.Near && e.Geometry.Type == "LineString" {
			var line [][]float64
			require.NoError(t, json.Unmarshal(e.Geometry.Coordinates, &line))
			assert.Less(t, math.Abs(line[len(line)-1][0]-line[0][0]), 100.0, "a main of 5 km is shown near the rig only")
		}
	}
	for _, layer := range []string{dxf.Mark, dxf.Stakes, dxf.Lashings, dxf.Pull, dxf.Refusal, dxf.Near, dxf.Text} {
		assert.NotZero(t, by[layer], layer)
	}
	assert.Equal(t, 2, by[dxf.Lashings], "from row to row")
	assert.True(t, said["WGS 84 / UTM zone 16N (EPSG:32616), metres"], said)
	assert.True(t, said["mark P1 über \\ \\U+6CB3 [U+1F30A]"], "%v", said)
	assert.True(t, said["pull 214° true"])
	assert.True(t, said["a note"])
}

func TestWhatCannotBeWritten(t *testing.T) {
	p := plan(orb.Point{0, 89})
	assert.ErrorContains(t, dxf.Write(&bytes.Buffer{}, p, nil), "no UTM zone")
	p.Main.Layout = nil
	assert.ErrorContains(t, dxf.Write(&bytes.Buffer{}, p, nil), "nothing is laid out")
}
