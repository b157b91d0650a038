package main

import (
	"archive/zip"
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"regexp"
	"runtime"
	"runtime/debug"
	"slices"
	"time"

	"holdfast/survey/sqlite"
)

type supportCmd struct {
	To      string `help:"File to write." required:"" type:"path" placeholder:"FILE.zip"`
	Log     string `help:"What the server wrote to standard error; only counted by kind." type:"path" placeholder:"FILE"`
	Metrics string `help:"Address of a running server's metrics, to take its figures along." placeholder:"HOST:PORT"`
}

func (supportCmd) Help() string {
	return `Examples:
  holdfast support --to support.zip
  holdfast support --to support.zip --log holdfast.log --metrics 127.0.0.1:9090

It holds versions, how the atlas is made, how many of what there are, and
failures counted by kind: no name, place, phone number, note, address or file
path. It is text; look at it before you send it.`
}

func (c *supportCmd) Run(ctx context.Context, g *globals, s *streams) error {
	if c.Metrics != "" && !onThisMachine(c.Metrics) {
		return misuse("--metrics %s is not an address of this machine", c.Metrics)
	}
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	shape, err := a.Store.Shape(ctx)
	if err != nil {
		return err
	}
	files := map[string]any{"program.json": programFacts(), "atlas.json": shape}
	if c.Log != "" {
		if files["log.json"], err = countLog(c.Log); err != nil {
			return err
		}
	}
	if c.Metrics != "" {
		if files["metrics.txt"], err = fetchMetrics(ctx, c.Metrics); err != nil {
			return err
		}
	}
	return beside(c.To, c.To, func(w io.Writer) error { return writeSupport(w, files, s.now()) })
}

const supportNote = `Made by holdfast support for whoever helps. It holds versions, how the atlas is
made, how many of what there are, and failures counted by kind. It holds no
name, place, phone number, note, address or file path of the department.
`

func writeSupport(w io.Writer, files map[string]any, now time.Time) error {
	z := zip.NewWriter(w)
	add := func(name string, body []byte) error {
		f, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: now.UTC()})
		if err == nil {
			_, err = f.Write(body)
		}
		return err
	}
	if err := add("README.txt", []byte(supportNote)); err != nil {
		return err
	}
	for _, name := range []string{"program.json", "atlas.json", "log.json", "metrics.txt"} {
		body, ok := files[name].([]byte)
		if files[name] == nil {
			continue
		}
		if !ok {
			var b bytes.Buffer
			if err := printJSON(&b, files[name]); err != nil {
				return err
			}
			body = b.Bytes()
		}
		if err := add(name, body); err != nil {
			return err
		}
	}
	return z.Close()
}

type programFact struct {
	Version string            `json:"version"`
	Go      string            `json:"go"`
	System  string            `json:"system"`
	CPUs    int               `json:"cpus"`
	Modules map[string]string `json:"modules"`
}

func programFacts() programFact {
	f := programFact{Version: version(), Go: runtime.Version(), System: runtime.GOOS + "/" + runtime.GOARCH, CPUs: runtime.NumCPU(), Modules: map[string]string{}}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, m := range info.Deps {
			f.Modules[m.Path] = m.Version
		}
	}
	return f
}

// logCount is how often the log says a thing of a kind.
type logCount struct {
	Lines  int            `json:"lines"`
	Kinds  map[string]int `json:"kinds"` // by level, message, kind of failure and status
	From   string         `json:"from,omitempty"`
	Until  string         `json:"until,omitempty"`
	Others int            `json:"others"` // lines that are not the program's own
}

// ownWords is what the program's own messages and kinds look like. Whatever
// else stands in a log may hold an address or a name.
var ownWords = regexp.MustCompile(`^[a-z][a-z ,-]{0,60}$`)

var levels = []string{"DEBUG", "INFO", "WARN", "ERROR"}

// countLog sorts the lines of a log by kind and keeps nothing else of them.
func countLog(path string) (logCount, error) {
	out := logCount{Kinds: map[string]int{}}
	f, err := os.Open(path)
	if err != nil {
		return out, plainOpen(path, err)
	}
	defer f.Close()
	const longest = 1 << 20
	in := bufio.NewScanner(f)
	in.Buffer(nil, longest)
	for in.Scan() {
		var line struct {
			Time   time.Time
			Level  string
			Msg    string
			Kind   string
			Status int
		}
		out.Lines++
		if json.Unmarshal(in.Bytes(), &line) != nil || !slices.Contains(levels, line.Level) || !ownWords.MatchString(line.Msg) || line.Kind != "" && !ownWords.MatchString(line.Kind) {
			out.Others++
			continue
		}
		kind := line.Level + " " + line.Msg
		if line.Kind != "" {
			kind += ", " + line.Kind
		}
		if line.Status != 0 {
			kind += fmt.Sprintf(", %d", line.Status)
		}
		if at := line.Time.UTC().Format(time.RFC3339); !line.Time.IsZero() {
			if out.From == "" {
				out.From = at
			}
			out.Until = at
		}
		out.Kinds[kind]++
	}
	if err := in.Err(); err != nil {
		return out, fmt.Errorf("read %s: %w", path, err)
	}
	return out, nil
}

// fetchMetrics asks a server on this machine for its figures.
func fetchMetrics(ctx context.Context, addr string) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+addr+"/metrics", nil)
	if err != nil {
		return nil, fmt.Errorf("ask for metrics: %w", err)
	}
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, fmt.Errorf("ask for metrics: %w", err)
	}
	defer res.Body.Close()
	const most = 4 << 20
	b, err := io.ReadAll(io.LimitReader(res.Body, most))
	if err == nil && res.StatusCode != http.StatusOK {
		err = fmt.Errorf("it answered %s", res.Status)
	}
	if err != nil {
		return nil, fmt.Errorf("ask for metrics: %w", err)
	}
	return b, nil
}
