package survey_test

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"holdfast/survey"
)

func TestCompareLabels(t *testing.T) {
	got := []string{"P10", "Q1", "P2", "P", "12", "P99999999999999999999", "P1", "9"}
	slices.SortFunc(got, survey.CompareLabels)
	assert.Equal(t, []string{"9", "12", "P", "P1", "P2", "P10", "P99999999999999999999", "Q1"}, got)
	assert.Zero(t, survey.CompareLabels("P2", "P02"))
}
