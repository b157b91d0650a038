package crs_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/crs"
)

// sub is a sub-grid to write: limits and spacing in seconds of arc, longitude
// to the west as the format has it.
type sub struct {
	name, parent             string
	south, north, east, west float64
	step                     float64
	shift                    func(lat, lon float64) (dlat, dlon float32) // seconds, lon to the west
}

// writeNTv2 writes a grid shift file, independently of the reader: the layout
// is that of the NTv2 Developer's Guide (from memory), which the tests below
// have PROJ read too.
func writeNTv2(order binary.ByteOrder, subs []sub) []byte {
	var b bytes.Buffer
	text := func(k, v string) { b.WriteString((k + "        ")[:8] + (v + "        ")[:8]) }
	integer := func(k string, v int) {
		b.WriteString((k + "        ")[:8])
		binary.Write(&b, order, int32(v))
		b.Write(make([]byte, 4))
	}
	double := func(k string, v float64) {
		b.WriteString((k + "        ")[:8])
		binary.Write(&b, order, v)
	}
	integer("NUM_OREC", 11)
	integer("NUM_SREC", 11)
	integer("NUM_FILE", len(subs))
	text("GS_TYPE", "SECONDS")
	text("VERSION", "TEST")
	text("SYSTEM_F", "OLD")
	text("SYSTEM_T", "NEW")
	double("MAJOR_F", 6378206.4)
	double("MINOR_F", 6356583.8)
	double("MAJOR_T", 6378137)
	double("MINOR_T", 6356752.314)
	for _, s := range subs {
		rows, cols := int(math.Round((s.north-s.south)/s.step))+1, int(math.Round((s.west-s.east)/s.step))+1
		text("SUB_NAME", s.name)
		text("PARENT", s.parent)
		text("CREATED", "20260101")
		text("UPDATED", "20260101")
		double("S_LAT", s.south)
		double("N_LAT", s.north)
		double("E_LONG", s.east)
		double("W_LONG", s.west)
		double("LAT_INC", s.step)
		double("LONG_INC", s.step)
		integer("GS_COUNT", rows*cols)
		for r := range rows {
			for c := range cols {
				dlat, dlon := s.shift(s.south+float64(r)*s.step, s.east+float64(c)*s.step)
				binary.Write(&b, order, []float32{dlat, dlon, 0, 0})
			}
		}
	}
	text("END", "")
	return b.Bytes()
}

// wavy is a made-up shift of some seconds that varies between the nodes.
func wavy(k float64) func(lat, lon float64) (float32, float32) {
	return func(lat, lon float64) (float32, float32) {
		return float32(1.5 + 0.3*math.Sin(lat/k)), float32(-0.8 + 0.2*math.Cos(lon/k))
	}
}

const hour = 3600.0 // a degree, in seconds

// own is a grid over 35°-38° N, 79°-83° W with a finer one inside.
var own = []sub{
	{"COARSE", "NONE", 35 * hour, 38 * hour, 79 * hour, 83 * hour, 900, wavy(5000)},
	{"FINE", "COARSE", 36 * hour, 37 * hour, 80 * hour, 81 * hour, 300, wavy(900)},
}

func TestNTv2AgainstPROJ(t *testing.T) {
	for name, order := range map[string]binary.ByteOrder{"little": binary.LittleEndian, "big": binary.BigEndian} {
		t.Run(name, func(t *testing.T) {
			data := writeNTv2(order, own)
			file := filepath.Join(t.TempDir(), "own.gsb")
			require.NoError(t, os.WriteFile(file, data, 0o644))
			g, err := crs.ReadNTv2(bytes.NewReader(data), "own")
			require.NoError(t, err)
			assert.Equal(t, "OLD", g.From)
			assert.Equal(t, "NEW", g.To)
			holdGrid(t, g, file, "EPSG:4267", "+ellps=clrk66", crs.Area{West: -83, South: 35, East: -79, North: 38})
		})
	}
}

