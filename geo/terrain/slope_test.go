package terrain_test

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/terrain"
	"holdfast/geo/terrain/raster"
)

// planeCase is a row of testdata/dem_planes.csv; its SOURCE.md tells where
// from.
type planeCase struct {
	name                         string
	east, north                  float64 // height per metre
	slope, azimuth               float64 // exact, degrees
	level                        bool
	gdaldemSlope, gdaldemAzimuth float64
}

func planeCases(t *testing.T) []planeCase {
	f, err := os.Open("testdata/dem_planes.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		return v
	}
	var cases []planeCase
	for _, r := range rows[1:] {
		c := planeCase{
			name: r[0], east: number(r[1]), north: number(r[2]), slope: number(r[3]), level: r[4] == "",
			gdaldemSlope: number(r[5]), gdaldemAzimuth: number(r[7]),
		}
		if !c.level {
			c.azimuth = number(r[4])
		}
		cases = append(cases, c)
	}
	require.Len(t, cases, 12)
	return cases
}

// apart is the angle between two directions, degrees.
func apart(a, b float64) float64 {
	return math.Abs(geo.NewBearing(a).Off(geo.NewBearing(b)).Degrees())
}

func TestPlanes(t *testing.T) {
	for _, c := range planeCases(t) {
		for _, lat := range []float64{0, 40.44, -33.9, 64.8} {
			t.Run(fmt.Sprint(c.name, " at ", lat), func(t *testing.T) {
				r := grid(t, 9, 9, 5, 0, 0, func(x, y float64) float64 { return 300 + c.east*x + c.north*y })
				s := surface(t, r, local(-80, lat))
				check := func(angle geo.Angle, aspect geo.Bearing, has bool) {
					assert.InDelta(t, c.slope, angle.Degrees(), 1e-5)
					assert.InDelta(t, c.gdaldemSlope, angle.Degrees(), 0.001)
					assert.Equal(t, !c.level, has)
					if has {
						// north turns by some 0.0003° over the raster
						assert.Less(t, apart(c.azimuth, aspect.Degrees()), 5e-4)
						assert.Less(t, apart(c.gdaldemAzimuth, aspect.Degrees()), 0.001)
					}
				}
				one, ok, err := s.SlopeAt(4, 4)
				require.NoError(t, err)
				require.True(t, ok)
				check(one.Angle, one.Aspect, one.HasAspect)
				near, ok, err := s.SlopeNear(orb.Point{-80, lat})
				require.NoError(t, err)
				assert.True(t, ok)
				assert.Equal(t, one, near)

				seen := 0
				require.NoError(t, s.Slopes(context.Background(), func(row terrain.SlopeRow) error {
					for col, angle := range row.Angle {
						seen++
						inner := row.Row > 0 && row.Row < 8 && col > 0 && col < 8
						assert.Equal(t, inner, !math.IsNaN(angle.Degrees()), "slope is unknown on the edge")
						if inner {
							check(angle, row.Aspect[col], !math.IsNaN(row.Aspect[col].Degrees()))
						}
					}
					return nil
				}))
				assert.Equal(t, 81, seen)
			})
		}
	}
}

// TestRotation: the slope and fall of a plane are the same whichever way the
// raster lies.
func TestRotation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		east := rapid.Float64Range(-2, 2).Draw(t, "east")
		north := rapid.Float64Range(-2, 2).Draw(t, "north")
		turn := rapid.Float64Range(0, 360).Draw(t, "turn")
		lat := rapid.Float64Range(-80, 80).Draw(t, "lat")
		if math.Hypot(east, north) < 0.01 {
			t.Skip("level ground has no direction")
		}
		sin, cos := math.Sincos(turn * math.Pi / 180)
		height := func(x, y float64) float64 { return east*(x*cos+y*sin) + north*(y*cos-x*sin) }
		s := surface(t, grid(t, 5, 5, 2, 0, 0, height), turned{local(10, lat), turn})
		slope, ok, err := s.SlopeAt(2, 2)
		require.NoError(t, err)
		require.True(t, ok)
		assert.InDelta(t, math.Atan(math.Hypot(east, north))*180/math.Pi, slope.Angle.Degrees(), 1e-5)
		assert.Less(t, apart(math.Atan2(-east, -north)*180/math.Pi, slope.Aspect.Degrees()), 1e-4)
	})
}

