package sqlite_test

import (
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/paulmach/orb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// lived makes an atlas with something of everything in it, closed.
func lived(t testing.TB) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "atlas.db")
	s, err := sqlite.Open(t.Context(), path, sqlite.Options{Create: true, Policy: defaultPolicy(t)})
	require.NoError(t, err)
	ctx := t.Context()
	putSite(t, s, knoll())
	for i := range 12 {
		row := putPoint(t, s, stand("KB", fmt.Sprintf("P%d", i)))
		if i%3 == 0 {
			row.Item.Terrain.SlopeDeg = survey.Known(35.0)
			putPoint(t, s, row.Item)
		}
		if i%4 == 0 {
			require.NoError(t, s.DeletePoint(ctx, row.Item.ID, officer, anyRev))
		}
	}
	_, err = s.AddLayer(ctx, gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	_, _, err = s.ImportRaster(ctx, survey.Layer{ID: "ground", Title: "Ground", Role: survey.RoleElevation}, orb.Polygon{{{-91.3, 44.6}, {-91.1, 44.6}, {-91.1, 44.8}, {-91.3, 44.6}}}, strings.NewReader(strings.Repeat("231 232\n", 9000)), origin("ground.tif"), officer)
	require.NoError(t, err)
	require.NoError(t, s.Note(ctx, sqlite.Event{What: "sign-in"}, officer))
	p2, err := s.Point(ctx, "KB/P2")
	require.NoError(t, err)
	require.NoError(t, s.AddPhotoTo(ctx, sqlite.Photo{
		ID: "photo-1", Point: p2.Item.ID, Source: make([]byte, 32), Width: 1, Height: 1, Position: survey.Known(orb.Point{-91.2, 44.65}), JPEG: []byte(strings.Repeat("picture ", 900)), Small: []byte("small"),
	}, officer))

	// And something that was edited apart.
	away := filepath.Join(t.TempDir(), "away.db")
	require.NoError(t, s.Close())
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(away, b, 0o644))
	here, there := open(t, path, sqlite.Options{}), open(t, away, sqlite.Options{})
	for i, s := range []*sqlite.Store{here, there} {
		row, err := s.Point(ctx, "KB/P1")
		require.NoError(t, err)
		row.Item.Terrain.SlopeDeg = survey.Known(float64(40 + i))
		putPoint(t, s, row.Item)
	}
	p, err := there.Parcel(ctx, sqlite.Mark{}, 0)
	require.NoError(t, err)
	_, err = here.Take(ctx, p, officer)
	require.NoError(t, err)
	require.NoError(t, here.Close())
	return path
}

func check(t testing.TB, path string) sqlite.Report {
	t.Helper()
	r, err := sqlite.Check(t.Context(), path, nil)
	require.NoError(t, err)
	return r
}

func TestCheckSound(t *testing.T) {
	path := lived(t)
	r := check(t, path)
	require.Empty(t, r.Findings)
	assert.Equal(t, []int{1, 9, 2}, []int{r.Sites, r.Points, r.Layers})
	assert.NotZero(t, r.Hash)
	s := open(t, path, sqlite.Options{})
	row, err := s.Point(t.Context(), "KB/P2")
	require.NoError(t, err)
	putPoint(t, s, row.Item)
	assert.Empty(t, check(t, path).Findings, "beside a program that has it open")
	for format := 1; format <= 9; format++ {
		path := unpack(t, format)
		require.NoError(t, open(t, path, sqlite.Options{}).Close())
		assert.Empty(t, check(t, path).Findings, "format %d brought up to date", format)
	}
	_, err = sqlite.Check(t.Context(), filepath.Join(t.TempDir(), "none.db"), nil)
	require.ErrorIs(t, err, survey.ErrNotFound)
}