// TestNTv2National reads three national grids of Debian's proj-data.
func TestNTv2National(t *testing.T) {
	for _, c := range []struct {
		file, code, ellipsoid string
		area                  crs.Area
	}{
		{"BETA2007.gsb", "EPSG:4314", "+ellps=bessel", crs.Area{West: 6, South: 47.5, East: 14.5, North: 54.5}},
		{"ntf_r93.gsb", "EPSG:4275", "+a=6378249.2 +b=6356515", crs.Area{West: -4.8, South: 42, East: 9.5, North: 51}},
		{"nzgd2kgrid0005.gsb", "EPSG:4272", "+ellps=intl", crs.Area{West: 167, South: -47, East: 178, North: -34.5}},
	} {
		t.Run(c.file, func(t *testing.T) {
			path := "/usr/share/proj/" + c.file
			f, err := os.Open(path)
			if err != nil {
				if os.Getenv("CI") != "" {
					t.Fatalf("%s is needed (package proj-data)", path)
				}
				t.Skipf("%s is not there (package proj-data)", path)
			}
			defer f.Close()
			g, err := crs.ReadNTv2(f, c.file)
			require.NoError(t, err)
			holdGrid(t, g, path, c.code, c.ellipsoid, c.area)
		})
	}
}

// holdGrid holds a grid against cs2cs +nadgrids on 2000 random points.
func holdGrid(t *testing.T, g *crs.Grid, file, code, ellipsoid string, area crs.Area) {
	t.Helper()
	c := byName(t, code).WithGrid(g)
	pts := scatter(rand.New(rand.NewPCG(sweepSeed, 5)), &area, 2000)
	args := append([]string{"+proj=latlong", "+nadgrids=" + file}, strings.Fields(ellipsoid)...)
	want := cs2cs(t, append(args, "+to", "+proj=latlong", "+datum=WGS84"), pts)
	var worst, back float64
	n := 0
	for i, p := range pts {
		got, err := c.ToWGS84(p[0], p[1])
		if err != nil {
			require.ErrorIs(t, err, crs.ErrNoShift)
			continue
		}
		n++
		worst = math.Max(worst, metres(got, want[i]))
		x, y, err := c.FromWGS84(want[i])
		require.NoError(t, err)
		back = math.Max(back, metres(orb.Point{x, y}, p))
	}
	t.Logf("%d points, worst %.2g m, back %.2g m", n, worst, back)
	require.Greater(t, n, 1500)
	// PROJ rounds the shifts, some 200 m at most, to 32-bit radians: 2e-5 m.
	assert.Less(t, worst, 2e-5)
	assert.Less(t, back, 2e-5)
	s, ok := c.ShiftAt(pts[0])
	assert.True(t, ok)
	assert.Equal(t, g.Name, s.Name)
}

func TestGridRefuses(t *testing.T) {
	good := writeNTv2(binary.LittleEndian, own)
	g, err := crs.ReadNTv2(bytes.NewReader(good), "own")
	require.NoError(t, err)
	c := byName(t, "EPSG:4267").WithGrid(g)
	_, err = c.ToWGS84(-90, 36)
	assert.ErrorIs(t, err, crs.ErrNoShift)
	assert.ErrorContains(t, err, "not covered by grid own")
	_, _, err = c.FromWGS84(orb.Point{-90, 36})
	assert.ErrorIs(t, err, crs.ErrNoShift)

	change := func(at int, with ...byte) []byte {
		b := bytes.Clone(good)
		copy(b[at:], with)
		return b
	}
	for name, data := range map[string][]byte{
		"empty":                nil,
		"another format":       bytes.Repeat([]byte("CDF\x01"), 100),
		"cut short":            good[:len(good)/2],
		"header count":         change(8, 7),
		"unit":                 change(3*16+8, []byte("FURLONGS")...),
		"too many sub-grids":   change(2*16+8, 200),
		"no sub-grids":         change(2*16+8, 0),
		"node count":           change(21*16+8, 1, 0, 0, 0x7f),
		"spacing not a number": change(19*16+8, 0, 0, 0, 0, 0, 0, 0xf8, 0x7f),
		"spacing of zero":      change(19*16+8, 0, 0, 0, 0, 0, 0, 0, 0),
	} {
		_, err := crs.ReadNTv2(bytes.NewReader(data), name)
		assert.ErrorIs(t, err, crs.ErrGrid, name)
	}
}

