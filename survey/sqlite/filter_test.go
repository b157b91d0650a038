package sqlite_test

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/paulmach/orb/clip"
	"github.com/paulmach/orb/planar"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/geo"
	"holdfast/geo/cql2"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

func where(t testing.TB, src string, q cql2.Queryables) *cql2.Filter {
	t.Helper()
	e, err := cql2.ParseText(src)
	require.NoError(t, err, src)
	f, err := cql2.Compile(e, q)
	require.NoError(t, err, src)
	return f
}

// TestWhere asks sites, points and a layer for what they hold, by conditions
// that SQL answers and by ones that only Go can.
func TestWhere(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	bare := survey.Site{ID: "bare", Name: "Ämter Wharf", Code: "AW", Geometry: orb.LineString{{10, 50}, {11, 51}}}
	site := knoll()
	site.ID, site.Hazards = "knoll", []string{"barbed wire", "undercut"}
	a, b := stand("KB", "A1"), stand("AW", "B1")
	a.ID, b.ID = "a", "b"
	a.Anchors = []survey.Anchor{{ID: "T1", Kind: survey.KindTree, DiameterMM: survey.Known(300.0)}, {ID: "T2", Kind: survey.KindRock}}
	b.Position, b.ElevationM, b.SurveyedAt = orb.Point{10, 50}, survey.Opt[geo.Length]{}, survey.Opt[time.Time]{}
	b.Ground, b.Terrain = survey.Ground{}, survey.Terrain{SlopeDeg: survey.Known(37.5)}
	require.NoError(t, s.ImportAll(ctx, []survey.Site{site, bare}, []survey.Point{a, b}, officer))
	_, err := s.AddLayer(ctx, gas(), sequence(awkward()...), officer)
	require.NoError(t, err)

	queryables := cql2.Queryables{
		"geometry": cql2.GeometryType, "id": cql2.StringType, "updated": cql2.TimestampType, "site": cql2.StringType, "label": cql2.StringType, "name": cql2.StringType,
		"ground.class": cql2.StringType, "terrain.slope_deg": cql2.NumberType, "surveyed_at": cql2.TimestampType, "anchors.kind": cql2.ArrayType, "hazards": cql2.ArrayType,
		"water.datum_m": cql2.NumberType, "d": cql2.NumberType, "mm": cql2.NumberType, "ü": cql2.StringType, "source_id": cql2.StringType,
	}
	const points, sites, layer = "points", "sites", "gas"
	for _, c := range []struct{ collection, where, want string }{
		{points, "label = 'A1'", "a"},
		{points, "id IN ('a', 'b')", "a b"},
		{points, "site = 'knoll'", "a"},
		{points, "ground.class = 'B'", "a"},
		{points, "ground.class IS NULL", "b"},
		{points, "terrain.slope_deg >= 0", "a b"},
		{points, "terrain.slope_deg = 0", "a"},
		{points, "terrain.slope_deg > 30 AND label LIKE 'B%'", "b"},
		{points, "terrain.slope_deg % 2 = 0", "a"},
		{points, "CASEI(label) = casei('a1')", "a"},
		{points, "A_CONTAINS(anchors.kind, ('tree'))", "a"},
		{points, "anchors.kind IS NULL", "b"},
		{points, "anchors.kind IS NOT NULL", "a"},
		{points, "surveyed_at IS NULL OR T_AFTER(surveyed_at, TIMESTAMP('2026-05-04T11:00:00Z'))", "a b"},
		{points, "T_BEFORE(surveyed_at, DATE('2026-05-04'))", ""},
		{points, "updated >= TIMESTAMP('2026-05-04T12:00:00Z')", "a b"},
		{points, "updated > TIMESTAMP('2026-05-04T12:00:01Z')", ""},
		{points, "S_INTERSECTS(geometry, BBOX(9,49,11,51))", "b"},
		{points, "S_WITHIN(geometry, POLYGON((9 49,12 49,11 52,9 49)))", "b"},
		{points, "NOT S_WITHIN(geometry, POLYGON((9 49,12 49,11 52,9 49)))", "a"},
		{points, "geometry IS NOT NULL", "a b"},
		{sites, "A_CONTAINS(hazards, ('undercut'))", "knoll"},
		{sites, "hazards IS NULL", "bare"},
		{sites, "ACCENTI(CASEI(name)) LIKE accenti(casei('amter%'))", "bare"},
		{sites, "water.datum_m = 0", "knoll"},
		{sites, "S_INTERSECTS(geometry, POINT(10.5 50.5))", "bare"},
		{sites, "S_INTERSECTS(geometry, POINT(10.5 50.4))", ""},
		{layer, "d = 0", "1"},
		{layer, "mm BETWEEN 100 AND 200", "2"},
		{layer, `"ü" IS NULL AND mm IS NOT NULL`, "2"},
		{layer, "source_id = 'kept'", "3"},
		{layer, "d = 0 AND mm = 150", ""},
		{layer, "S_INTERSECTS(geometry, POINT(20.5 20.5))", "7"},
		{layer, "S_INTERSECTS(geometry, BBOX(170,-90,-170,0))", "5"},
		{layer, "S_DISJOINT(geometry, BBOX(-180,-90,180,21))", "1 2"},
	} {
		t.Run(c.collection+"/"+c.where, func(t *testing.T) {
			f := sqlite.Filter{Where: where(t, c.where, queryables)}
			ids, n := chosen(t, s, c.collection, f)
			assert.Equal(t, c.want, strings.Join(ids, " "))
			assert.Equal(t, len(ids), n, "count")
		})
	}
}

