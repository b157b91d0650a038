package survey_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"holdfast/survey"
)

// What a comma stands for differs by country (NIST SP 811, 10.5.2 and 10.5.3);
// only what can be read one way is read.
func TestParseTyped(t *testing.T) {
	for text, want := range map[string]float64{
		" 7 ": 7, "1,5": 1.5, "1.5": 1.5, ".5": 0.5, ",5": 0.5, "5.": 5, "-0.5": -0.5, "-1,25": -1.25,
		"12,000.5": 12000.5, "1,234,567": 1234567, "1,800.": 1800, "0,800": 0.8, "1234,567": 1234.567, "1,8000": 1.8, "007": 7,
	} {
		got, err := survey.ParseTyped(text)
		if assert.NoError(t, err, text) {
			assert.Equal(t, want, got, text) // decimal digits, read exactly
		}
	}
	for text, message := range map[string]string{
		"1,800":  `"1,800" can be read two ways: write 1800 or 1.8`,
		"12,000": `"12,000" can be read two ways: write 12000 or 12`,
		"-1,250": `"-1,250" can be read two ways: write -1250 or -1.25`,
	} {
		_, err := survey.ParseTyped(text)
		require.ErrorIs(t, err, survey.ErrInvalid)
		assert.EqualError(t, err, message)
	}
	for _, text := range []string{
		"", " ", "-", ".", ",", "-.", "1e9", "1E9", "0x10", "1_000", "NaN", "Inf", "-inf", "infinity", "many", "1.2.3", "1,2,3", "1,2.5", "1.234,5",
		"1,23,456", "0,000,001", "--1", "+1", "1-", "1 800", "٣", "1" + strings.Repeat("0", 400),
	} {
		_, err := survey.ParseTyped(text)
		assert.ErrorIs(t, err, survey.ErrInvalid, text)
		assert.ErrorContains(t, err, "is not a number", text)
	}
}

func TestParseTypedReadsWhatIsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e9, 1e9).Draw(t, "v")
		got, err := survey.ParseTyped(strconv.FormatFloat(v, 'f', -1, 64))
		require.NoError(t, err)
		assert.Equal(t, v, got)
	})
}

func FuzzParseTyped(f *testing.F) {
	for _, text := range []string{"1,800", "1,5", "12,000.5", " 7 ", "1e9", "0x10", "-0"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		v, err := survey.ParseTyped(text)
		if err != nil {
			assert.ErrorIs(t, err, survey.ErrInvalid)
			return
		}
		assert.False(t, math.IsNaN(v) || math.IsInf(v, 0))
		assert.Empty(t, strings.Trim(strings.TrimSpace(text), "-.,0123456789"))
	})
}
