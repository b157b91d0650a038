package sqlite_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

const loaderEnv = "HOLDFAST_TEST_LOADER"

// loadForever imports editions of a layer, each a feature larger than the one
// before, and says which were acknowledged.
func loadForever(ctx context.Context, s *sqlite.Store) error {
	size := 400
	if l, err := s.Layer(ctx, "gas"); err == nil {
		size = l.Features
	}
	for {
		size++
		features := func(yield func(survey.LayerFeature, error) bool) {
			for range size {
				if !yield(awkward()[1], nil) {
					return
				}
			}
		}
		_, made, err := s.ImportLayer(ctx, gas(), features, origin("gas.geojson"), officer)
		if err != nil {
			return err
		}
		fmt.Printf("%d %d\n", made.Number, size)
	}
}

// A process killed in the middle of an import leaves the edition that was in
// force, whole, with the one before it, and no trace of the import.
func TestKilledImport(t *testing.T) {
	const seed = 20261126
	rng := rand.New(rand.NewPCG(seed, 1))
	path := filepath.Join(t.TempDir(), "atlas.db")
	made, err := sqlite.Open(t.Context(), path, sqlite.Options{Create: true}) // else the first kill may come before there is one
	require.NoError(t, err)
	require.NoError(t, made.Close())
	acknowledged := 0
	for range 12 {
		cmd, out, complaints := writer(t, path, loaderEnv+"=1")
		timer := time.AfterFunc(time.Duration(30_000+rng.IntN(120_000))*time.Microsecond, func() { _ = cmd.Process.Kill() })
		lines := said(out)
		require.ErrorContains(t, cmd.Wait(), "killed", "the importer ends only by the kill: %s", complaints)
		timer.Stop()
		acknowledged += len(lines)
		s, err := sqlite.Open(t.Context(), path, sqlite.Options{})
		require.NoError(t, err)
		imports, err := s.Imports(t.Context())
		require.NoError(t, err)
		require.GreaterOrEqual(t, len(imports), acknowledged, "what was acknowledged stays")
		if len(imports) > 0 {
			l, err := s.Layer(t.Context(), "gas")
			require.NoError(t, err)
			require.Equal(t, 400+len(imports), l.Features, "the edition in force is that of the last import on file")
			features, err := s.Features(t.Context(), "gas", sqlite.Filter{})
			require.NoError(t, err)
			require.Len(t, features, l.Features)
			_, read := s.Pools()
			var rows, boxes int
			require.NoError(t, read.QueryRow(`SELECT (SELECT count(*) FROM layer_features), (SELECT count(*) FROM layer_features_box)`).Scan(&rows, &boxes))
			require.Equal(t, l.Features, boxes)
			want := 2*l.Features - 1
			if len(imports) == 1 {
				want = l.Features
			}
			require.Equal(t, want, rows, "with the edition before it, and nothing else")
		}
		require.NoError(t, s.Close())
		r, err := sqlite.Check(t.Context(), path, nil)
		require.NoError(t, err)
		require.Empty(t, r.Findings)
		acknowledged = len(imports)
	}
	require.NotZero(t, acknowledged)
	t.Logf("%d imports over 12 kills", acknowledged)
}
