package sqlite_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func labels(rows []sqlite.Row[survey.Point]) []string {
	out := []string{}
	for _, r := range rows {
		out = append(out, r.Item.Label)
	}
	return out
}

func TestPages(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	var points []survey.Point
	for i := range 25 {
		points = append(points, stand("KB", fmt.Sprintf("P%02d", i)))
	}
	far := knoll()
	far.Code, far.Name, far.Geometry, far.Heights = "FR", "Far Reach", orb.Point{10, 50}, nil
	require.NoError(t, s.ImportAll(ctx, []survey.Site{knoll(), far}, points, officer))

	var got []string
	for after := ""; ; {
		page, err := s.Points(ctx, sqlite.Filter{Site: "KB", After: after, Limit: 10})
		require.NoError(t, err)
		if len(page) == 0 {
			break
		}
		got = append(got, labels(page)...)
		after = page[len(page)-1].Item.ID
	}
	assert.Len(t, got, 25)
	slices.Sort(got)
	assert.Len(t, slices.Compact(got), 25, "every point once")

	for _, c := range []struct {
		name string
		f    sqlite.Filter
		want int
	}{
		{"all", sqlite.Filter{}, 25},
		{"whatever page", sqlite.Filter{Limit: 3, After: "zzz"}, 25},
		{"by text in any case", sqlite.Filter{Text: "p1"}, 10},
		{"a text is no pattern", sqlite.Filter{Text: "%"}, 0},
		{"by a site without points", sqlite.Filter{Site: "FR"}, 0},
		{"by a site that is not there", sqlite.Filter{Site: "XX"}, 0},
		{"by bounds", sqlite.Filter{Bound: &orb.Bound{Min: orb.Point{-92, 44}, Max: orb.Point{-91, 45}}}, 25},
		{"by bounds elsewhere", sqlite.Filter{Bound: &orb.Bound{Min: orb.Point{0, 0}, Max: orb.Point{1, 1}}}, 0},
		{"by all at once", sqlite.Filter{Bound: &orb.Bound{Min: orb.Point{-92, 44}, Max: orb.Point{-91, 45}}, Site: "kb", Text: "P0"}, 10},
	} {
		t.Run(c.name, func(t *testing.T) {
			n, err := s.CountPoints(ctx, c.f)
			require.NoError(t, err)
			assert.Equal(t, c.want, n)
		})
	}
	for text, want := range map[string]int{"bend": 1, "KILN": 1, "fr": 1, "far reach": 1, "": 2} {
		n, err := s.CountSites(ctx, sqlite.Filter{Text: text})
		require.NoError(t, err)
		assert.Equal(t, want, n, text)
	}
	sites, err := s.Sites(ctx, sqlite.Filter{Site: "fr"})
	require.NoError(t, err)
	require.Len(t, sites, 1)
	_, err = s.Points(ctx, sqlite.Filter{Bound: &orb.Bound{Min: orb.Point{math.NaN(), 0}}})
	assert.ErrorIs(t, err, survey.ErrInvalid)
	b, ok, err := s.Bounds(ctx)
	require.NoError(t, err)
	assert.True(t, ok)
	assertRound(t, orb.Bound{Min: orb.Point{-91.21, 44.65}, Max: orb.Point{10, 50}}, b)
	around, ok, err := s.Extent(ctx, sqlite.Sites)
	require.NoError(t, err)
	assert.True(t, ok)
	assertRound(t, orb.Bound{Min: orb.Point{-91.21, 44.65}, Max: orb.Point{10, 50}}, around)
}

// assertRound holds a box against the exact one: it holds all of it and is
// wider by no more than two steps of a 32-bit number, 1.5e-5 degrees at most
// (IEEE 754: 24 bits of mantissa, so 2^-16 between 128 and 256).
func assertRound(t *testing.T, exact, box orb.Bound) {
	t.Helper()
	assert.True(t, box.Contains(exact.Min) && box.Contains(exact.Max), "%v round %v", box, exact)
	for i := range 2 {
		assert.InDelta(t, exact.Min[i], box.Min[i], 3.1e-5)
		assert.InDelta(t, exact.Max[i], box.Max[i], 3.1e-5)
	}
}