// TestConvergence: in a projected raster a fall along grid north is not to
// true north, and lengths are not true. Source: GeoConvert 2.1.2, convergence
// and scale factor of these points in UTM.
func TestConvergence(t *testing.T) {
	for _, c := range []struct {
		name               string
		central            float64 // meridian of the zone
		falseNorth         float64
		east, north        float64
		convergence, scale float64
	}{
		{"zone 17 north, Pittsburgh", -81, 0, 585156.9623, 4477145.4200, 0.651357948, 0.99968926261},
		{"zone 31 north, the Meuse", 3, 0, 692668.8350, 5649495.3113, 2.132001071, 1.00005583833},
	} {
		t.Run(c.name, func(t *testing.T) {
			plane := transverse(c.central, 0, 0.9996, 500000, c.falseNorth)
			s := surface(t, grid(t, 5, 5, 10, c.east, c.north, func(_, y float64) float64 { return -0.5 * (y - c.north) }), plane)
			slope, ok, err := s.SlopeAt(2, 2)
			require.NoError(t, err)
			require.True(t, ok)
			assert.Less(t, apart(c.convergence, slope.Aspect.Degrees()), 1e-5)
			assert.InDelta(t, 0.5*c.scale, math.Tan(slope.Angle.Radians()), 1e-7)
		})
	}
}

// TestGeographic: heights that rise by degrees. Source of the metres:
// GeodSolve 2.1.2, lines from 40 N 80 W over 0.0001° of longitude,
// 8.539386 m, and of latitude, 11.103463 m.
func TestGeographic(t *testing.T) {
	height := func(lon, lat float64) float64 { return 1e4 * (2*(lon+80) + 3*(lat-40)) }
	r := grid(t, 5, 5, 1.0/3600, -80, 40, height)
	slope, ok, err := surface(t, r, nil).SlopeAt(2, 2)
	require.NoError(t, err)
	require.True(t, ok)
	east, north := 2/8.539386, 3/11.103463
	assert.InDelta(t, math.Hypot(east, north), math.Tan(slope.Angle.Radians()), 1e-6)
	assert.Less(t, apart(math.Atan2(-east, -north)*180/math.Pi, slope.Aspect.Degrees()), 1e-4)
}

// TestVerticalUnit: a slope in feet per metre is flatter. Source: the
// international foot, 0.3048 m.
func TestVerticalUnit(t *testing.T) {
	r := grid(t, 5, 5, 10, 0, 0, func(x, _ float64) float64 { return x })
	s, err := terrain.NewSurface(r, local(0, 45), geo.Foot)
	require.NoError(t, err)
	slope, _, err := s.SlopeAt(2, 2)
	require.NoError(t, err)
	assert.InDelta(t, 0.3048, math.Tan(slope.Angle.Radians()), 1e-6)
	h, ok, err := s.Height(moved(t, local(0, 45), 5, 0))
	require.NoError(t, err)
	assert.True(t, ok)
	assert.InDelta(t, 5*0.3048, h.Metres(), 1e-6)
	_, err = terrain.NewSurface(r, local(0, 45), geo.Length(math.NaN()))
	assert.Error(t, err)
}

// moved returns the place of a plane's x, y.
func moved(t require.TestingT, plane terrain.Plane, x, y float64) orb.Point {
	lon, lat, err := plane.Inverse(x, y)
	require.NoError(t, err)
	return orb.Point{lon, lat}
}

// TestAgainstGdaldem compares whole rasters with gdaldem: made-up ground with
// holes, and the Olinda grid. Their plane is laid over the
// equator, where it has neither convergence nor distortion, for gdaldem knows
// of none. Slopes within 0.001°, aspects within 0.001° of slope, as gdaldem
// computes in single precision; unknown cells the same.
func TestAgainstGdaldem(t *testing.T) {
	hilly := rawFloats(t, 211, 173, func(col, row int) float64 {
		if (col*7+row*13)%97 == 0 {
			return -32768
		}
		if col > 150 && row > 120 {
			return 50 // level ground
		}
		return wavy(col, row)
	})
	holes := filepath.Join(t.TempDir(), "holes.tif")
	run(t, "gdal_translate", "-q", "-a_nodata", "-32768", hilly, holes)
	for _, path := range []string{holes, "raster/testdata/olinda_dem_utm25s.tif"} {
		t.Run(filepath.Base(path), func(t *testing.T) {
			r := openFile(t, path)
			cols, rows := r.Size()
			x, y := r.Affine().Plane(float64(cols)/2, float64(rows)/2)
			s := surface(t, r, shifted{local(15, 0), x, y})
			slopes, aspects := gdaldem(t, "slope", path), gdaldem(t, "aspect", path)
			worst, worstAspect, known, level := 0.0, 0.0, 0, 0
			require.NoError(t, s.Slopes(context.Background(), func(row terrain.SlopeRow) error {
				for col, angle := range row.Angle {
					want, ok, err := slopes.Cell(col, row.Row)
					require.NoError(t, err)
					require.Equal(t, ok, !math.IsNaN(angle.Degrees()), "row %d, column %d", row.Row, col)
					if !ok {
						continue
					}
					known++
					worst = max(worst, math.Abs(want-angle.Degrees()))
					aspect, ok, err := aspects.Cell(col, row.Row)
					require.NoError(t, err)
					require.Equal(t, ok, !math.IsNaN(row.Aspect[col].Degrees()), "row %d, column %d", row.Row, col)
					if !ok {
						level++
						continue
					}
					worstAspect = max(worstAspect, apart(aspect, row.Aspect[col].Degrees())*math.Sin(angle.Radians()))
				}
				return nil
			}))
			t.Logf("%d of %d cells have a slope, %d are level; slope within %.2g°, aspect within %.2g° of slope", known, cols*rows, level, worst, worstAspect)
			assert.Greater(t, known, cols*rows/20)
			assert.Less(t, worst, 0.001)
			assert.Less(t, worstAspect, 0.001)
		})
	}
}

