package together_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/sqlite"
	"holdfast/survey/together"
)

var (
	anyRev survey.Opt[int64]
	crew   = sqlite.Author{Who: "crew"}
)

func atlas(t *testing.T) *sqlite.Store {
	t.Helper()
	s, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, s.Close()) })
	return s
}

func local(s *sqlite.Store) together.Local { return together.Local{Atlas: s, Author: crew} }

// served is an atlas behind a server, asked by way of a transport.
func served(t *testing.T, s *sqlite.Store) *together.Remote {
	t.Helper()
	h, err := server.New(server.Config{Store: s})
	require.NoError(t, err)
	web := httptest.NewServer(h)
	t.Cleanup(web.Close)
	r, err := together.Dial(web.URL, "")
	require.NoError(t, err)
	return r
}

func point(label string) survey.Point {
	return survey.Point{ID: label, Site: "kb", Label: label, Position: orb.Point{-91.205, 44.655}}
}

// fill writes something of everything that is exchanged.
func fill(t *testing.T, s *sqlite.Store) {
	t.Helper()
	ctx := t.Context()
	_, err := s.PutSite(ctx, survey.Site{ID: "kb", Name: "Kiln Bend", Code: "KB", Geometry: orb.Point{-91.2, 44.65}}, crew, anyRev)
	require.NoError(t, err)
	for i := range 1200 { // more than one parcel
		_, err := s.PutPoint(ctx, point(fmt.Sprintf("P%d", i)), crew, anyRev)
		require.NoError(t, err)
	}
	_, err = s.AddLayer(ctx, survey.Layer{ID: "gas", Title: "Gas mains", Role: survey.RoleBuried}, func(yield func(survey.LayerFeature, error) bool) {
		for i := range 300 {
			if !yield(survey.LayerFeature{ID: fmt.Sprint("g", i), Geometry: orb.LineString{{-91.2, 44.65}, {-91.2, 44.66}}, Heights: []float64{1, 2}, Properties: []byte(`{"a": "<&>"}`)}, nil) {
				return
			}
		}
	}, crew)
	require.NoError(t, err)
	_, _, err = s.ImportRaster(ctx, survey.Layer{ID: "ground", Title: "Ground", Role: survey.RoleElevation}, orb.Polygon{{{-91.3, 44.6}, {-91.1, 44.6}, {-91.1, 44.8}, {-91.3, 44.6}}}, strings.NewReader(strings.Repeat("231 232\n", 90_000)), sqlite.Origin{File: "ground.tif", Size: 720_000, SHA256: strings.Repeat("ab", 32), Report: func() (json.RawMessage, error) { return json.RawMessage(`{}`), nil }}, crew)
	require.NoError(t, err)
	require.NoError(t, s.AddPhotoTo(ctx, sqlite.Photo{ID: "f1", Point: "P0", Source: make([]byte, 32), Width: 1, Height: 1, JPEG: []byte("picture"), Small: []byte("small")}, crew))
}

func sound(t *testing.T, s *sqlite.Store) {
	t.Helper()
	r, err := sqlite.Check(t.Context(), s.Path(), nil)
	require.NoError(t, err)
	require.Empty(t, r.Findings)
}

// What is said of a layer is exchanged without sending again what it holds.
func TestLayerDescribedElsewhere(t *testing.T) {
	hq, laptop := atlas(t), atlas(t)
	fill(t, hq)
	exchange := func() together.Summary {
		sum, err := together.Exchange(t.Context(), local(laptop), local(hq), nil)
		require.NoError(t, err)
		return sum
	}
	exchange()
	l, err := laptop.Layer(t.Context(), "gas")
	require.NoError(t, err)
	l.Role, l.Title = survey.RoleOverhead, "Power lines"
	_, err = laptop.DescribeLayer(t.Context(), l, anyRev, crew)
	require.NoError(t, err)
	sum := exchange()
	assert.Equal(t, []int{1, 0}, []int{sum.Sent, sum.Contents})
	got, err := hq.Layer(t.Context(), "gas")
	require.NoError(t, err)
	assert.Equal(t, l, got)
	fs, err := hq.Features(t.Context(), "gas", sqlite.Filter{Limit: 1})
	require.NoError(t, err)
	assert.Equal(t, survey.RoleOverhead, fs[0].Role)
	for _, s := range []*sqlite.Store{hq, laptop} {
		sound(t, s)
	}
}

