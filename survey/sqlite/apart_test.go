package sqlite_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/data"
	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// station is an atlas with a clock of its own.
type station struct {
	*sqlite.Store
	name string
	time time.Time
	tick time.Duration // by which it goes on at each change
}

func newStation(t testing.TB, name string) *station {
	t.Helper()
	s := &station{name: name, time: noon, tick: time.Minute}
	s.Store = open(t, filepath.Join(t.TempDir(), name+".db"), sqlite.Options{Create: true, Now: func() time.Time {
		s.time = s.time.Add(s.tick)
		return s.time
	}})
	return s
}

func (s *station) author() sqlite.Author { return sqlite.Author{Who: s.name} }

type failing interface {
	require.TestingT
	Helper()
}

// pull takes in what the other has, in parcels of that many revisions, until
// there is no more or so many parcels came.
func (s *station) pull(t failing, from *station, size, parcels int) {
	t.Helper()
	ctx := context.Background()
	other, err := from.ID(ctx)
	require.NoError(t, err)
	for range parcels {
		st, err := s.Standing(ctx, other)
		require.NoError(t, err)
		p, err := from.Parcel(ctx, st.Taken, size)
		require.NoError(t, err)
		_, err = s.Take(ctx, p, s.author())
		require.NoError(t, err)
		if p.To == p.From {
			return
		}
	}
}

// picture is all of an atlas that has to be alike everywhere: items as they
// are, what is in conflict, the policy in force, the names of all revisions.
func (s *station) picture(t failing) (items, conflicts, policy, revisions []string) {
	t.Helper()
	_, read := s.Pools()
	list := func(q string) (out []string) {
		rows, err := read.Query(q)
		require.NoError(t, err)
		defer rows.Close()
		for rows.Next() {
			var line string
			require.NoError(t, rows.Scan(&line))
			out = append(out, line)
		}
		require.NoError(t, rows.Err())
		return out
	}
	items = list(`SELECT id || ' ' || deleted || ' ' || updated_at || ' ' || updated_by || iif(deleted, '', ' ' || code || ' ' || body) FROM sites ORDER BY id`)
	items = append(items, list(`SELECT id || ' ' || deleted || ' ' || updated_at || ' ' || updated_by || iif(deleted, '', ' ' || site || ' ' || body) FROM points ORDER BY id`)...)
	conflicts = list(`SELECT collection || ' ' || id || ' ' || path || ' ' || sides FROM conflicts ORDER BY collection, id, path`)
	policy = list(`SELECT body FROM policies WHERE revision = (SELECT revision FROM policy_in_force)`)
	revisions = list(`SELECT hex(hash) FROM chain ORDER BY hash`)
	return items, conflicts, policy, revisions
}

func alike(t failing, stations ...*station) {
	t.Helper()
	items, conflicts, policy, revisions := stations[0].picture(t)
	for _, s := range stations[1:] {
		i, c, p, r := s.picture(t)
		require.Equal(t, items, i, "items of %s", s.name)
		require.Equal(t, conflicts, c, "conflicts of %s", s.name)
		require.Equal(t, policy, p, "policy of %s", s.name)
		require.Equal(t, revisions, r, "revisions of %s", s.name)
	}
}

