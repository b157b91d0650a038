package version_test

import (
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/version"
)

// TestWalkKeepsTheSameWhole: where two versions meet on a device, the Walk keeps
// in one piece what is in one piece here.
func TestWalkKeepsTheSameWhole(t *testing.T) {
	script, err := os.ReadFile("../../static/js/walk/settle.js")
	require.NoError(t, err)
	list := regexp.MustCompile(`const whole = \[([^\]]*)\]`).FindSubmatch(script)
	require.NotNil(t, list, "the list of what is whole")
	var theirs []string
	for _, m := range regexp.MustCompile(`'/properties/([^']+)'`).FindAllSubmatch(list[1], -1) {
		theirs = append(theirs, string(m[1]))
	}
	require.Contains(t, string(script), "out[place] = { geometry: feature.geometry, position }", "a place goes with how well it is known")
	theirs = append(theirs, "position")

	var ours []string
	for _, noun := range []reflect.Type{reflect.TypeFor[survey.Site](), reflect.TypeFor[survey.Point]()} {
		for i := range noun.NumField() {
			if name, _, _ := strings.Cut(noun.Field(i).Tag.Get("json"), ","); version.Whole(name) {
				ours = append(ours, name)
			}
		}
	}
	assert.ElementsMatch(t, ours, theirs)
}