// A new laptop gets everything from headquarters, over the network and by a
// stick; a second exchange finds nothing to do.
func TestNewStation(t *testing.T) {
	hq := atlas(t)
	fill(t, hq)
	for name, there := range map[string]together.Atlas{"server": served(t, hq), "file": local(hq)} {
		t.Run(name, func(t *testing.T) {
			laptop := atlas(t)
			sum, err := together.Exchange(t.Context(), local(laptop), there, nil)
			require.NoError(t, err)
			assert.Equal(t, 1204, sum.Received)
			assert.Equal(t, 3, sum.Contents)
			for _, id := range []string{"gas", "ground"} {
				want, err := hq.Layer(t.Context(), id)
				require.NoError(t, err)
				got, err := laptop.Layer(t.Context(), id)
				require.NoError(t, err)
				assert.Equal(t, want, got)
			}
			fs, err := laptop.Features(t.Context(), "gas", sqlite.Filter{})
			require.NoError(t, err)
			assert.Len(t, fs, 300)
			p, err := laptop.Photo(t.Context(), "f1")
			require.NoError(t, err)
			assert.Equal(t, "picture", string(p.JPEG))
			assert.Equal(t, "crew", p.AddedBy)
			sound(t, laptop)

			again, err := together.Exchange(t.Context(), local(laptop), there, nil)
			require.NoError(t, err)
			assert.Equal(t, together.Summary{With: sum.With}, again)
		})
	}
}

// flaky breaks off an exchange at random: before the other side was asked, or
// after it answered and before the answer came.
type flaky struct {
	together.Atlas
	rng *rand.Rand
}

var errCut = errors.New("the connection broke")

func (f flaky) cut(err error) error {
	if f.rng.IntN(6) == 0 {
		return errCut
	}
	return err
}

func (f flaky) Parcel(ctx context.Context, after sqlite.Mark) (sqlite.Parcel, error) {
	p, err := f.Atlas.Parcel(ctx, after)
	return p, f.cut(err)
}

func (f flaky) Take(ctx context.Context, p sqlite.Parcel) (sqlite.Taken, error) {
	if f.rng.IntN(6) == 0 {
		return sqlite.Taken{}, errCut
	}
	t, err := f.Atlas.Take(ctx, p)
	return t, f.cut(err)
}

func (f flaky) Give(ctx context.Context, c sqlite.Content, from io.Reader) error {
	return f.Atlas.Give(ctx, c, io.LimitReader(from, f.rng.Int64N(2_000_000)))
}

// Both edited apart, and every exchange breaks off somewhere until one does
// not: they agree, and nothing is torn.
func TestBrokenOff(t *testing.T) {
	hq, laptop := atlas(t), atlas(t)
	fill(t, hq)
	there := flaky{served(t, hq), rand.New(rand.NewPCG(20261125, 1))}
	exchange := func() {
		for range 200 {
			_, err := together.Exchange(t.Context(), local(laptop), there, nil)
			if err == nil {
				return
			}
			require.True(t, errors.Is(err, errCut) || strings.Contains(err.Error(), "torn"), "%v", err)
		}
		t.Fatal("no exchange came to its end")
	}
	exchange()
	for i, s := range []*sqlite.Store{hq, laptop} {
		row, err := s.Point(t.Context(), "P1")
		require.NoError(t, err)
		row.Item.Terrain.SlopeDeg = survey.Known(float64(30 + i))
		_, err = s.PutPoint(t.Context(), row.Item, crew, survey.Known(row.Revision))
		require.NoError(t, err)
		_, err = s.AddLayer(t.Context(), survey.Layer{ID: "crest", Title: fmt.Sprint("Crest ", i), Role: survey.RoleCrest}, func(yield func(survey.LayerFeature, error) bool) {
			yield(survey.LayerFeature{Geometry: orb.LineString{{-91.2, 44.65}, {-91.2, 44.66 + float64(i)/100}}}, nil)
		}, crew)
		require.NoError(t, err)
	}
	exchange()
	a, err := hq.OpenConflicts(t.Context())
	require.NoError(t, err)
	b, err := laptop.OpenConflicts(t.Context())
	require.NoError(t, err)
	require.Len(t, a, 2, "the slope, and the editions of the crest")
	for i := range a {
		assert.Equal(t, a[i].Sides, b[i].Sides)
	}
	for _, s := range []*sqlite.Store{hq, laptop} {
		l, err := s.Layer(t.Context(), "crest")
		require.NoError(t, err)
		assert.Equal(t, "Crest 1", l.Title, "the later edition, with what it holds")
		sound(t, s)
	}
}

