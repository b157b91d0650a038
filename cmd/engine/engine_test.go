package main_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/cmd/engine/source"
	"holdfast/data"
	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/demo"
	"holdfast/survey/sqlite"
	"holdfast/survey/walk"
)

const compiled = "../../static/engine"

var now = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

// TestEngineIsUpToDate fails when the compiled engine is older than what it is
// compiled from.
func TestEngineIsUpToDate(t *testing.T) {
	want, err := source.Digest(os.DirFS("../.."))
	require.NoError(t, err)
	got, err := os.ReadFile(filepath.Join(compiled, "SOURCE"))
	require.NoError(t, err)
	digest, _, _ := strings.Cut(string(got), " ")
	assert.Equal(t, want, digest, "the compiled engine is older than its source: run go generate ./cmd/engine/gen")
}

// district is the invented district of the demo.
func district(t *testing.T) atlas.Atlas {
	t.Helper()
	policy, err := survey.ParsePolicy(data.DefaultPolicy)
	require.NoError(t, err)
	clock := func() time.Time { return now }
	store, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "atlas.db"), sqlite.Options{Create: true, Policy: policy, Now: clock})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, store.Close()) })
	require.NoError(t, demo.Fill(t.Context(), store, data.Demo, now))
	return atlas.Atlas{Store: store, Now: clock}
}

type question struct {
	verb string
	body json.RawMessage
}

func ask(t *testing.T, verb string, body any) question {
	t.Helper()
	b, err := json.Marshal(body)
	require.NoError(t, err)
	return question{verb, b}
}

// questions asks everything of every demo point, also under a wetter sky and
// without what was surveyed.
func questions(t *testing.T, area walk.Area) []question {
	t.Helper()
	out := []question{ask(t, "area", area), ask(t, "points", walk.Question{AsOf: now})}
	for _, one := range area.Points {
		bare := geojson.Feature{Geometry: one.Feature.Geometry, Properties: json.RawMessage(`{}`)}
		for _, q := range []walk.Question{
			{Point: one.Feature, AsOf: now},
			{Point: one.Feature, AsOf: now, Tonight: survey.Submerged, Load: "280 kg", Required: survey.Known(8.0)},
			{Point: bare, AsOf: now},
		} {
			out = append(out, ask(t, "answer", q))
		}
	}
	return append(out,
		question{"answer", json.RawMessage(`{"point": {"type": "Feature", "geometry": {"type": "Point", "coordinates": [12, 50]}, "properties": {"slope": 3}}}`)},
		question{"position", json.RawMessage(`{"position": "15T XK 42364 45775", "at": "2026-05-04T08:00:00Z"}`)},
		question{"position", json.RawMessage(`{"position": "nowhere"}`)},
		question{"bearing", json.RawMessage(`{"lon": -91.2, "lat": 44.65, "at": "2026-05-04T08:00:00Z", "magnetic": 200}`)},
		question{"grid", json.RawMessage(`{"bbox": [-91.21, 44.64, -91.2, 44.65]}`)},
		question{"nonsense", json.RawMessage(`{}`)})
}

var number = regexp.MustCompile(`-?\d+(\.\d+)?(e[+-]?\d+)?`)

// same requires the very same bytes, but for the last of 17 digits of a number:
// the standard library's math.Exp and Hypot are assembly on some processors and
// Go on others, and may round differently.
func same(t *testing.T, want, got, asked string) {
	t.Helper()
	if want == got {
		return
	}
	require.Equal(t, number.Split(want, -1), number.Split(got, -1), asked)
	ours, theirs := number.FindAllString(want, -1), number.FindAllString(got, -1)
	for i := range ours {
		a, err := strconv.ParseFloat(ours[i], 64)
		require.NoError(t, err)
		b, err := strconv.ParseFloat(theirs[i], 64)
		require.NoError(t, err)
		require.InDelta(t, a, b, 1e-14*math.Abs(a), asked)
	}
}

// TestBrowserGivesTheSameAnswers runs the compiled engine and requires the
// answers that the server's own processor gives.
func TestBrowserGivesTheSameAnswers(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("no node on this machine")
		}
		t.Skip("no node on this machine")
	}
	area, err := district(t).Area(t.Context(), "")
	require.NoError(t, err)
	asked := questions(t, area)
	require.Greater(t, len(asked), 30)
	var in bytes.Buffer
	for _, q := range asked {
		fmt.Fprintf(&in, "[%q,%s]\n", q.verb, q.body)
	}
	run := exec.CommandContext(t.Context(), node, "testdata/ask.mjs", filepath.Join(compiled, "wasm_exec.js"), filepath.Join(compiled, "engine.wasm.gz"))
	run.Stdin, run.Stderr = &in, t.Output()
	out, err := run.Output()
	require.NoError(t, err)
	answers := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
	require.Len(t, answers, len(asked))
	var device walk.Device
	for i, q := range asked {
		same(t, string(device.Ask(q.verb, q.body)), answers[i], fmt.Sprintf("%s %.200s", q.verb, q.body))
	}
}

// TestTakenAlongNothingIsLost requires that a device answers from its area as
// the atlas does from the store.
func TestTakenAlongNothingIsLost(t *testing.T) {
	a := district(t)
	area, err := a.Area(t.Context(), "")
	require.NoError(t, err)
	require.NotEmpty(t, area.Points)
	var device walk.Device
	body, err := json.Marshal(area)
	require.NoError(t, err)
	require.Contains(t, string(device.Ask("area", body)), `"ok"`)
	for _, one := range area.Points {
		j, err := a.Point(t.Context(), one.Feature.ID, atlas.Ask{})
		require.NoError(t, err)
		want, err := json.Marshal(map[string]any{"ok": walk.Judged{Covered: true, Answer: j.Answer}})
		require.NoError(t, err)
		question := ask(t, "answer", walk.Question{Point: one.Feature, AsOf: now})
		assert.JSONEq(t, string(want), string(device.Ask(question.verb, question.body)))
	}
}
