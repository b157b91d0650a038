package terrain_test

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/terrain"
)

// TestHeightAgainstGdalwarp compares heights between the centres with the
// bilinear resampling of gdalwarp to a grid of the same cells moved by a part
// of one.
func TestHeightAgainstGdalwarp(t *testing.T) {
	source := rawFloats(t, 60, 40, wavy)
	s := surface(t, openFile(t, source2tif(t, source)), utm17())
	for _, shift := range [][2]float64{{3, 4}, {-2.5, 1.25}, {0, 5}, {4.9, -0.1}} {
		path := filepath.Join(t.TempDir(), "moved.tif")
		// inside, so that no centre is left without four neighbours
		left, top := 500000+50+shift[0], 4400000-50+shift[1]
		extent := []string{"-te"}
		for _, v := range []float64{left, top - 300, left + 500, top} {
			extent = append(extent, formatNumber(v))
		}
		run(t, "gdalwarp", append([]string{"-q", "-r", "bilinear", "-tr", "10", "10", source, path}, extent...)...)
		r := openFile(t, path)
		cols, rows := r.Size()
		require.Equal(t, []int{50, 30}, []int{cols, rows})
		for row := range rows {
			for col := range cols {
				want, ok, err := r.Cell(col, row)
				require.NoError(t, err)
				require.True(t, ok)
				x, y := r.Affine().Plane(float64(col)+0.5, float64(row)+0.5)
				h, ok, err := s.Height(moved(t, utm17(), x, y))
				require.NoError(t, err)
				require.True(t, ok)
				require.InDelta(t, want, h.Metres(), 2e-5, "gdalwarp works in single precision")
			}
		}
	}
}

func source2tif(t *testing.T, source string) string {
	path := filepath.Join(t.TempDir(), "grid.tif")
	run(t, "gdal_translate", "-q", source, path)
	return path
}

func formatNumber(v float64) string { return strconv.FormatFloat(v, 'g', 17, 64) }

// TestHeightUnknown: what lies between cells is known where all that count
// are.
func TestHeightUnknown(t *testing.T) {
	hole := func(x, y float64) float64 {
		if math.Abs(x) < 1 && math.Abs(y) < 1 {
			return math.NaN()
		}
		return 10 + x + 2*y
	}
	plane := local(8, 50)
	s := surface(t, grid(t, 5, 5, 10, 0, 0, hole), plane) // centres at -20, -10, 0, 10, 20
	for _, c := range []struct {
		name string
		x, y float64
		ok   bool
	}{
		{"at a centre", 10, 10, true},
		{"between four", 14, -17, true},
		{"in the hole", 0, 0, false},
		{"a corner of the patch is the hole", 5, 5, false},
		{"on a line beside the hole", 10, 5, true},
		{"on the last centre", 20, 20, true},
		{"in the outer half of a cell", 21, 0, false},
		{"outside", 200, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			h, ok, err := s.Height(moved(t, plane, c.x, c.y))
			require.NoError(t, err)
			assert.Equal(t, c.ok, ok)
			if ok { // source: the bilinear surface through a plane is the plane
				assert.InDelta(t, 10+c.x+2*c.y, h.Metres(), 1e-5)
			}
		})
	}
	_, ok, err := s.SlopeNear(moved(t, plane, 10, 0))
	require.NoError(t, err)
	assert.False(t, ok, "a neighbour is the hole")
	_, ok, err = s.SlopeNear(moved(t, plane, 21, 0))
	require.NoError(t, err)
	assert.False(t, ok, "outside the centres")
	_, _, err = s.Height(orb.Point{0, math.NaN()})
	assert.Error(t, err)
}

// TestAntimeridian: a geographic raster may lie across it, and be numbered
// either way.
func TestAntimeridian(t *testing.T) {
	for _, middle := range []float64{180, -180} {
		s := surface(t, grid(t, 20, 20, 0.1, middle, 10, func(lon, _ float64) float64 { return 100 * (lon - middle) }), nil)
		for lon, want := range map[float64]float64{179.5: -50, -179.5: 50, 180: 0, -180: 0, 180.5: 50} {
			h, ok, err := s.Height(orb.Point{lon, 10.03})
			require.NoError(t, err)
			assert.True(t, ok, lon)
			assert.InDelta(t, want, h.Metres(), 1e-6)
		}
	}
}