func TestDial(t *testing.T) {
	for address, says := range map[string]string{
		"ftp://x": "is no address", "http://": "is no address", "http://a:b@c": "is no address", "http://x?y=1": "is no address", "http://station.example": "in the clear",
	} {
		_, err := together.Dial(address, "token")
		require.ErrorIs(t, err, survey.ErrInvalid, address)
		assert.ErrorContains(t, err, says)
	}
	web := httptest.NewServer(http.NotFoundHandler())
	defer web.Close()
	r, err := together.Dial(web.URL, "token")
	require.NoError(t, err)
	_, err = r.Standing(t.Context(), "x")
	assert.ErrorIs(t, err, survey.ErrNotFound)
}

// lead is an atlas that takes all but layers, as a server does from a lead who
// may not bring them in.
type lead struct{ together.Local }

func (l lead) Take(ctx context.Context, p sqlite.Parcel) (sqlite.Taken, error) {
	return l.Atlas.TakeWhere(ctx, p, crew, func(collection string) error {
		if collection == sqlite.Layers {
			return errors.New("you may not")
		}
		return nil
	})
}

// What one may not bring is left out and named each time, all else goes on, and
// both are the same as soon as somebody may.
func TestLeftOutUntilSomebodyMay(t *testing.T) {
	hq, laptop := atlas(t), atlas(t)
	fill(t, laptop)
	after, err := laptop.PutPoint(t.Context(), point("after the layers"), crew, anyRev)
	require.NoError(t, err)
	for sent := range 2 {
		sum, err := together.Exchange(t.Context(), local(laptop), lead{local(hq)}, nil)
		require.NoError(t, err)
		assert.Equal(t, []sqlite.Left{{Collection: sqlite.Layers, ID: "gas", Why: "you may not"}, {Collection: sqlite.Layers, ID: "ground", Why: "you may not"}}, sum.LeftOut)
		assert.Equal(t, []int{1203, 0}[sent], sum.Sent)
		row, err := hq.Point(t.Context(), after.Item.ID)
		require.NoError(t, err)
		assert.Equal(t, after.Item, row.Item)
		_, err = hq.Photo(t.Context(), "f1")
		require.NoError(t, err)
		_, err = hq.Layer(t.Context(), "gas")
		require.ErrorIs(t, err, survey.ErrNotFound)
		sound(t, hq)
	}
	sum, err := together.Exchange(t.Context(), local(laptop), local(hq), nil)
	require.NoError(t, err)
	assert.Empty(t, sum.LeftOut)
	assert.Equal(t, 2, sum.Sent)
	for _, id := range []string{"gas", "ground"} {
		want, err := laptop.Layer(t.Context(), id)
		require.NoError(t, err)
		got, err := hq.Layer(t.Context(), id)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	sound(t, hq)
	again, err := together.Exchange(t.Context(), local(laptop), lead{local(hq)}, nil)
	require.NoError(t, err)
	assert.Equal(t, together.Summary{With: again.With}, again)
}