// chosen returns the ids that a filter chooses and its count.
func chosen(t testing.TB, s *sqlite.Store, collection string, f sqlite.Filter) ([]string, int) {
	t.Helper()
	ids := []string{}
	var n int
	var err error
	switch collection {
	case sqlite.Points:
		rows, e := s.Points(t.Context(), f)
		require.NoError(t, e)
		for _, r := range rows {
			ids = append(ids, r.Item.ID)
		}
		n, err = s.CountPoints(t.Context(), f)
	case sqlite.Sites:
		rows, e := s.Sites(t.Context(), f)
		require.NoError(t, e)
		for _, r := range rows {
			ids = append(ids, r.Item.ID)
		}
		n, err = s.CountSites(t.Context(), f)
	default:
		fs, e := s.Features(t.Context(), collection, f)
		require.NoError(t, e)
		for _, f := range fs {
			ids = append(ids, f.ID)
		}
		n, err = s.CountFeatures(t.Context(), collection, f)
	}
	require.NoError(t, err)
	return ids, n
}

// TestOrders walks pages in every order, with labels that repeat.
func TestOrders(t *testing.T) {
	at := noon
	s := open(t, t.TempDir()+"/a.db", sqlite.Options{Create: true, Now: func() time.Time { return at }})
	putSite(t, s, knoll())
	rng := rand.New(rand.NewPCG(5, 5)) // fixed seed
	var all []sqlite.Row[survey.Point]
	for i := range 60 {
		at = noon.Add(time.Duration(rng.IntN(20)) * time.Microsecond)
		p := stand("KB", fmt.Sprintf("P%d", rng.IntN(25)))
		p.ID = fmt.Sprintf("id%02d", i)
		all = append(all, putPoint(t, s, p))
	}
	require.NoError(t, s.DeletePoint(t.Context(), "id07", officer, anyRev))
	all = slices.Delete(all, 7, 8)
	key := func(o sqlite.Order, r sqlite.Row[survey.Point]) string {
		switch o.By {
		case "label":
			return r.Item.Label
		case sqlite.UpdatedName:
			return r.UpdatedKey()
		}
		return ""
	}
	for _, by := range []string{"", sqlite.IDName, "label", sqlite.UpdatedName} {
		for _, down := range []bool{false, true} {
			o := sqlite.Order{By: by, Down: down}
			t.Run(fmt.Sprint(o), func(t *testing.T) {
				want := slices.SortedFunc(slices.Values(all), func(a, b sqlite.Row[survey.Point]) int {
					c := cmp.Or(cmp.Compare(key(o, a), key(o, b)), cmp.Compare(a.Item.ID, b.Item.ID))
					if down {
						return -c
					}
					return c
				})
				f := sqlite.Filter{Order: o, Limit: 7}
				var got []sqlite.Row[survey.Point]
				for {
					page, err := s.Points(t.Context(), f)
					require.NoError(t, err)
					got = append(got, page...)
					if len(page) < 7 {
						break
					}
					last := page[6]
					f.After, f.AfterKey = last.Item.ID, key(o, last)
				}
				assert.Equal(t, want, got)
			})
		}
	}
	_, err := s.Points(t.Context(), sqlite.Filter{Order: sqlite.Order{By: "ground.class"}})
	assert.ErrorIs(t, err, survey.ErrInvalid)
	_, err = s.Sites(t.Context(), sqlite.Filter{Order: sqlite.Order{By: "label"}})
	assert.ErrorIs(t, err, survey.ErrInvalid)
	sites, err := s.Sites(t.Context(), sqlite.Filter{Order: sqlite.Order{By: "name", Down: true}})
	require.NoError(t, err)
	assert.Len(t, sites, 1)
}