// The digest of a layer, from the words of its documentation.
func TestLayerDigest(t *testing.T) {
	s := newAtlas(t)
	l, err := s.AddLayer(t.Context(), gas(), sequence(awkward()...), officer)
	require.NoError(t, err)
	_, read := s.Pools()
	rows, err := read.Query(`SELECT number, geometry, coalesce(heights, ''), coalesce(properties, '') FROM layer_features ORDER BY number`)
	require.NoError(t, err)
	defer rows.Close()
	var all []byte
	for rows.Next() {
		var number uint64
		var f [3][]byte
		require.NoError(t, rows.Scan(&number, &f[0], &f[1], &f[2]))
		all = binary.BigEndian.AppendUint64(all, number)
		for _, one := range f {
			all = append(binary.BigEndian.AppendUint64(all, uint64(len(one))), one...)
		}
	}
	require.NoError(t, rows.Err())
	h := sha256.Sum256(all)
	assert.Equal(t, hex.EncodeToString(h[:]), l.SHA256)
}

// Whoever changes the file by other means is found out.
func TestCheckFindsMeddling(t *testing.T) {
	whole, err := os.ReadFile(lived(t))
	require.NoError(t, err)
	for name, c := range map[string]struct{ sql, where, says string }{
		"a point": {`UPDATE points SET body = replace(body, '"slope_deg":0', '"slope_deg":5') WHERE body LIKE '%"P2"%'`, "point ", "is not what its history says"},
		"a point with its revision": {`DROP TRIGGER revisions_keep_update;
			UPDATE revisions SET after = replace(after, '"slope_deg":0', '"slope_deg":5'); UPDATE points SET body = replace(body, '"slope_deg":0', '"slope_deg":5')`, "revision ", "its hash differs"},
		"who did it":               {`DROP TRIGGER revisions_keep_update; UPDATE revisions SET who = 'someone' WHERE number = 4`, "revision 4", "its hash differs"},
		"the end of the history":   {`DROP TRIGGER audit_keep_delete; DELETE FROM audit WHERE number = (SELECT max(number) FROM audit)`, "log", "have no entry"},
		"the middle of the log":    {`DROP TRIGGER audit_keep_delete; DELETE FROM audit WHERE number = 3`, "log entry 4", "entry 3 is missing"},
		"an entry of the log":      {`DROP TRIGGER audit_keep_update; UPDATE audit SET event = 'nothing' WHERE number = 3`, "log entry 3", "is not what was written"},
		"a guard":                  {`DROP TRIGGER revisions_keep_delete`, "structure", "trigger revisions_keep_delete is missing"},
		"a stranger's table":       {`CREATE TABLE customers (name)`, "structure", "is not of this program"},
		"a point that is gone":     {`DELETE FROM points_box WHERE n = 2; DELETE FROM points WHERE n = 2`, "point ", "in the history and not in the atlas"},
		"a place in the index":     {`UPDATE points_box SET west = 10, east = 10 WHERE n = 2`, "point ", "not found where it lies"},
		"a place that is missing":  {`DELETE FROM points_box WHERE n = 2`, "point ", "not found where it lies"},
		"a word of the search":     {`UPDATE points SET words = 'x' WHERE n = 2`, "point ", "filed under what it is not"},
		"a tombstone that wakes":   {`UPDATE points SET deleted = 0 WHERE n = 1`, "point ", "is not what its history says"},
		"a feature":                {`UPDATE layer_features SET properties = '{}' WHERE number = 1 AND layer = 1`, "layer gas", "not what was loaded"},
		"a missing feature":        {`DELETE FROM layer_features_box WHERE n = 3; DELETE FROM layer_features WHERE n = 3`, "layer gas", "should hold 8"},
		"a height":                 {`UPDATE layer_files SET bytes = CAST(replace(CAST(bytes AS TEXT), '231', '230') AS BLOB)`, "layer ground", "not what was loaded"},
		"the policy":               {`DROP TRIGGER policies_keep_update; UPDATE policies SET body = replace(body, '"value":10', '"value":5')`, "policy", "is not what revision"},
		"a row without its site":   {`UPDATE points SET site = 'nowhere' WHERE n = 2`, "rows", "row of sites that is not there"},
		"a conflict swept away":    {`DELETE FROM conflicts`, "points ", "has 0 conflicts noted, and its history has 1"},
		"a photo":                  {`DROP TRIGGER photos_keep_update; UPDATE photos SET small = zeroblob(5)`, "photo photo-1", "not what was taken in"},
		"a photo's place":          {`DROP TRIGGER photos_keep_update; UPDATE photos SET lat = 44.66`, "photo photo-1", "not what was taken in"},
		"a missing photo":          {`DROP TRIGGER photos_keep_delete; DELETE FROM photos`, "point ", "lists the photo photo-1, which is not in the atlas"},
		"another atlas's identity": {`UPDATE meta SET atlas = 'x'`, "log", "does not say that this atlas"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "atlas.db")
			require.NoError(t, os.WriteFile(path, whole, 0o644))
			db, err := sql.Open("sqlite3", path)
			require.NoError(t, err)
			_, err = db.Exec(c.sql)
			require.NoError(t, err)
			require.NoError(t, db.Close())
			var all []string
			found := false
			for _, f := range check(t, path).Findings {
				assert.NotEmpty(t, f.Do)
				all = append(all, f.Where+": "+f.What)
				found = found || strings.HasPrefix(f.Where, c.where) && strings.Contains(f.What, c.says)
			}
			assert.True(t, found, strings.Join(all, "\n"))
		})
	}
}