// Two stations edited apart for a week: what does not touch is merged, what
// does is a conflict with both versions, the same at both.
func TestApartAWeek(t *testing.T) {
	hq, river := newStation(t, "hq"), newStation(t, "river")
	ctx := t.Context()
	site := knoll()
	site.ID = "kb"
	_, err := hq.PutSite(ctx, site, hq.author(), anyRev)
	require.NoError(t, err)
	for _, label := range []string{"P1", "P2", "P3"} {
		p := stand("kb", label)
		p.ID = label
		_, err := hq.PutPoint(ctx, p, hq.author(), anyRev)
		require.NoError(t, err)
	}
	river.pull(t, hq, 0, 99)
	alike(t, hq, river)

	edit := func(s *station, id string, change func(*survey.Point)) {
		row, err := s.Point(ctx, id)
		require.NoError(t, err)
		change(&row.Item)
		_, err = s.PutPoint(ctx, row.Item, s.author(), survey.Known(row.Revision))
		require.NoError(t, err)
	}
	river.time = river.time.Add(time.Hour)
	edit(hq, "P1", func(p *survey.Point) { p.Ground.Moisture = survey.Wet })
	edit(hq, "P1", func(p *survey.Point) { p.Terrain.SlopeDeg = survey.Known(40.0) })
	edit(river, "P1", func(p *survey.Point) { p.Terrain.SlopeDeg = survey.Known(45.0) })
	edit(river, "P1", func(p *survey.Point) { p.Terrain.SetbackM = survey.Known(geo.Length(3)) })
	require.NoError(t, hq.DeletePoint(ctx, "P2", hq.author(), anyRev))
	edit(river, "P2", func(p *survey.Point) { p.SurveyedBy = "river crew" })
	require.NoError(t, hq.DeletePoint(ctx, "P3", hq.author(), anyRev))

	hq.pull(t, river, 0, 99)
	river.pull(t, hq, 0, 99)
	hq.pull(t, river, 0, 99)
	alike(t, hq, river)
	for _, s := range []*station{hq, river} {
		row, err := s.Point(ctx, "P1")
		require.NoError(t, err)
		assert.Equal(t, survey.Wet, row.Item.Ground.Moisture)
		assert.Equal(t, survey.Known(geo.Length(3)), row.Item.Terrain.SetbackM)
		assert.Equal(t, survey.Known(45.0), row.Item.Terrain.SlopeDeg, "river wrote later")
		row, err = s.Point(ctx, "P2")
		require.NoError(t, err, "taken out at one station, changed at the other: it stays")
		assert.Equal(t, "river crew", row.Item.SurveyedBy)
		_, err = s.Point(ctx, "P3")
		assert.ErrorIs(t, err, survey.ErrNotFound)
		open, err := s.OpenConflicts(ctx)
		require.NoError(t, err)
		require.Len(t, open, 2)
		assert.Equal(t, "/properties/terrain/slope_deg", open[0].Path)
		assert.Equal(t, []string{"45", "40"}, []string{string(open[0].Sides[0].Value), string(open[0].Sides[1].Value)})
		assert.Equal(t, []string{"river", "hq"}, []string{open[0].Sides[0].Who, open[0].Sides[1].Who})
		assert.Empty(t, open[1].Path)
		assert.Nil(t, open[1].Sides[1].Value)
	}

	// Another edit leaves it open; a person settles it.
	edit(river, "P1", func(p *survey.Point) { p.SurveyedBy = "river crew" })
	open, err := river.OpenConflicts(ctx)
	require.NoError(t, err)
	require.Len(t, open, 2)
	row, err := river.Point(ctx, "P1")
	require.NoError(t, err)
	_, err = river.ResolveConflict(ctx, sqlite.Resolution{Collection: sqlite.Points, ID: "P1", Seen: row.Revision - 1, Choose: map[string]string{open[0].Path: open[0].Sides[1].Of}}, river.author())
	require.ErrorIs(t, err, survey.ErrStale)
	_, err = river.ResolveConflict(ctx, sqlite.Resolution{Collection: sqlite.Points, ID: "P1", Seen: row.Revision, Choose: map[string]string{open[0].Path: strings.Repeat("0", 64)}}, river.author())
	require.ErrorIs(t, err, survey.ErrInvalid)
	_, err = river.ResolveConflict(ctx, sqlite.Resolution{Collection: sqlite.Points, ID: "P1", Seen: row.Revision, Choose: map[string]string{open[0].Path: open[0].Sides[1].Of}}, river.author())
	require.NoError(t, err)
	row, err = river.Point(ctx, "P2")
	require.NoError(t, err)
	_, err = river.ResolveConflict(ctx, sqlite.Resolution{Collection: sqlite.Points, ID: "P2", Seen: row.Revision, Choose: map[string]string{"": open[1].Sides[1].Of}}, river.author())
	require.NoError(t, err)
	hq.pull(t, river, 0, 99)
	river.pull(t, hq, 0, 99)
	alike(t, hq, river)
	left, err := hq.OpenConflicts(ctx)
	require.NoError(t, err)
	assert.Empty(t, left)
	row, err = hq.Point(ctx, "P1")
	require.NoError(t, err)
	assert.Equal(t, survey.Known(40.0), row.Item.Terrain.SlopeDeg)
	assert.Equal(t, "river crew", row.Item.SurveyedBy)
	_, err = hq.Point(ctx, "P2")
	assert.ErrorIs(t, err, survey.ErrNotFound, "taken out after all")
}