func TestNewSurfaceRefuses(t *testing.T) {
	flat := func(x, y float64) float64 { return 0 }
	_, err := terrain.NewSurface(grid(t, 3, 3, 10, 500000, 4400000, flat), nil, 0)
	assert.ErrorContains(t, err, "not longitude and latitude")
	_, err = terrain.NewSurface(openFile(t, "raster/testdata/olinda_dem_utm25s.tif"), nil, 0)
	assert.ErrorContains(t, err, "projected")
}

// TestSectionAgainstGeodSolve: where a section ends. Source: GeodSolve 2.1.2,
// direct problem; start, bearing, distance, end.
func TestSectionAgainstGeodSolve(t *testing.T) {
	for _, c := range []struct {
		lat, lon, bearing, length float64
		lat2, lon2                float64
		within                    float64 // metres
	}{
		{40.4406, -79.9959, 137.5, 7.62, 40.44054940654, -79.99583932293, 1e-5},
		{45.5152, -122.6784, 181, 100, 45.51430038585, -122.67842233528, 1e-5},
		{64.8378, -147.7164, 77, 45, 64.83789079256, -147.71547615860, 1e-5},
		{-54.8019, -68.303, 123.4, 25, -54.80202362545, -68.30267545368, 1e-5},
		{0, 179.9999, 90, 100, 0, -179.99920168472, 1e-5},
		{40.4406, -79.9959, 60, 1000, 40.44510230324, -79.98569186903, 1e-3},
		{40.4406, -79.9959, 60, 10000, 40.48558227421, -79.89375737672, 0.1},
	} {
		s := surface(t, grid(t, 3, 3, 0.01, c.lon, c.lat, func(x, y float64) float64 { return 0 }), nil)
		stations, err := s.Section(orb.Point{c.lon, c.lat}, geo.NewBearing(c.bearing), geo.Length(c.length), geo.Length(c.length)/3)
		require.NoError(t, err)
		require.Len(t, stations, 4)
		last := stations[3]
		assert.Equal(t, c.length, last.Distance.Metres())
		assert.InDelta(t, c.lat2, last.Point.Lat(), c.within/111000)
		assert.InDelta(t, c.lon2, last.Point.Lon(), c.within/111000/math.Cos(c.lat*math.Pi/180))
	}
}

func TestSection(t *testing.T) {
	plane := local(8, 50)
	s := surface(t, grid(t, 21, 21, 10, 0, 0, func(x, y float64) float64 { return 50 - 0.4*x }), plane)
	stations, err := s.Section(orb.Point{8, 50}, 90, 125, 10)
	require.NoError(t, err)
	require.Len(t, stations, 14, "0, 10 … 120, 125 m")
	for _, st := range stations {
		assert.Equal(t, st.Distance <= 100, st.Known, "the last centre is at 100 m")
		if st.Known { // source: the plane
			assert.InDelta(t, 50-0.4*st.Distance.Metres(), st.Height.Metres(), 1e-3)
		}
	}
	for _, bad := range [][2]geo.Length{{0, 1}, {-5, 1}, {100, 0}, {1e6, 100}, {1000, 1e-3}, {geo.Length(math.NaN()), 1}} {
		_, err := s.Section(orb.Point{8, 50}, 90, bad[0], bad[1])
		assert.Error(t, err, bad)
	}
	_, err = s.Section(orb.Point{8, 50}, geo.Bearing(math.NaN()), 10, 1)
	assert.Error(t, err)
}

// bank is ground with a bank: level at 10 m up to a distance of 0 in a
// direction, then falling at a slope to level ground at 4 m.
func bank(direction, slope float64) func(x, y float64) float64 {
	sin, cos := math.Sincos(direction * math.Pi / 180)
	return func(x, y float64) float64 {
		return 10 - math.Min(6, math.Max(0, (x*sin+y*cos)*math.Tan(slope*math.Pi/180)))
	}
}

