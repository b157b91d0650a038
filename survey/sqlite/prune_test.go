package sqlite_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// findings are what a check says is wrong.
func findings(t *testing.T, path string) []sqlite.Finding {
	t.Helper()
	r, err := sqlite.Check(t.Context(), path, nil)
	require.NoError(t, err)
	return r.Findings
}

// pruned runs a prune and lists what it removed.
func pruned(t *testing.T, s *sqlite.Store, before map[survey.Kept]time.Time) (out []string) {
	t.Helper()
	list, err := s.Outdated(t.Context(), before)
	require.NoError(t, err)
	require.NoError(t, s.Prune(t.Context(), before, officer, func(o sqlite.Outdated) { out = append(out, string(o.Of)+" "+o.ID) }))
	assert.Len(t, list, len(out), "what is listed is what goes")
	return out
}

// old is an atlas with something of each kind that is out of use since noon or
// soon after, and of each something that is in use.
func old(t *testing.T) *station {
	t.Helper()
	s, ctx := newStation(t, "old"), t.Context()
	site := knoll()
	site.ID = "kb"
	putSite(t, s.Store, site)
	for _, label := range []string{"P1", "P2"} {
		p := stand("kb", label)
		p.ID = "kb-" + label
		putPoint(t, s.Store, p)
	}
	for i, id := range []string{"shown", "secret-face"} {
		p := picture(id, "kb-P1", byte(i))
		p.JPEG = bytes.Repeat([]byte(id), 1000)
		require.NoError(t, s.AddPhotoTo(ctx, p, officer))
	}
	require.NoError(t, s.AlterPoint(ctx, "kb-P1", officer, anyRev, func(p *survey.Point) error { p.Photos = []string{"shown"}; return nil }))
	for _, role := range []survey.Role{survey.RoleBuried, survey.RoleOther} {
		for range 2 {
			_, err := s.AddLayer(ctx, survey.Layer{ID: "gas", Title: "Gas mains", Role: role}, sequence(survey.LayerFeature{Geometry: orb.LineString{{-91.2, 44.65}, {-91.2, 44.66}}}), officer)
			require.NoError(t, err)
		}
	}
	require.NoError(t, s.Note(ctx, sqlite.Event{What: "sign-in refused", Detail: map[string]any{"name": "R. Osier", "from": "192.0.2.7"}}, sqlite.Author{Who: "not signed in", Device: "some browser"}))
	require.NoError(t, s.Note(ctx, sqlite.Event{What: "export", Detail: map[string]any{"records": 7}}, officer))
	return s
}

func everything(at time.Time) map[survey.Kept]time.Time {
	return map[survey.Kept]time.Time{survey.KeptPhotos: at, survey.KeptLayers: at, survey.KeptVisits: at}
}