// FuzzReadNTv2: no file makes the reader panic or take memory beyond the
// file's own size.
func FuzzReadNTv2(f *testing.F) {
	small := []sub{{"SMALL", "NONE", 36 * hour, 37 * hour, 80 * hour, 81 * hour, 1800, wavy(900)}}
	f.Add(writeNTv2(binary.LittleEndian, small))
	f.Add(writeNTv2(binary.BigEndian, small))
	f.Fuzz(func(t *testing.T, data []byte) {
		g, err := crs.ReadNTv2(bytes.NewReader(data), "fuzz")
		if err != nil {
			return
		}
		c, err := crs.ByEPSG(4267)
		if err != nil {
			t.Fatal(err)
		}
		c = c.WithGrid(g)
		for _, p := range []orb.Point{{-80.5, 36.5}, {-80, 36}, {0, 0}} {
			_, _ = c.ToWGS84(p[0], p[1])
			_, _, _ = c.FromWGS84(p)
		}
	})
}

// writeNADCON writes one file of a grid of 5 rows and 31 columns from 81° W
// 35° N, a quarter of a degree apart.
func writeNADCON(value func(row, col int) float32) []byte {
	const rows, cols = 5, 31
	var b bytes.Buffer
	b.WriteString(strings.Repeat(" ", 56) + "NADGRD  ")
	binary.Write(&b, binary.LittleEndian, []int32{cols, rows, 1})
	binary.Write(&b, binary.LittleEndian, []float32{-81, 0.25, 35, 0.25, 0})
	b.Write(make([]byte, (cols+1)*4-b.Len())) // the rest of the first record
	for row := range rows {
		b.Write(make([]byte, 4))
		for col := range cols {
			binary.Write(&b, binary.LittleEndian, value(row, col))
		}
	}
	return b.Bytes()
}

// TestNADCONAgainstGDAL has GDAL's LOSLAS driver (3.6.2) name the shift at
// nodes of a written pair of files.
func TestNADCONAgainstGDAL(t *testing.T) {
	las := writeNADCON(func(row, col int) float32 { return float32(row) + float32(col)/100 })
	los := writeNADCON(func(row, col int) float32 { return 2 - float32(row)/8 - float32(col)/64 })
	g, err := crs.ReadNADCON(bytes.NewReader(las), bytes.NewReader(los), "own")
	require.NoError(t, err)
	c := byName(t, "EPSG:4267").WithGrid(g)
	dir := t.TempDir()
	gdal := need(t, "gdallocationinfo", "gdal-bin")
	at := func(ext string, data []byte, lon, lat float64) float64 {
		file := filepath.Join(dir, "own."+ext)
		require.NoError(t, os.WriteFile(file, data, 0o644))
		out, err := exec.Command(gdal, "-valonly", "-geoloc", file, fmt.Sprint(lon), fmt.Sprint(lat)).Output()
		require.NoError(t, err)
		v, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
		require.NoError(t, err, "%s", out)
		return v
	}
	for _, p := range []orb.Point{{-80.75, 35.25}, {-79, 35.75}, {-75, 35.5}} {
		got, err := c.ToWGS84(p[0], p[1])
		require.NoError(t, err)
		assert.InDelta(t, at("las", las, p[0], p[1]), (got[1]-p[1])*3600, 1e-6)
		assert.InDelta(t, at("los", los, p[0], p[1]), (p[0]-got[0])*3600, 1e-6, "positive to the west")
	}
	for name, bad := range map[string][]byte{"empty": nil, "cut short": las[:len(las)-8], "no grid": make([]byte, 200)} {
		_, err := crs.ReadNADCON(bytes.NewReader(bad), bytes.NewReader(los), name)
		assert.ErrorIs(t, err, crs.ErrGrid, name)
	}
}

// FuzzReadNADCON: no pair of files makes the reader panic or take memory
// beyond the files' own size.
func FuzzReadNADCON(f *testing.F) {
	f.Add(writeNADCON(func(row, col int) float32 { return 1 }))
	f.Fuzz(func(t *testing.T, data []byte) {
		if g, err := crs.ReadNADCON(bytes.NewReader(data), bytes.NewReader(data), "fuzz"); err == nil {
			c, err := crs.ByEPSG(4267)
			if err != nil {
				t.Fatal(err)
			}
			_, _ = c.WithGrid(g).ToWGS84(-80.5, 35.5)
		}
	})
}
