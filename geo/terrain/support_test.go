package terrain_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"holdfast/geo"
	"holdfast/geo/projection"
	"holdfast/geo/terrain"
	"holdfast/geo/terrain/raster"
)

// tool returns the path of an outside program, and skips the test where it is
// not installed, except in CI.
func tool(t testing.TB, name string) string {
	path, err := exec.LookPath(name)
	if err != nil {
		message := fmt.Sprintf("%s is not installed (Debian package gdal-bin)", name)
		if os.Getenv("CI") != "" {
			t.Fatal(message)
		}
		t.Skip(message)
	}
	return path
}

// run runs an outside program.
func run(t testing.TB, name string, args ...string) {
	t.Helper()
	out, err := exec.Command(tool(t, name), args...).CombinedOutput()
	require.NoError(t, err, "%s %s\n%s", name, strings.Join(args, " "), out)
}

func openFile(t testing.TB, path string) *raster.Raster {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { f.Close() })
	info, err := f.Stat()
	require.NoError(t, err)
	r, err := raster.Open(f, info.Size())
	require.NoError(t, err)
	return r
}

// grid is a raster in memory, written as an ASCII grid: cols × rows cells of a
// size, the middle of the raster at the plane's x, y, heights by plane
// coordinates. NaN is unknown.
func grid(t require.TestingT, cols, rows int, size, x, y float64, height func(x, y float64) float64) *raster.Raster {
	return openText(t, text(cols, rows, size, x, y, height))
}

func text(cols, rows int, size, x, y float64, height func(x, y float64) float64) string {
	var b strings.Builder
	left, bottom := x-float64(cols)*size/2, y-float64(rows)*size/2
	fmt.Fprintf(&b, "ncols %d\nnrows %d\nxllcorner %.17g\nyllcorner %.17g\ncellsize %.17g\nnodata_value -32768\n", cols, rows, left, bottom, size)
	for r := range rows {
		for c := range cols {
			h := height(left+(float64(c)+0.5)*size, bottom+(float64(rows-r)-0.5)*size)
			if math.IsNaN(h) {
				h = -32768
			}
			fmt.Fprintf(&b, "%.17g ", h)
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func openText(t require.TestingT, text string) *raster.Raster {
	r, err := raster.Open(strings.NewReader(text), int64(len(text)))
	require.NoError(t, err)
	return r
}

// utm17 is the plane of UTM zone 17 north, checked against PROJ in its own
// package.
func utm17() terrain.Plane {
	return transverse(-81, 0, 0.9996, 500000, 0)
}

// local is a plane in metres that touches the ellipsoid at a place: x is east
// and y north of it, and over a few kilometres true to scale within 1e-7.
func local(lon, lat float64) terrain.Plane {
	return transverse(lon, lat, 1, 0, 0)
}

func transverse(lon, lat, scale, east, north float64) terrain.Plane {
	return projection.NewTransverseMercator(geo.WGS84, lon, lat, scale, east, north)
}

// turned is a plane turned clockwise about its origin: its y axis points
// turn degrees east of the plane's north.
type turned struct {
	terrain.Plane
	turn float64
}

func (p turned) Forward(lon, lat float64) (x, y float64, err error) {
	x, y, err = p.Plane.Forward(lon, lat)
	sin, cos := math.Sincos(p.turn * math.Pi / 180)
	return x*cos - y*sin, x*sin + y*cos, err
}

func (p turned) Inverse(x, y float64) (lon, lat float64, err error) {
	sin, cos := math.Sincos(p.turn * math.Pi / 180)
	return p.Plane.Inverse(x*cos+y*sin, y*cos-x*sin)
}

// shifted is a plane with its origin moved to x, y.
type shifted struct {
	terrain.Plane
	x, y float64
}

func (p shifted) Forward(lon, lat float64) (x, y float64, err error) {
	x, y, err = p.Plane.Forward(lon, lat)
	return x + p.x, y + p.y, err
}

func (p shifted) Inverse(x, y float64) (lon, lat float64, err error) {
	return p.Plane.Inverse(x-p.x, y-p.y)
}

func surface(t require.TestingT, r *raster.Raster, plane terrain.Plane) *terrain.Surface {
	s, err := terrain.NewSurface(r, plane, 0)
	require.NoError(t, err)
	return s
}

// wavy is ground with slopes of all directions, up to some 45°, by column and
// row.
func wavy(col, row int) float64 {
	x, y := float64(col), float64(row)
	return 100 + 25*math.Sin(x/11+y/37) + 18*math.Cos(y/7-x/53) + 6*math.Sin(x*y/900)
}

// rawFloats writes float32 cells of 10 m in GDAL's raw ENVI form, UTM 17 north
// with the first corner at 500000, 4400000.
func rawFloats(t testing.TB, cols, rows int, height func(col, row int) float64) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "raw.img")
	var b bytes.Buffer
	row := make([]float32, cols)
	for r := range rows {
		for c := range row {
			row[c] = float32(height(c, r))
		}
		require.NoError(t, binary.Write(&b, binary.LittleEndian, row))
	}
	require.NoError(t, os.WriteFile(path, b.Bytes(), 0o600))
	header := fmt.Sprintf("ENVI\nsamples = %d\nlines = %d\nbands = 1\ndata type = 4\ninterleave = bsq\nbyte order = 0\n"+
		"map info = {UTM, 1, 1, 500000, 4400000, 10, 10, 17, North, WGS-84}\n", cols, rows)
	require.NoError(t, os.WriteFile(strings.TrimSuffix(path, ".img")+".hdr", []byte(header), 0o600))
	return path
}