// content is everything an atlas says, in text.
func content(path string) (string, error) {
	db, err := sql.Open("sqlite3", "file:"+path+"?mode=ro&immutable=1")
	if err != nil {
		return "", err
	}
	defer db.Close()
	var out strings.Builder
	for _, table := range []string{"meta", "revisions", "chain", "audit", "sites", "points", "policies", "policy_in_force", "layers", "layer_features", "layer_files", "layer_contents", "forks", "conflicts", "peers", "imports", "mappings", "people", "keys", "photos"} {
		rows, err := db.Query(`SELECT * FROM ` + table)
		if err != nil {
			return "", err
		}
		columns, err := rows.Columns()
		if err != nil {
			return "", err
		}
		values := make([]any, len(columns))
		into := make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		for rows.Next() {
			if err := rows.Scan(into...); err != nil {
				return "", err
			}
			fmt.Fprintf(&out, "%s %v\n", table, values)
		}
		if err := rows.Err(); err != nil {
			return "", err
		}
		rows.Close()
	}
	return out.String(), nil
}

// Bits turned over anywhere in the file are either found, or everything the
// atlas says is unchanged by them: they lay where nothing is kept. So with
// pages in each other's place, and with a file that was cut off.
func TestCheckFindsDecay(t *testing.T) {
	path := lived(t)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	want, err := content(path)
	require.NoError(t, err)
	rng := rand.New(rand.NewPCG(20261125, 1))
	page := int(binary.BigEndian.Uint16(whole[16:18])) // SQLite file format §1.3.2
	damage := map[string]func(b []byte) []byte{}
	for i := range 250 {
		at, bit := rng.IntN(len(whole)), rng.IntN(8)
		damage[fmt.Sprintf("%d bit %d of byte %d", i, bit, at)] = func(b []byte) []byte { b[at] ^= 1 << bit; return b }
	}
	for i := range 40 {
		at := rng.IntN(len(whole))
		damage[fmt.Sprintf("%d cut off at %d", i, at)] = func(b []byte) []byte { return b[:at] }
		x, y := page*rng.IntN(len(whole)/page), page*rng.IntN(len(whole)/page)
		damage[fmt.Sprintf("%d pages %d and %d", i, x/page, y/page)] = func(b []byte) []byte {
			for k := range page {
				b[x+k], b[y+k] = b[y+k], b[x+k]
			}
			return b
		}
		z := page * rng.IntN(len(whole)/page)
		damage[fmt.Sprintf("%d page %d empty", i, z/page)] = func(b []byte) []byte { clear(b[z : z+page]); return b }
	}
	hurt := filepath.Join(t.TempDir(), "hurt.db")
	found := 0
	for name, do := range damage {
		require.NoError(t, os.WriteFile(hurt, do(append([]byte(nil), whole...)), 0o644))
		r, err := sqlite.Check(t.Context(), hurt, nil)
		if err != nil || len(r.Findings) > 0 {
			found++
			continue
		}
		got, err := content(hurt)
		require.NoError(t, err, name)
		require.Equal(t, want, got, "%s was not found, and changed what the atlas says", name)
	}
	t.Logf("%d of %d found, the others changed nothing", found, len(damage))
	assert.Greater(t, found, len(damage)/2)
}