// TestShapesMeetTheBox holds the lists by bounds to the shapes themselves, in
// boxes with few rows and with more than the index is used for: a line is cut
// along the box, and a polygon meets it too when it holds a corner.
func TestShapesMeetTheBox(t *testing.T) {
	const many = 6000
	rng := rand.New(rand.NewPCG(7, 7)) // fixed seed
	at := func(size float64) orb.Point {
		return orb.Point{size * (rng.Float64() - 0.5), size * (rng.Float64() - 0.5)}
	}
	shapes := make([]orb.Geometry, many)
	features := make([]survey.LayerFeature, many)
	for i := range shapes {
		from := at(20)
		line := orb.LineString{from}
		for range 1 + rng.IntN(3) {
			step := at(3)
			last := line[len(line)-1]
			line = append(line, orb.Point{last[0] + step[0], last[1] + step[1]})
		}
		switch {
		case i%3 == 0:
			shapes[i] = from
		case i%3 == 1 || len(line) < 3:
			shapes[i] = line
		default:
			shapes[i] = orb.Polygon{orb.Ring{line[0], line[1], line[2], line[0]}}
		}
		features[i] = survey.LayerFeature{Geometry: shapes[i]}
	}
	s := newAtlas(t)
	_, err := s.AddLayer(t.Context(), gas(), sequence(features...), officer)
	require.NoError(t, err)
	_, err = s.AddLayer(t.Context(), survey.Layer{ID: "other", Title: "Other", Role: survey.RoleOther}, sequence(features[:10]...), officer)
	require.NoError(t, err)
	rapid.Check(t, func(rt *rapid.T) {
		west, south := rapid.Float64Range(-14, 14).Draw(rt, "west"), rapid.Float64Range(-14, 14).Draw(rt, "south")
		b := orb.Bound{Min: orb.Point{west, south}, Max: orb.Point{west + rapid.Float64Range(0, 24).Draw(rt, "wide"), south + rapid.Float64Range(0, 24).Draw(rt, "high")}}
		want := []string{}
		for i, g := range shapes {
			if meets(g, b) {
				want = append(want, fmt.Sprint(i+1))
			}
		}
		ids, n := chosen(t, s, "gas", sqlite.Filter{Bound: &b})
		require.Equal(rt, want, ids)
		require.Equal(rt, len(want), n)
		if len(want) > 0 {
			page, _ := chosen(t, s, "gas", sqlite.Filter{Bound: &b, Limit: 1, After: "0"})
			require.Equal(rt, want[:1], page)
			last, _ := chosen(t, s, "gas", sqlite.Filter{Bound: &b, Limit: 1, Order: sqlite.Order{Down: true}})
			require.Equal(rt, want[len(want)-1:], last)
		}
	})
}