func gdaldem(t *testing.T, what, path string) *raster.Raster {
	out := filepath.Join(t.TempDir(), what+".tif")
	run(t, "gdaldem", what, "-q", path, out)
	return openFile(t, out)
}

// TestSlopesAgree: the raster and the single cell give the same, on a raster
// wide enough to come in stretches and in a plane whose scale changes.
func TestSlopesAgree(t *testing.T) {
	const cols, rows = 9000, 12
	source := rawFloats(t, cols, rows, wavy)
	path := filepath.Join(t.TempDir(), "wide.tif")
	run(t, "gdal_translate", "-q", "-co", "TILED=YES", "-co", "BLOCKXSIZE=2048", "-co", "BLOCKYSIZE=2048", source, path)
	r := openFile(t, path)
	require.Less(t, r.Band(), cols, "comes in stretches")
	s := surface(t, r, utm17())
	seen := 0
	require.NoError(t, s.Slopes(context.Background(), func(row terrain.SlopeRow) error {
		for i, angle := range row.Angle {
			seen++
			if (row.Col+i)%37 != 0 && i != 0 && i != len(row.Angle)-1 {
				continue
			}
			want, ok, err := s.SlopeAt(row.Col+i, row.Row)
			require.NoError(t, err)
			require.Equal(t, ok, !math.IsNaN(angle.Degrees()))
			if ok {
				require.InDelta(t, want.Angle.Degrees(), angle.Degrees(), 1e-6)
				require.Less(t, apart(want.Aspect.Degrees(), row.Aspect[i].Degrees()), 1e-6)
			}
		}
		return nil
	}))
	assert.Equal(t, cols*rows, seen)
}

// TestSlopesAtThePole: cells by the pole have a slope, those at it none.
func TestSlopesAtThePole(t *testing.T) {
	r := grid(t, 360, 4, 1, 0, 88, func(lon, lat float64) float64 { return 1000 * (90 - lat) })
	s := surface(t, r, nil)
	require.NoError(t, s.Slopes(context.Background(), func(row terrain.SlopeRow) error {
		for i := 1; i < len(row.Angle)-1 && row.Row == 1; i++ {
			// source: a degree of latitude near the pole is 111.694 km (WGS 84)
			require.InDelta(t, 1000/111694.0, math.Tan(row.Angle[i].Radians()), 1e-6)
			require.Less(t, apart(0, row.Aspect[i].Degrees()), 1e-6, "falls to the pole")
		}
		return nil
	}))
}

func TestSlopesStops(t *testing.T) {
	r := grid(t, 50, 50, 5, 0, 0, func(x, y float64) float64 { return x })
	s := surface(t, r, local(0, 0))
	enough := errors.New("enough")
	calls := 0
	err := s.Slopes(context.Background(), func(terrain.SlopeRow) error {
		if calls++; calls == 3 {
			return enough
		}
		return nil
	})
	assert.ErrorIs(t, err, enough)
	assert.Equal(t, 3, calls)
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	assert.ErrorIs(t, s.Slopes(ctx, func(terrain.SlopeRow) error { return nil }), context.Canceled)
}

// TestSmallRasters: a raster of less than three cells has no slope.
func TestSmallRasters(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {2, 2}, {1, 5}, {5, 1}} {
		s := surface(t, grid(t, size[0], size[1], 5, 0, 0, func(x, y float64) float64 { return x }), local(0, 0))
		n := 0
		require.NoError(t, s.Slopes(context.Background(), func(row terrain.SlopeRow) error {
			for _, a := range row.Angle {
				assert.True(t, math.IsNaN(a.Degrees()))
				n++
			}
			return nil
		}))
		assert.Equal(t, size[0]*size[1], n)
		_, ok, err := s.SlopeAt(0, 0)
		assert.NoError(t, err)
		assert.False(t, ok)
	}
}
