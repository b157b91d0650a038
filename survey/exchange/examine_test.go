package exchange_test

import (
	"crypto/sha256"
	"encoding/hex"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/exchange"
)

func written(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

func TestExamine(t *testing.T) {
	found, err := exchange.Examine(written(t, "x", "NO,lon,lat,SOIL,EMPTY\nN1,-91.2,44.65,Type B,\nN2,-91.2,44.65,Type B,\nN3,-91.2,44.65,Peat,\n"))
	require.NoError(t, err)
	assert.Equal(t, exchange.CSV, found.Format)
	require.Len(t, found.Tables, 1)
	samples := map[string][]string{}
	for _, c := range found.Tables[0].Columns {
		samples[c.Name] = c.Samples
	}
	assert.Equal(t, []string{"N1", "N2", "N3"}, samples["NO"])
	assert.Equal(t, []string{"Type B", "Peat"}, samples["SOIL"])
	assert.Empty(t, samples["EMPTY"])
	_, err = exchange.Examine(written(t, "x.shp", "MZ\x90\x00"))
	assert.ErrorIs(t, err, survey.ErrInvalid)
}

func TestPropose(t *testing.T) {
	for column, want := range map[string]string{
		"label": "label", "SLOPE_DEG": "terrain.slope_deg", "ground/class": "ground.class", "Ground Class": "ground.class", "Slope": "terrain.slope_deg",
		"id": "id", "lon": "lon", "REMARKS": "", "": "", "source": "",
	} {
		assert.Equal(t, want, exchange.ProposePoint(column), column)
	}
	assert.Equal(t, "code", exchange.ProposeSite("CODE"))
}

// A fingerprint is the SHA-256 that the standard library gives for the bytes of
// the file; that of a Shapefile takes in all its files.
func TestFingerprint(t *testing.T) {
	one, err := exchange.TakeFingerprint(t.Context(), written(t, "a.geojson", "abc"))
	require.NoError(t, err)
	sum := sha256.Sum256([]byte("abc"))
	assert.Equal(t, exchange.Fingerprint{Size: 3, SHA256: hex.EncodeToString(sum[:])}, one)

	dir := t.TempDir()
	for name, text := range map[string]string{"a.shp": "1", "a.dbf": "22", "b.shp": "333"} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600))
	}
	shape, err := exchange.TakeFingerprint(t.Context(), filepath.Join(dir, "a.shp"))
	require.NoError(t, err)
	assert.EqualValues(t, 3, shape.Size)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "a.dbf"), []byte("23"), 0o600))
	other, err := exchange.TakeFingerprint(t.Context(), filepath.Join(dir, "a.shp"))
	require.NoError(t, err)
	assert.NotEqual(t, shape.SHA256, other.SHA256)
	folder, err := exchange.TakeFingerprint(t.Context(), dir)
	require.NoError(t, err)
	assert.EqualValues(t, 6, folder.Size)
	_, err = exchange.TakeFingerprint(t.Context(), filepath.Join(dir, "none"))
	assert.ErrorIs(t, err, os.ErrNotExist)
}