// TestCrestToe: sections written by hand, one letter for the height of every
// metre, k the highest; ? is unknown. Expected distances are counted.
func TestCrestToe(t *testing.T) {
	for _, c := range []struct {
		name, heights string
		crest, toe    float64
		crestKnown    bool
		toeKnown      bool
		ok            bool
	}{
		{"a bank", "kkkkjihgfeeeeeee", 3, 9, true, true, true},
		{"level", "kkkkkkkkkkkkk", 0, 0, false, false, false},
		{"rising", "abcdefghijk", 0, 0, false, false, false},
		{"a step in it", "kkjihhhgfeeeeee", 1, 9, true, true, true},
		{"a bench between two", "kkjihhhhgfedddd", 1, 4, true, true, true},
		{"begins on it", "kjihhhhh", 0, 3, false, true, true},
		{"ends on it", "kkkjih", 2, 5, true, false, true},
		{"ends before the toe is proved", "kkkjihh", 2, 5, true, false, true},
		{"unknown at the toe", "kkkjih?hhhh", 2, 5, true, false, true},
		{"unknown at the crest", "kkk?jihhhhh", 4, 6, false, true, true},
		{"unknown throughout", "????????", 0, 0, false, false, false},
		{"the second bank after an unknown", "k?kkkjihgggg", 4, 8, true, true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			var section []terrain.Station
			for i, r := range c.heights {
				section = append(section, terrain.Station{Distance: geo.Length(i), Height: geo.Length(r - 'a'), Known: r != '?'})
			}
			bank, ok := terrain.CrestToe(section, terrain.BankRule{})
			require.Equal(t, c.ok, ok)
			if !ok {
				return
			}
			assert.Equal(t, c.crest, bank.Crest.Distance.Metres(), "crest")
			assert.Equal(t, c.toe, bank.Toe.Distance.Metres(), "toe")
			assert.Equal(t, c.crestKnown, bank.CrestKnown, "crest known")
			assert.Equal(t, c.toeKnown, bank.ToeKnown, "toe known")
		})
	}
	low := []terrain.Station{
		{Distance: 0, Height: 5, Known: true},
		{Distance: 1, Height: 4.5, Known: true},
		{Distance: 2, Height: 4.5, Known: true},
		{Distance: 6, Height: 4.5, Known: true},
	}
	_, ok := terrain.CrestToe(low, terrain.BankRule{})
	assert.False(t, ok, "half a metre is no bank")
	got, ok := terrain.CrestToe(low, terrain.BankRule{Drop: 0.4})
	require.True(t, ok)
	assert.Equal(t, 0.5, got.Height().Metres())
}

// TestFallLineOfBank: from a point set back on ground that tips to the bank a
// little, over the edge and to the toe. Source: the bank's own geometry, to a
// cell.
func TestFallLineOfBank(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		direction := rapid.Float64Range(0, 360).Draw(t, "direction")
		slope := rapid.Float64Range(25, 60).Draw(t, "slope")
		back := rapid.Float64Range(1, 8).Draw(t, "back")
		sin, cos := math.Sincos(direction * math.Pi / 180)
		ground := bank(direction, slope)
		tipped := func(x, y float64) float64 { return ground(x, y) - 0.01*(x*sin+y*cos) }
		plane := local(-80, 40)
		s := surface(t, grid(t, 120, 120, 0.5, 0, 0, tipped), plane)
		fall, ok, err := s.FallLine(moved(t, plane, -back*sin, -back*cos), terrain.FallRule{})
		require.NoError(t, err)
		require.True(t, ok)
		assert.Equal(t, terrain.EndToe, fall.End)
		require.True(t, fall.HasBank && fall.HasBearing)
		assert.True(t, fall.Bank.CrestKnown && fall.Bank.ToeKnown)
		assert.InDelta(t, back, fall.Bank.Crest.Distance.Metres(), 1)
		long := 6 / math.Tan(slope*math.Pi/180)
		assert.InDelta(t, back+long, fall.Bank.Toe.Distance.Metres(), 1.2)
		assert.InDelta(t, 6, fall.Bank.Height().Metres(), 0.5)
		sideways := math.Atan(0.5/fall.Chord.Metres()) * 180 / math.Pi // a cell over the chord
		assert.Less(t, apart(direction, fall.Bearing.Degrees()), sideways)
		assert.InDelta(t, math.Min(10, long), fall.Chord.Metres(), 1.5)
	})
}

// TestFallLineOfPlane: the line of a plane is straight, and its bearing that
// of the gradient. Source: the twelve planes' exact directions.
func TestFallLineOfPlane(t *testing.T) {
	for _, c := range planeCases(t) {
		t.Run(c.name, func(t *testing.T) {
			plane := local(-80, 40)
			s := surface(t, grid(t, 101, 101, 1, 0, 0, func(x, y float64) float64 { return c.east*x + c.north*y }), plane)
			fall, ok, err := s.FallLine(orb.Point{-80, 40}, terrain.FallRule{BankRule: terrain.BankRule{Steep: geo.Degrees(4)}, Longest: 30})
			require.NoError(t, err)
			require.True(t, ok)
			if c.level {
				assert.Equal(t, terrain.EndLow, fall.End)
				assert.False(t, fall.HasBearing, "level ground has no direction")
				return
			}
			assert.Equal(t, terrain.EndFar, fall.End)
			require.True(t, fall.HasBearing)
			assert.Less(t, apart(c.azimuth, fall.Bearing.Degrees()), 1e-3)
			assert.InDelta(t, 10, fall.Chord.Metres(), 1e-6)
			assert.False(t, fall.Bank.CrestKnown, "the point is on the slope")
			last := fall.Path[len(fall.Path)-1]
			assert.InDelta(t, 30, last.Distance.Metres(), 0.002)
			assert.InDelta(t, -30*math.Tan(c.slope*math.Pi/180), (last.Height - fall.Path[0].Height).Metres(), 1e-2)
		})
	}
}

