package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"time"
)

// served is holdfast serving an atlas on this machine.
type served struct {
	cmd     *exec.Cmd
	client  http.Client
	base    string        // http://127.0.0.1:…
	started time.Duration // from the start of the process to its first answer
}

const startPatience = 30 * time.Second

// serve starts the server and waits for its first answer.
func (b *bench) serve(ctx context.Context, atlas string) (*served, error) {
	// Not packed, as between programs of one machine.
	s := &served{client: http.Client{Transport: &http.Transport{DisableCompression: true}}, cmd: exec.CommandContext(ctx, b.binary, "serve", "--listen", "127.0.0.1:0", "--atlas", atlas)}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	begun := time.Now()
	if err := s.cmd.Start(); err != nil {
		return nil, err
	}
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		return nil, errors.Join(fmt.Errorf("start the server: %w", err), s.stop())
	}
	s.base = strings.TrimSuffix(strings.TrimSpace(line), "/")
	for {
		_, n, err := s.get(ctx, "/api/collections/places/items?limit=1")
		if s.started = time.Since(begun); err == nil && n > 0 {
			return s, nil
		}
		if s.started > startPatience {
			return nil, errors.Join(fmt.Errorf("wait for the server: %w", err), s.stop())
		}
		time.Sleep(time.Millisecond)
	}
}

// stop ends the server.
func (s *served) stop() error {
	if err := s.cmd.Process.Signal(os.Interrupt); err != nil {
		return err
	}
	return s.cmd.Wait()
}

// get asks for a path and reads the whole answer.
func (s *served) get(ctx context.Context, path string) (took time.Duration, size int64, err error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, s.base+path, nil)
	if err != nil {
		return 0, 0, err
	}
	begun := time.Now()
	res, err := s.client.Do(req)
	if err != nil {
		return 0, 0, err
	}
	defer res.Body.Close()
	size, err = io.Copy(io.Discard, res.Body)
	took = time.Since(begun)
	if err == nil && res.StatusCode >= 300 {
		err = fmt.Errorf("GET %s: %s", path, res.Status)
	}
	return took, size, err
}

// all asks for paths one after the other and returns how long each took, the
// shortest first.
func (s *served) all(ctx context.Context, paths []string) ([]time.Duration, error) {
	took := make([]time.Duration, len(paths))
	for i, p := range paths {
		var err error
		if took[i], _, err = s.get(ctx, p); err != nil {
			return nil, err
		}
	}
	slices.Sort(took)
	return took, nil
}

// share returns the value that a share of sorted times stays within.
func share(sorted []time.Duration, of float64) time.Duration {
	return sorted[min(len(sorted)-1, int(of*float64(len(sorted))))]
}

// memory reads a line of the process's status, such as VmRSS, in bytes.
func (s *served) memory(line string) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.cmd.Process.Pid))
	if err != nil {
		return 0
	}
	for l := range strings.Lines(string(text)) {
		if rest, is := strings.CutPrefix(l, line+":"); is {
			kb, err := strconv.ParseInt(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 10, 64)
			if err == nil {
				return kb << 10
			}
		}
	}
	return 0
}

// cpu is the processor time the server has used so far.
func (s *served) cpu() time.Duration {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", s.cmd.Process.Pid))
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(text), ") ") // behind the program's name
	f := strings.Fields(rest)
	if len(f) < 13 {
		return 0
	}
	user, err1 := strconv.ParseInt(f[11], 10, 64)
	system, err2 := strconv.ParseInt(f[12], 10, 64)
	if err1 != nil || err2 != nil {
		return 0
	}
	return time.Duration(user+system) * (time.Second / 100) // ticks of Linux
}

// settle asks for the map, and waits until the verdicts it shows have been
// worked out: until the server has had nothing to do for a second.
func (s *served) settle(ctx context.Context) error {
	if _, _, err := s.get(ctx, "/"); err != nil {
		return err
	}
	for before := time.Duration(-1); s.cpu() != before; time.Sleep(time.Second) {
		if err := ctx.Err(); err != nil {
			return err
		}
		before = s.cpu()
	}
	return nil
}

// files is how many files and connections the server has open.
func (s *served) files() int {
	list, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", s.cmd.Process.Pid))
	if err != nil {
		return 0
	}
	return len(list)
}