// Sites with one code, a site taken out under a point, two policies of one
// version: nothing is refused, all is seen.
func TestApartAwkward(t *testing.T) {
	hq, river := newStation(t, "hq"), newStation(t, "river")
	ctx := t.Context()
	for _, s := range []*station{hq, river} {
		site := knoll()
		site.ID, site.Name = s.name, "Bend of "+s.name
		_, err := s.PutSite(ctx, site, s.author(), anyRev)
		require.NoError(t, err)
		p := defaultPolicy(t)
		p.Department = s.name
		require.NoError(t, s.SetPolicy(ctx, p, s.author()))
	}
	hq.pull(t, river, 0, 99)
	river.pull(t, hq, 0, 99)
	alike(t, hq, river)
	_, err := hq.Site(ctx, "KB")
	require.ErrorIs(t, err, survey.ErrConflict, "a code that two sites have names neither")
	assert.ErrorContains(t, err, "river")
	open, err := hq.OpenConflicts(ctx)
	require.NoError(t, err)
	require.Len(t, open, 1)
	assert.Equal(t, sqlite.Policies, open[0].Collection)
	shared, err := hq.SharedCodes(ctx)
	require.NoError(t, err)
	assert.Equal(t, []sqlite.SharedCode{{Code: "KB", Sites: []sqlite.CodeSite{{ID: "hq", Name: "Bend of hq"}, {ID: "river", Name: "Bend of river"}}}}, shared)
	assert.Equal(t, shared[0].Sites[1:], shared[0].Others("hq"))
	assert.Nil(t, shared[0].Others("elsewhere"))
	row, err := hq.Site(ctx, "river")
	require.NoError(t, err)
	row.Item.Code = "RB"
	_, err = hq.PutSite(ctx, row.Item, hq.author(), survey.Known(row.Revision))
	require.NoError(t, err)
	shared, err = hq.SharedCodes(ctx)
	require.NoError(t, err)
	assert.Empty(t, shared)

	river.pull(t, hq, 0, 99)
	require.NoError(t, hq.DeleteSite(ctx, "hq", hq.author(), anyRev))
	_, err = river.PutPoint(ctx, stand("hq", "P1"), river.author(), anyRev)
	require.NoError(t, err)
	river.pull(t, hq, 0, 99)
	hq.pull(t, river, 0, 99)
	river.pull(t, hq, 0, 99)
	alike(t, hq, river)
	_, err = hq.Site(ctx, "hq")
	assert.NoError(t, err, "a site with a point stays")
}

// TestSyncLaws: three stations write apart from each other and exchange pieces
// of their histories, in any direction, cut off at any parcel and repeated.
// After a last round they are alike, nothing that was ever acknowledged is
// missing, and a further round changes nothing.
func TestSyncLaws(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(t.TempDir(), "stations")
		require.NoError(rt, err)
		var all []*station
		for _, name := range []string{"a", "b", "c"} {
			s := &station{name: name, time: noon}
			s.Store, err = sqlite.Open(t.Context(), filepath.Join(dir, name+".db"), sqlite.Options{Create: true, Now: func() time.Time {
				s.time = s.time.Add(s.tick)
				return s.time
			}})
			require.NoError(rt, err)
			defer s.Close()
			all = append(all, s)
		}
		acknowledged := map[string]bool{}
		for range rapid.IntRange(3, 22).Draw(rt, "steps") {
			s := all[rapid.IntRange(0, 2).Draw(rt, "station")]
			if rapid.IntRange(0, 3).Draw(rt, "what") == 0 {
				s.pull(rt, all[rapid.IntRange(0, 2).Draw(rt, "from")], rapid.IntRange(1, 3).Draw(rt, "size"), rapid.IntRange(1, 4).Draw(rt, "parcels"))
				continue
			}
			s.tick = time.Duration(rapid.IntRange(-2, 5).Draw(rt, "clock")) * time.Minute // a clock may be set back
			s.write(rt)
			_, read := s.Pools()
			var hash string
			if read.QueryRow(`SELECT hex(hash) FROM chain ORDER BY number DESC LIMIT 1`).Scan(&hash) == nil {
				acknowledged[hash] = true
			}
		}
		for range 2 {
			for _, pair := range [][2]int{{0, 1}, {1, 2}, {2, 0}, {0, 1}, {1, 0}, {0, 2}, {2, 1}} {
				all[pair[0]].pull(rt, all[pair[1]], 0, 99)
			}
		}
		alike(rt, all...)
		_, _, _, revisions := all[0].picture(rt)
		for _, r := range revisions {
			delete(acknowledged, r)
		}
		require.Empty(rt, acknowledged, "revisions that were acknowledged and are nowhere")
		for _, pair := range [][2]int{{0, 1}, {1, 2}, {2, 0}} {
			all[pair[0]].pull(rt, all[pair[1]], 0, 99)
		}
		_, _, _, again := all[2].picture(rt)
		require.Equal(rt, revisions, again, "a further round changes nothing")
		alike(rt, all...)
	})
}