// What goes is gone from the file, and what is left is sound; what it was, who
// removed it and when stays, and none of it can be altered unseen.
func TestPrune(t *testing.T) {
	s := old(t)
	ctx := t.Context()
	assert.Empty(t, pruned(t, s.Store, nil), "no policy, nothing goes")
	assert.Empty(t, pruned(t, s.Store, everything(noon)), "nothing is as old as that")
	history, err := s.History(ctx, sqlite.Points, "kb-P1")
	require.NoError(t, err)

	later := s.time.Add(time.Hour)
	assert.Equal(t, []string{"removed photos secret-face", "former layers gas", "sign-ins log"}, pruned(t, s.Store, everything(later)))
	assert.Empty(t, pruned(t, s.Store, everything(later)), "once")
	assert.Empty(t, findings(t, s.Path()))

	_, err = s.Photo(ctx, "secret-face")
	assert.ErrorIs(t, err, survey.ErrNotFound)
	assert.ErrorContains(t, err, "was removed by A. Officer on 2026-05-04")
	_, err = s.Photo(ctx, "shown")
	require.NoError(t, err)
	fs, err := s.Features(ctx, "gas", sqlite.Filter{})
	require.NoError(t, err)
	assert.Len(t, fs, 1, "the edition in force")
	after, err := s.History(ctx, sqlite.Points, "kb-P1")
	require.NoError(t, err)
	assert.Equal(t, history, after)
	log, err := s.Audit(ctx, 0, 100)
	require.NoError(t, err)
	for _, e := range log {
		switch e.Event {
		case "sign-in refused":
			assert.Equal(t, "not signed in", e.Who)
			assert.Empty(t, e.Device)
			assert.NotContains(t, string(e.Detail), "192.0.2.7")
		case "export":
			assert.JSONEq(t, `{"records": 7}`, string(e.Detail))
		}
	}
	assert.Equal(t, "prune", log[0].Event)
	assert.Equal(t, "A. Officer", log[0].Who)

	copied := filepath.Join(t.TempDir(), "copy.db")
	_, err = sqlite.Backup(ctx, s.Path(), copied, nil)
	require.NoError(t, err, "a pruned atlas is one that can be backed up")
	write, _ := s.Pools()
	_, err = write.ExecContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`)
	require.NoError(t, err)
	text, err := os.ReadFile(s.Path())
	require.NoError(t, err)
	for _, gone := range []string{"secret-facesecret-face", "192.0.2.7", "some browser"} {
		assert.NotContains(t, string(text), gone, "not in a page that is free either")
	}
}

func TestPrunedIsHeldToTheLog(t *testing.T) {
	for name, c := range map[string]struct{ statement, says string }{
		"an entry is altered after":        {`UPDATE audit SET who = 'someone' WHERE event = 'sign-in refused'`, "does not say right what is left"},
		"another entry is made to seem so": {`UPDATE audit SET detail = (SELECT detail FROM audit WHERE event = 'sign-in refused'), device = '' WHERE event = 'export'`, "does not say right what is left"},
		"by an entry that is not there":    {`UPDATE audit SET detail = '{"pruned":900}', device = '' WHERE event = 'export'`, "does not say so"},
		"a photo goes without an entry":    {`INSERT INTO pruned_photos SELECT id, point, zeroblob(32), added_at, added_by FROM photos; DELETE FROM photos`, "the log does not say so"},
		"a photo goes":                     {`DELETE FROM photos`, "is missing"},
	} {
		t.Run(name, func(t *testing.T) {
			s := old(t)
			pruned(t, s.Store, everything(s.time.Add(time.Hour)))
			write, _ := s.Pools()
			var audit, photos string
			require.NoError(t, write.QueryRow(`SELECT sql FROM sqlite_schema WHERE name = 'audit_keep_update'`).Scan(&audit))
			require.NoError(t, write.QueryRow(`SELECT sql FROM sqlite_schema WHERE name = 'photos_keep_delete'`).Scan(&photos))
			_, err := write.Exec(`DROP TRIGGER audit_keep_update; DROP TRIGGER photos_keep_delete; ` + c.statement + `; ` + audit + `; ` + photos)
			require.NoError(t, err)
			found := findings(t, s.Path())
			require.NotEmpty(t, found)
			var all string
			for _, f := range found {
				all += f.What + "\n"
			}
			assert.Contains(t, all, c.says)
		})
	}
}

// The guards of the file let go what a prune takes, and nothing else.
func TestOnlyAPruneTakesAway(t *testing.T) {
	s := old(t)
	write, _ := s.Pools()
	for _, q := range []string{
		`DELETE FROM photos`,
		`UPDATE audit SET detail = '{}' WHERE event = 'sign-in refused'`,
		`UPDATE audit SET device = '', detail = '{"pruned":' || (SELECT max(number) + 1 FROM audit) || '}' WHERE event = 'export'`,
		`UPDATE audit SET who = 'x', device = '', detail = '{"pruned":' || (SELECT max(number) + 1 FROM audit) || '}' WHERE event = 'sign-in refused'`,
		`UPDATE audit SET hash = zeroblob(32), device = '', detail = '{"pruned":' || (SELECT max(number) + 1 FROM audit) || '}' WHERE event = 'sign-in refused'`,
	} {
		_, err := write.ExecContext(t.Context(), q)
		assert.ErrorContains(t, err, "is never", q)
	}
	assert.Empty(t, findings(t, s.Path()))
}

// What is in conflict stays, whatever its age.
func TestConflictsAreKept(t *testing.T) {
	a, b := old(t), newStation(t, "b")
	b.pull(t, a, 500, 100)
	bring(t, b.Store, a.Store)
	for i, s := range []*station{a, b} {
		require.NoError(t, s.AlterPoint(t.Context(), "kb-P1", officer, anyRev, func(p *survey.Point) error {
			p.Terrain.SlopeDeg = survey.Known(float64(30 + i))
			return nil
		}))
		_, err := s.AddLayer(t.Context(), survey.Layer{ID: "gas", Title: "Gas mains", Role: survey.RoleBuried}, sequence(survey.LayerFeature{Geometry: orb.Point{-91.2, 44.65 + float64(i)/1000}}), officer)
		require.NoError(t, err)
	}
	a.pull(t, b, 500, 100)
	bring(t, a.Store, b.Store)
	assert.Equal(t, []string{"sign-ins log"}, pruned(t, a.Store, everything(a.time.Add(time.Hour))))
	assert.Empty(t, findings(t, a.Path()))
}

// bring hands on the contents that one atlas wants and another has.
func bring(t *testing.T, to, from *sqlite.Store) {
	t.Helper()
	wants, err := to.Wants(t.Context())
	require.NoError(t, err)
	for _, c := range wants {
		var b bytes.Buffer
		require.NoError(t, from.WriteContent(t.Context(), c, &b))
		require.NoError(t, to.TakeContent(t.Context(), c, &b, officer))
	}
}

// A station that has still what another pruned neither brings it back nor
// differs from it in anything that is shown; when somebody lists the photo
// again, it comes back from there.
func TestPrunedDoesNotComeBack(t *testing.T) {
	a, b := old(t), newStation(t, "b")
	require.NoError(t, a.AlterPoint(t.Context(), "kb-P1", officer, anyRev, func(p *survey.Point) error { p.Photos = []string{"shown", "secret-face"}; return nil }))
	both := func() {
		b.pull(t, a, 500, 100)
		a.pull(t, b, 500, 100)
		bring(t, a.Store, b.Store)
		bring(t, b.Store, a.Store)
	}
	both()
	require.NoError(t, a.AlterPoint(t.Context(), "kb-P1", officer, anyRev, func(p *survey.Point) error { p.Photos = []string{"shown"}; return nil }))
	both()
	pruned(t, a.Store, everything(a.time.Add(time.Hour)))
	both()
	_, err := a.Photo(t.Context(), "secret-face")
	require.ErrorIs(t, err, survey.ErrNotFound)
	_, err = b.Photo(t.Context(), "secret-face")
	require.NoError(t, err)
	same := func() {
		x, err := a.Point(t.Context(), "kb-P1")
		require.NoError(t, err)
		y, err := b.Point(t.Context(), "kb-P1")
		require.NoError(t, err)
		assert.Equal(t, x.Item, y.Item)
		assert.Empty(t, findings(t, a.Path()))
		assert.Empty(t, findings(t, b.Path()))
	}
	same()

	require.NoError(t, a.AlterPoint(t.Context(), "kb-P1", officer, anyRev, func(p *survey.Point) error { p.Photos = []string{"shown", "secret-face"}; return nil }))
	assert.Empty(t, findings(t, a.Path()), "listed and pruned is said to be pruned")
	both()
	_, err = a.Photo(t.Context(), "secret-face")
	require.NoError(t, err)
	same()
}
