package source_test

import (
	"maps"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/cmd/engine/source"
)

// TestDigest changes what the engine is compiled from, and what it is not.
func TestDigest(t *testing.T) {
	file := func(s string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(s)} }
	base := fstest.MapFS{
		"go.mod":               file("module holdfast\n\ngo 1.26.0\n\nrequire (\n\texample.org/used v1.0.0\n\texample.org/other v1.0.0\n)\n"),
		"cmd/engine/main.go":   file("//go:build js && wasm\n\npackage main\n\nimport \"holdfast/survey\"\n"),
		"survey/survey.go":     file("package survey\n\nimport (\n\t_ \"embed\"\n\t\"example.org/used/part\"\n)\n\n//go:embed table.txt\nvar t string\n"),
		"survey/table.txt":     file("1"),
		"survey/disk_linux.go": file("package survey\n"),
		"survey/a_test.go":     file("package survey_test\n"),
		"server/server.go":     file("package server\n"),
	}
	want, err := source.Digest(base)
	require.NoError(t, err)
	for name, c := range map[string]struct {
		file, text string
		changes    bool
	}{
		"a package it imports":       {"survey/survey.go", "package survey\n", true},
		"a file that is embedded":    {"survey/table.txt", "2", true},
		"a new file of a package":    {"survey/more.go", "package survey\n", true},
		"the language version":       {"go.mod", "module holdfast\n\ngo 1.27.0\n\nrequire (\n\texample.org/used v1.0.0\n)\n", true},
		"a module it imports":        {"go.mod", "module holdfast\n\ngo 1.26.0\n\nrequire (\n\texample.org/used v1.1.0\n)\n", true},
		"a module it does not":       {"go.mod", "module holdfast\n\ngo 1.26.0\n\nrequire (\n\texample.org/used v1.0.0\n\texample.org/other v2.0.0\n)\n", false},
		"a file of another platform": {"survey/disk_linux.go", "package survey\n\nvar x int\n", false},
		"a test":                     {"survey/a_test.go", "package survey_test\n\nvar x int\n", false},
		"the server":                 {"server/server.go", "package server\n\nvar x int\n", false},
	} {
		t.Run(name, func(t *testing.T) {
			changed := maps.Clone(base)
			changed[c.file] = file(c.text)
			got, err := source.Digest(changed)
			require.NoError(t, err)
			assert.Equal(t, c.changes, got != want)
		})
	}
	t.Run("a package that is missing", func(t *testing.T) {
		broken := maps.Clone(base)
		delete(broken, "survey/survey.go")
		delete(broken, "survey/disk_linux.go")
		delete(broken, "survey/a_test.go")
		delete(broken, "survey/table.txt")
		_, err := source.Digest(broken)
		assert.Error(t, err)
	})
}