// write makes one change that a crew might make; what the atlas refuses is
// refused.
func (s *station) write(t *rapid.T) {
	ctx := context.Background()
	site := rapid.SampledFrom([]string{"s1", "s2"}).Draw(t, "site")
	id := rapid.SampledFrom([]string{"p1", "p2", "p3"}).Draw(t, "point")
	var err error
	switch rapid.IntRange(0, 9).Draw(t, "write") {
	case 0, 1:
		v := knoll()
		v.ID, v.Code = site, rapid.SampledFrom([]string{"KA", "KB"}).Draw(t, "code")
		v.Hazards = rapid.SliceOfN(rapid.SampledFrom([]string{"wire", "dog", "undercut"}), 0, 2).Draw(t, "hazards")
		_, err = s.PutSite(ctx, v, s.author(), anyRev)
	case 2:
		err = s.DeleteSite(ctx, site, s.author(), anyRev)
	case 3:
		err = s.DeletePoint(ctx, id, s.author(), anyRev)
	case 4:
		p := survey.Policy{}
		if p, err = survey.ParsePolicy(data.DefaultPolicy); err == nil {
			p.Version = rapid.SampledFrom([]string{"1", "2", "3"}).Draw(t, "version")
			p.Department = s.name
			err = s.SetPolicy(ctx, p, s.author())
		}
	case 5:
		open, e := s.OpenConflicts(ctx)
		if err = e; err == nil && len(open) > 0 {
			one := open[rapid.IntRange(0, len(open)-1).Draw(t, "conflict")]
			choose := map[string]string{}
			for _, c := range open {
				if c.Collection == one.Collection && c.ID == one.ID {
					choose[c.Path] = c.Sides[rapid.IntRange(0, len(c.Sides)-1).Draw(t, "side")].Of
				}
			}
			_, err = s.ResolveConflict(ctx, sqlite.Resolution{Collection: one.Collection, ID: one.ID, Seen: one.Revision, Choose: choose}, s.author())
		}
	default:
		p := stand(site, "P")
		if row, e := s.Point(ctx, id); e == nil {
			p = row.Item
		}
		p.ID = id
		switch rapid.IntRange(0, 5).Draw(t, "change") {
		case 0:
			p.Site = site
		case 1:
			p.Terrain.SlopeDeg = survey.Known(float64(rapid.IntRange(30, 33).Draw(t, "slope")))
		case 2:
			p.Ground.Moisture = rapid.SampledFrom(survey.Moistures).Draw(t, "moisture")
		case 3:
			p.Anchors = []survey.Anchor{{ID: rapid.SampledFrom([]string{"T1", "T2"}).Draw(t, "anchor"), Kind: survey.KindTree, DiameterMM: survey.Known(float64(rapid.IntRange(300, 302).Draw(t, "diameter")))}}
			p.PullTests = nil
		case 4:
			if len(p.Anchors) > 0 {
				p.PullTests = []survey.PullTest{{Rig: p.Anchors[0].ID, ForceKN: 9, Outcome: survey.Held, At: survey.Known(noon)}}
			}
		case 5:
			p.Position[0] += 0.001
		}
		_, err = s.PutPoint(ctx, p, s.author(), anyRev)
	}
	for _, kind := range []error{nil, survey.ErrConflict, survey.ErrNotFound, survey.ErrInvalid} {
		if errors.Is(err, kind) {
			return
		}
	}
	require.NoError(t, err)
}