func meets(g orb.Geometry, b orb.Bound) bool {
	switch g := g.(type) {
	case orb.Point:
		return b.Contains(g)
	case orb.LineString:
		return len(clip.LineString(b, g)) > 0
	case orb.Polygon:
		return len(clip.LineString(b, orb.LineString(g[0]))) > 0 || planar.PolygonContains(g, b.Min)
	}
	return false
}

// A line that was not cut at the 180° meridian is found on either side of it.
func TestUncutLineIsFound(t *testing.T) {
	s := newAtlas(t)
	_, err := s.AddLayer(t.Context(), gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	for _, b := range []orb.Bound{
		{Min: orb.Point{179.96, 9}, Max: orb.Point{180, 11}},
		{Min: orb.Point{-180, 9}, Max: orb.Point{-179.96, 11}},
		{Min: orb.Point{179.99, 9}, Max: orb.Point{-179.99, 11}},
	} {
		ids, n := chosen(t, s, "gas", sqlite.Filter{Bound: &b})
		assert.Equal(t, []string{"8"}, ids)
		assert.Equal(t, 1, n)
	}
}

func TestLayerContents(t *testing.T) {
	s := newAtlas(t)
	ctx := t.Context()
	rows := []string{
		`{"text":"a","whole":1,"real":1,"yes":true,"day":"2024-02-29","time":"2024-02-29T10:00:00Z","list":[1],"object":{"a":1},"nothing":null,"mixed":1,"days and words":"2024-02-29"}`,
		`{"text":"2024-02-29","whole":-7,"real":1.5,"yes":false,"day":"1999-12-31","time":"2024-02-29T10:00:00.25","list":[],"mixed":"1","days and words":"2024-02-30"}`,
		`{"text":null,"time":"2024-02-29T10:00:00-06:00","real":2e3}`,
	}
	var fs []survey.LayerFeature
	for i, r := range rows {
		fs = append(fs, survey.LayerFeature{Geometry: orb.Point{float64(i), 10 * float64(i)}, Properties: json.RawMessage(r)})
	}
	fs = append(fs, survey.LayerFeature{Geometry: orb.Point{-3, 5}})
	_, err := s.AddLayer(ctx, gas(), sequence(fs...), officer)
	require.NoError(t, err)
	want := []sqlite.Property{
		{Name: "day", Type: sqlite.Date},
		{Name: "days and words", Type: sqlite.Text},
		{Name: "list", Type: sqlite.List},
		{Name: "mixed", Type: sqlite.Text},
		{Name: "nothing", Type: sqlite.Text},
		{Name: "real", Type: sqlite.Real},
		{Name: "text", Type: sqlite.Text},
		{Name: "time", Type: sqlite.Timestamp},
		{Name: "whole", Type: sqlite.Integer},
		{Name: "yes", Type: sqlite.Boolean},
	}
	check := func() {
		b, got, ok, err := s.LayerContents(ctx, "gas")
		require.NoError(t, err)
		require.True(t, ok)
		assert.Equal(t, orb.Bound{Min: orb.Point{-3, 0}, Max: orb.Point{2, 20}}, b)
		assert.Equal(t, want, got)
	}
	check()
	write, _ := s.Pools()
	_, err = write.ExecContext(ctx, `DELETE FROM layer_contents`)
	require.NoError(t, err)
	check() // as of a layer from before the table

	_, err = s.AddLayer(ctx, gas(), sequence(fs[3]), officer)
	require.NoError(t, err)
	_, got, _, err := s.LayerContents(ctx, "gas")
	require.NoError(t, err)
	assert.Empty(t, got, "the next edition has no properties")
	_, err = s.AddLayer(ctx, gas(), sequence(), officer)
	require.NoError(t, err)
	_, _, ok, err := s.LayerContents(ctx, "gas")
	require.NoError(t, err)
	assert.False(t, ok)
	require.NoError(t, s.RemoveLayer(ctx, "gas", officer))
	_, _, _, err = s.LayerContents(ctx, "gas")
	assert.ErrorIs(t, err, survey.ErrNotFound)
}