// TestFallLineStreamline: on z = (a x² + b y²)/2 the line of steepest descent
// is y = y₀ (x/x₀)^(b/a), by integrating dy/dx = by/ax.
func TestFallLineStreamline(t *testing.T) {
	const a, b, x0, y0 = 0.02, 0.04, 40.0, 30.0
	plane := local(-80, 40)
	s := surface(t, grid(t, 201, 201, 0.5, 0, 0, func(x, y float64) float64 { return (a*x*x + b*y*y) / 2 }), plane)
	fall, ok, err := s.FallLine(moved(t, plane, x0, y0), terrain.FallRule{})
	require.NoError(t, err)
	require.True(t, ok)
	require.True(t, fall.HasBank)
	for i, st := range fall.Path {
		x, y, err := plane.Forward(st.Point.Lon(), st.Point.Lat())
		require.NoError(t, err)
		require.InDelta(t, y0*math.Pow(x/x0, b/a), y, 0.15, "station %d", i)
		if i > 0 {
			require.Less(t, st.Height, fall.Path[i-1].Height, "always down")
		}
	}
}

// TestFallLineEnds: why a line ends, on ground made to end it so.
func TestFallLineEnds(t *testing.T) {
	plane := local(-80, 40)
	slope := func(x, y float64) float64 { return -0.5 * x }
	for _, c := range []struct {
		name   string
		height func(x, y float64) float64
		end    terrain.End
		toe    bool
	}{
		{"pit", func(x, y float64) float64 { return 0.5 * math.Hypot(x-20, y) }, terrain.EndLow, true},
		{"level ground below", func(x, y float64) float64 { return -0.5 * math.Min(x, 15) }, terrain.EndLow, true},
		{"outside", slope, terrain.EndOutside, false},
		{"unknown", func(x, y float64) float64 {
			if x > 30 {
				return math.NaN()
			}
			return slope(x, y)
		}, terrain.EndUnknown, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := surface(t, grid(t, 101, 101, 1, 0, 0, c.height), plane)
			fall, ok, err := s.FallLine(orb.Point{-80, 40}, terrain.FallRule{})
			require.NoError(t, err)
			require.True(t, ok)
			assert.Equal(t, c.end, fall.End, fall.End.String())
			require.True(t, fall.HasBank)
			assert.Equal(t, c.toe, fall.Bank.ToeKnown)
			assert.Less(t, apart(90, fall.Bearing.Degrees()), 0.5)
		})
	}
	s := surface(t, grid(t, 11, 11, 1, 0, 0, slope), plane)
	_, ok, err := s.FallLine(orb.Point{-81, 40}, terrain.FallRule{})
	require.NoError(t, err)
	assert.False(t, ok, "the point is outside")
	_, _, err = s.FallLine(orb.Point{-80, 40}, terrain.FallRule{Longest: -1})
	assert.Error(t, err)
}

// TestFallLineAlwaysFalls: on any ground the line goes down, stays where
// heights are known, and ends.
func TestFallLineAlwaysFalls(t *testing.T) {
	const seed = 11
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	rough := grid(t, 60, 60, 2, 0, 0, func(x, y float64) float64 {
		if r.IntN(40) == 0 {
			return math.NaN()
		}
		return 5*math.Sin(x/9)*math.Cos(y/13) + r.Float64()
	})
	plane := local(30, -20)
	s := surface(t, rough, plane)
	for range 100 {
		fall, ok, err := s.FallLine(moved(t, plane, 100*r.Float64()-50, 100*r.Float64()-50), terrain.FallRule{})
		require.NoError(t, err)
		for i, st := range fall.Path {
			require.True(t, st.Known)
			if i > 0 {
				require.Less(t, st.Height, fall.Path[i-1].Height)
				require.Greater(t, st.Distance, fall.Path[i-1].Distance)
			}
		}
		require.Equal(t, ok, len(fall.Path) > 0)
	}
}
