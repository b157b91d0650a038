package main

import (
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/data"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

// policyFile is the default policy with the changes made to it.
func policyFile(t *testing.T, change func(*survey.Policy)) string {
	t.Helper()
	p, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	change(&p)
	raw, err := json.Marshal(p)
	require.NoError(t, err)
	return file(t, "policy.json", string(raw))
}

// stricter asks for more than three 3-2-1 rigs, the most that may share, hold
// of two people: 3 × 4,000 lbf (NAVEDTRA 14251, chapter 6) / 600 lbf = 20.
func stricter(p *survey.Policy) {
	p.Version, p.RequiredRatio = "strict-1", survey.Line[float64]{Value: 21, Source: "department"}
}

func inForce(t *testing.T, path string) sqlite.Row[survey.Policy] {
	t.Helper()
	s := &streams{out: io.Discard, err: io.Discard, now: time.Now}
	a, done, err := (&globals{Atlas: path}).open(t.Context(), s, sqlite.Options{ReadOnly: true})
	require.NoError(t, err)
	defer done()
	all, err := a.Store.Policies(t.Context())
	require.NoError(t, err)
	return all[0]
}

func TestPolicyShow(t *testing.T) {
	r := call(t, "", "policy", "show", "--atlas", district(t))
	require.Equal(t, exitDone, r.code, r.err)
	assert.JSONEq(t, string(data.DefaultPolicy), r.out, "a new atlas has the default policy")
}

func TestPolicyTry(t *testing.T) {
	path := district(t)
	strict := policyFile(t, stricter)
	before := sum(t, path)
	r := call(t, "", "policy", "try", strict, "--atlas", path)
	require.Equal(t, exitDone, r.code, r.err)
	assert.Contains(t, r.out, "Policy default-1 → strict-1:")
	assert.Regexp(t, `(?m)^QR-04/P2 +holds at 13\.3:1 +→ short at 6\.6:1 *$`, r.out,
		"two 3-2-1 rigs hold 8,000 lbf of 600, one holds 4,000: NAVEDTRA 14251, chapter 6")
	r = call(t, "", "policy", "try", strict, "--atlas", path, "--json")
	require.Equal(t, exitDone, r.code, r.err)
	var c atlas.PolicyChange
	require.NoError(t, json.Unmarshal([]byte(r.out), &c))
	var demoPoints struct{ Features []json.RawMessage }
	raw, err := data.Demo.ReadFile("demo/points.geojson")
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(raw, &demoPoints))
	for _, counts := range []map[answer.Verdict]int{c.Before, c.After} {
		n := 0
		for _, k := range counts {
			n += k
		}
		assert.Equal(t, len(demoPoints.Features), n, "every point is judged once")
	}
	require.NotEmpty(t, c.Changes)
	for _, p := range c.Changes {
		assert.Equal(t, answer.Holds, p.Before.Verdict, "a higher ratio makes no verdict better: %s/%s", p.Site, p.Label)
	}
	assert.Equal(t, c.Before[answer.Holds]-len(c.Changes), c.After[answer.Holds])
	assert.Equal(t, before, sum(t, path), "trying changes nothing")
}

func TestPolicySet(t *testing.T) {
	t.Setenv("USER", "officer")
	path := district(t)
	r := call(t, "", "policy", "set", policyFile(t, stricter), "--atlas", path)
	require.Equal(t, exitDone, r.code, r.err)
	assert.Contains(t, r.err, "strict-1 put in force")
	assert.Contains(t, r.out, "QR-04/P2")
	row := inForce(t, path)
	assert.Equal(t, "strict-1", row.Item.Version)
	assert.Equal(t, "officer", row.UpdatedBy)
	r = call(t, "", "options", "QR-04/P2", "--atlas", path, "--json")
	assert.Contains(t, r.out, `"verdict": "short"`)
	assert.Contains(t, r.out, `"policy": "strict-1"`)

	shown := call(t, "", "policy", "show", "--atlas", path).out
	r = call(t, shown, "policy", "set", "-", "--atlas", path)
	r.sentence(t, exitFailed, `policy "strict-1" is the one in force`)
	assert.Empty(t, r.out)
	call(t, string(data.DefaultPolicy), "policy", "set", "-", "--atlas", path).sentence(t, exitFailed, `policy "default-1" is an earlier one on record`)
	assert.Equal(t, "strict-1", inForce(t, path).Item.Version)
}

func TestBadPolicyLeavesTheAtlasAlone(t *testing.T) {
	path := district(t)
	before := sum(t, path)
	unsourced := policyFile(t, func(p *survey.Policy) { stricter(p); p.SetbackM.Source = "" })
	outside := policyFile(t, func(p *survey.Policy) { stricter(p); p.RequiredRatio.Value = 101 })
	for name, c := range map[string]struct{ file, says string }{
		"unsourced line": {unsourced, "/setback_m/source: is empty"},
		"out of bounds":  {outside, "/required_ratio/value: 101"},
		"misspelt":       {file(t, "m.json", strings.Replace(string(data.DefaultPolicy), `"sector_deg"`, `"sector_dge"`, 1)), "/sector_dge"},
		"empty document": {file(t, "e.json", "{}"), "/version: is missing"},
		"rubbish":        {file(t, "r.json", "\x00\x01"), "not valid JSON"},
		"endless":        {file(t, "l.json", strings.Repeat(" ", 2<<20)), "longer than 1 MB"},
		"no file":        {filepath.Join(t.TempDir(), "none.json"), "there is no file"},
	} {
		for _, verb := range []string{"try", "set"} {
			r := call(t, "", "policy", verb, c.file, "--atlas", path)
			r.sentence(t, exitFailed, c.says)
			assert.Equal(t, 1, strings.Count(r.err, "\n"), "%s: %s", name, r.err)
			assert.Less(t, len(r.err), 300, name)
			assert.Empty(t, r.out, name)
		}
		assert.Equal(t, before, sum(t, path), name)
	}
	none := filepath.Join(t.TempDir(), "none.db")
	call(t, "", "policy", "set", policyFile(t, stricter), "--atlas", none).sentence(t, exitFailed, "none.db")
	_, err := os.Stat(none)
	assert.ErrorIs(t, err, os.ErrNotExist, "setting a policy makes no atlas")
}
