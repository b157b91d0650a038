package server_test

import (
	"encoding/json"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/go-chi/chi/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

type object = map[string]any

var inBraces = regexp.MustCompile(`\{[^}]+\}`)

// TestDefinitionCoversRoutes holds the API definition to the routes: every
// route is defined, with its methods, and everything defined has a route.
func TestDefinitionCoversRoutes(t *testing.T) {
	s, _ := fixture(t)
	doc := parse[struct {
		OpenAPI string
		Paths   map[string]map[string]any
	}](t, call(t, s, http.MethodGet, "/api/openapi", ""))
	assert.Equal(t, "3.0.3", doc.OpenAPI)
	routed := map[string]bool{}
	require.NoError(t, chi.Walk(s.Routes(), func(method, route string, _ http.Handler, _ ...func(http.Handler) http.Handler) error {
		if path, ok := strings.CutPrefix(route, "/api"); ok {
			assert.Contains(t, doc.Paths[path], strings.ToLower(method), path)
			routed[method+" "+path] = true
		}
		return nil
	}))
	assert.Greater(t, len(routed), 20)
	for path, methods := range doc.Paths {
		for m := range methods {
			if routed[strings.ToUpper(m)+" "+path] {
				continue
			}
			at := chi.NewRouteContext()
			assert.True(t, s.Routes().Match(at, strings.ToUpper(m), "/api"+path), "%s %s", m, path)
			assert.NotContains(t, path, "{", "a path that is no route is that of something there is")
		}
	}
	for _, id := range []string{"sites", "points", "river", "gas"} {
		assert.Contains(t, doc.Paths, "/collections/"+id+"/items")
	}
	assert.NotContains(t, doc.Paths["/collections/gas/items"], "post", "a layer is not edited")
	assert.Contains(t, doc.Paths["/collections/points/items"], "post")
}

// TestDefinitionIsSound looks for what no schema of the definition can see.
func TestDefinitionIsSound(t *testing.T) {
	s, _ := fixture(t)
	doc := parse[object](t, call(t, s, http.MethodGet, "/api/openapi", ""))
	follow := func(ref string) any {
		var at any = doc
		for part := range strings.SplitSeq(strings.TrimPrefix(ref, "#/"), "/") {
			o, ok := at.(object)
			require.True(t, ok, ref)
			at = o[part]
		}
		require.NotNil(t, at, "nothing at %s", ref)
		return at
	}
	var walk func(v any)
	used := map[string]bool{}
	walk = func(v any) {
		switch v := v.(type) {
		case object:
			if ref, ok := v["$ref"].(string); ok {
				follow(ref)
				used[ref] = true
			}
			if schemes, ok := v["security"].([]any); ok { // by name, as OpenAPI 3.0.3, 4.8.30, has it
				for _, one := range schemes {
					for name := range one.(object) {
						used["#/components/securitySchemes/"+name] = true
					}
				}
			}
			for _, inner := range v {
				walk(inner)
			}
		case []any:
			for _, inner := range v {
				walk(inner)
			}
		}
	}
	walk(doc)
	for kind, all := range doc["components"].(object) {
		for name := range all.(object) {
			assert.True(t, used["#/components/"+kind+"/"+name], "%s %s is used nowhere", kind, name)
		}
	}
	ids := map[string]bool{}
	for path, methods := range doc["paths"].(object) {
		for method, op := range methods.(object) {
			id := op.(object)["operationId"].(string)
			assert.False(t, ids[id], "two operations are called %s", id)
			ids[id] = true
			var inPath []string
			seen := map[string]bool{}
			list, _ := op.(object)["parameters"].([]any)
			for _, p := range list {
				if ref, ok := p.(object)["$ref"].(string); ok {
					p = follow(ref)
				}
				name, in := p.(object)["name"].(string), p.(object)["in"].(string)
				assert.False(t, seen[in+name], "%s %s has %s twice", method, path, name)
				seen[in+name] = true
				if in == "path" {
					inPath = append(inPath, "{"+name+"}")
				}
			}
			assert.ElementsMatch(t, inBraces.FindAllString(path, -1), inPath, "%s %s", method, path)
		}
	}
}

// TestDefinitionIsOpenAPI asks the schema of OpenAPI 3.0 itself, see
// testdata/SOURCE.md.
func TestDefinitionIsOpenAPI(t *testing.T) {
	s, _ := fixture(t)
	doc := parse[object](t, call(t, s, http.MethodGet, "/api/openapi", ""))
	schema, err := os.ReadFile("testdata/openapi-3.0-2021-09-28.json")
	require.NoError(t, err)
	assert.Empty(t, schemaFaults(t, schema, doc))
	delete(doc["paths"].(object)["/"].(object)["get"].(object), "responses")
	assert.NotEmpty(t, schemaFaults(t, schema, doc), "an operation without responses is found")
}

// validator reads {"schema": …, "instances": […]} and lists the faults of
// each instance by a JSON Schema; the schema itself has to be sound too.
const validator = `
import json, sys
import jsonschema
given = json.load(sys.stdin)
cls = jsonschema.validators.validator_for(given["schema"])
cls.check_schema(given["schema"])
v = cls(given["schema"])
json.dump([["%s: %s" % (list(e.absolute_path), e.message) for e in v.iter_errors(i)] for i in given["instances"]], sys.stdout)
`

// faultsOf asks Python's jsonschema what is wrong with each instance.
func faultsOf(t *testing.T, schema []byte, instances ...any) [][]string {
	t.Helper()
	python := tool(t, "python3")
	if err := exec.CommandContext(t.Context(), python, "-c", "import jsonschema").Run(); err != nil {
		missing(t, "this test needs the Python package jsonschema")
	}
	in, err := json.Marshal(object{"schema": json.RawMessage(schema), "instances": instances})
	require.NoError(t, err)
	script := filepath.Join(t.TempDir(), "validate.py")
	require.NoError(t, os.WriteFile(script, []byte(validator), 0o600))
	cmd := exec.CommandContext(t.Context(), python, "-W", "ignore", script)
	cmd.Stdin = strings.NewReader(string(in))
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, stderr.String())
	var faults [][]string
	require.NoError(t, json.Unmarshal(out, &faults))
	require.Len(t, faults, len(instances))
	return faults
}

func schemaFaults(t *testing.T, schema []byte, instance any) []string {
	t.Helper()
	return slices.Concat(faultsOf(t, schema, instance)...)
}