// The root of the index speaks for every leaf, also of many, and after what
// lay outermost is gone.
func TestExtentOfMany(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	site := survey.Site{ID: "far", Name: "Far", Code: "F-1", Kind: "riverbank", Geometry: orb.Point{0, 0}}
	_, err := s.PutSite(ctx, site, officer, survey.Opt[int64]{})
	require.NoError(t, err)
	r := rand.New(rand.NewPCG(7, 7)) // fixed seed
	left := map[string]orb.Point{}
	for i := range 400 {
		p := survey.Point{ID: fmt.Sprint("p", i), Site: "far", Label: fmt.Sprint("P", i), Position: orb.Point{r.Float64()*358 - 179, r.Float64()*178 - 89}}
		_, err := s.PutPoint(ctx, p, officer, survey.Opt[int64]{})
		require.NoError(t, err)
		left[p.ID] = p.Position
	}
	holds := func() {
		exact := orb.Bound{Min: orb.Point{180, 90}, Max: orb.Point{-180, -90}}
		for _, p := range left {
			exact = exact.Extend(p)
		}
		box, ok, err := s.Extent(ctx, sqlite.Points)
		require.NoError(t, err)
		require.True(t, ok)
		assertRound(t, exact, box)
	}
	holds()
	for id, p := range left {
		if math.Abs(p[0]) > 60 {
			require.NoError(t, s.DeletePoint(ctx, id, officer, survey.Opt[int64]{}))
			delete(left, id)
		}
	}
	holds()
}

func TestBoundsOfNothing(t *testing.T) {
	s := newAtlas(t)
	_, ok, err := s.Bounds(t.Context())
	require.NoError(t, err)
	assert.False(t, ok)
	_, ok, err = s.Extent(t.Context(), sqlite.Points)
	require.NoError(t, err)
	assert.False(t, ok)
	_, _, err = s.Extent(t.Context(), "gas")
	assert.ErrorIs(t, err, survey.ErrNotFound)
}

// The box index holds 32-bit numbers: the exact coordinate decides, also where
// both round to the same one (a longitude of -91 is kept to about 0.6 m).
func TestBoundIsExact(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	p := stand("KB", "P1")
	p.Position = orb.Point{-91.20000001, 44.65}
	putPoint(t, s, p)
	inside := func(west float64) int {
		n, err := s.CountPoints(t.Context(), sqlite.Filter{Bound: &orb.Bound{Min: orb.Point{west, 44}, Max: orb.Point{-91, 45}}})
		require.NoError(t, err)
		return n
	}
	assert.Equal(t, 1, inside(-91.20000001), "the edge counts as inside")
	assert.Equal(t, 0, inside(-91.20000000))
}

// Near the poles and across the 180° meridian no point within the distance is
// missed. The yardstick is the haversine on a sphere of a²/b = 6 399 593.6 m,
// the greatest radius of curvature of WGS 84 (NIMA TR8350.2 table 3.3): places
// are never further apart on the ellipsoid than there.
func TestPointsWithin(t *testing.T) {
	s := newAtlas(t)
	putSite(t, s, knoll())
	var all []survey.Point
	for _, lat := range []float64{-90, -89.9995, -60, -0.001, 0, 44.65, 71.3, 89.99, 89.9999, 90} {
		for _, lon := range []float64{-180, -179.9995, -91.2, -0.0003, 0, 12, 179.9996, 180} {
			p := stand("KB", fmt.Sprintf("%g %g", lon, lat))
			p.Position = orb.Point{lon, lat}
			all = append(all, p)
		}
	}
	require.NoError(t, s.ImportAll(t.Context(), nil, all, officer))
	haversine := func(a, b orb.Point) float64 {
		rad := math.Pi / 180
		dLat, dLon := (b.Lat()-a.Lat())*rad/2, (b.Lon()-a.Lon())*rad/2
		h := math.Pow(math.Sin(dLat), 2) + math.Cos(a.Lat()*rad)*math.Cos(b.Lat()*rad)*math.Pow(math.Sin(dLon), 2)
		return 2 * 6399593.6 * math.Asin(math.Min(1, math.Sqrt(h)))
	}
	rapid.Check(t, func(rt *rapid.T) {
		from := rapid.SampledFrom(all).Draw(rt, "near").Position
		from[0] = math.Max(-180, math.Min(180, from[0]+rapid.Float64Range(-0.002, 0.002).Draw(rt, "dlon")))
		from[1] = math.Max(-90, math.Min(90, from[1]+rapid.Float64Range(-0.002, 0.002).Draw(rt, "dlat")))
		r := rapid.Float64Range(1, 400).Draw(rt, "r")
		rows, err := s.PointsWithin(t.Context(), from, geo.Length(r))
		if err != nil {
			rt.Fatal(err)
		}
		got := labels(rows)
		for _, p := range all {
			if haversine(from, p.Position) <= r && !slices.Contains(got, p.Label) {
				rt.Fatalf("%v within %g m of %v is missed", p.Position, r, from)
			}
		}
	})
	few, err := s.PointsWithin(t.Context(), orb.Point{-91.2, 44.65}, 100)
	require.NoError(t, err)
	assert.Len(t, few, 1, "the box is not the world")
	for _, bad := range []orb.Point{{0, 91}, {181, 0}, {math.NaN(), 0}} {
		_, err := s.PointsWithin(t.Context(), bad, 1)
		assert.ErrorIs(t, err, survey.ErrInvalid)
	}
}
