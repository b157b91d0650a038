package server_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// prose is two words in a row, the second of which is plain text.
var prose = regexp.MustCompile(`[A-Za-z]{2,}[,;:]? [a-z(%]`)

// header is the value of a header or a rule of style, which nobody reads on a page.
var header = regexp.MustCompile(`^(private|text/|attachment;|inline;|default-src|Bearer realm=|light dark$|screen and |@media |\{:root|<em class=|<\?xml)`)

// forTheLog are texts that stand in the log or are read by programs.
var forTheLog = []string{"internal error", "disk full", "too slow", "sign-in refused", "no account of ours", "not signed in", "disk refuses", "the atlas cannot be read\n", "ready to read only: "}

// TestWordsStandInOnePlace holds that a sentence which people read stands in
// html/, in words.go or in the table of the Ratings form, and nowhere else in
// this package: who corrects a term, or translates, finds all of it there.
func TestWordsStandInOnePlace(t *testing.T) {
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	read := 0
	for _, name := range files {
		if name == "words.go" || name == "policy_field.go" || strings.HasSuffix(name, "_test.go") {
			continue
		}
		read++
		set := token.NewFileSet()
		file, err := parser.ParseFile(set, name, nil, 0)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.ImportSpec:
				return false
			case *ast.Field:
				return n.Tag == nil
			case *ast.CallExpr:
				return !logs(n)
			case *ast.BasicLit:
				if text, err := strconv.Unquote(n.Value); n.Kind == token.STRING && err == nil && says(text) {
					assert.Fail(t, "a sentence outside words.go", "%s: %q", set.Position(n.Pos()), text)
				}
			}
			return true
		})
	}
	require.Greater(t, read, 50)
}

// says tells a sentence from a header, a style, and what wraps an error for
// the log: verb, noun and the error.
func says(text string) bool {
	wraps := strings.HasSuffix(text, ": %w") && !strings.Contains(text, "%q") && text[0] >= 'a'
	return prose.MatchString(text) && !wraps && !header.MatchString(text) && !slices.Contains(forTheLog, text)
}

// logs tells whether a call writes to the log, which is not for the pages.
func logs(call *ast.CallExpr) bool {
	f, ok := call.Fun.(*ast.SelectorExpr)
	if !ok {
		return false
	}
	on, ok := f.X.(*ast.SelectorExpr)
	return ok && on.Sel.Name == "log"
}

func TestProseIsTold(t *testing.T) {
	for _, text := range []string{"The form could not be read.", "take it out", "there is no layer %q", "Give a number %s", " is missing"} {
		assert.True(t, says(text), text)
	}
	for _, text := range []string{"write page: %w", "text/html; charset=utf-8", "Content-Type", "private, no-cache", "GET /points/{point}"} {
		assert.False(t, says(text), text)
	}
}
