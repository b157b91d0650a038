package magnetic_test

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/geo/magnetic"
)

func published(t testing.TB) string {
	text, err := os.ReadFile("WMM2025.COF")
	require.NoError(t, err)
	return string(text)
}

func TestParseNewerFile(t *testing.T) {
	text := strings.Replace(published(t), "2025.0            WMM-2025     11/13/2024", "2030.0 WMM-2030 12/01/2029", 1)
	m, err := magnetic.Parse(strings.NewReader(strings.ReplaceAll(text, "\n", "\r\n")))
	require.NoError(t, err)
	assert.Equal(t, "WMM-2030", m.Name())
	from, until := m.Valid()
	assert.Equal(t, 2030.0, from)
	assert.Equal(t, 2035.0, until)
}

func TestParseRefuses(t *testing.T) {
	good := published(t)
	for _, c := range []struct{ name, text, says string }{
		{"empty", "", "empty"},
		{"only a header", "2025.0 WMM-2025 11/13/2024\n", "0 of 90"},
		{"cut off", good[:2000], "line 41"},
		{"a line missing", strings.Replace(good, "  4  4      12.1    -375.6       -7.0       -4.4\n", "", 1), "89 of 90"},
		{"a line twice", strings.Replace(good, "  3  3", "  4  4", 1), "twice"},
		{"epoch is not a year", strings.Replace(good, "2025.0", "20.25", 1), "line 1"},
		{"a word for a number", strings.Replace(good, "-29351.8", "north", 1), "line 2"},
		{"not a number", strings.Replace(good, "-29351.8", "NaN", 1), "line 2"},
		{"order above degree", strings.Replace(good, "  1  1", "  1  2", 1), "line 3"},
		{"the high-resolution model", strings.Replace(good, " 12 12", " 13 12", 1), "high-resolution"},
		{"a web page", "<html>\n<body>not found</body>\n</html>", "line 1"},
		{"an endless line", "2025.0 " + strings.Repeat("x", 1<<20), "too long"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := magnetic.Parse(strings.NewReader(c.text))
			require.Error(t, err)
			assert.Contains(t, err.Error(), c.says)
		})
	}
}

func FuzzParse(f *testing.F) {
	good := published(f)
	f.Add([]byte(good))
	f.Add([]byte(good[:500]))
	f.Add([]byte("2025.0 WMM-2025\n1 0 1e9 0 0 0\n"))
	f.Add([]byte("\n\n9999"))
	f.Fuzz(func(t *testing.T, text []byte) {
		m, err := magnetic.Parse(bytes.NewReader(text))
		if err != nil {
			return
		}
		from, until := m.Valid()
		assert.Less(t, from, until)
		assert.NotEmpty(t, m.Name())
	})
}
