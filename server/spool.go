package server

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

// MaxFile bounds a file that is brought in, in bytes.
const MaxFile = 2 << 30

// Bounds of what waits to be brought in.
const (
	spoolFiles = 6
	spoolAge   = 2 * time.Hour // since anybody last looked at it
)

// The names of temporary files begin with these.
const (
	spoolPrefix   = "holdfast-incoming-"
	exportPrefix  = "holdfast-export-"
	contentPrefix = "holdfast-content-" // of the store
)

// spool holds files that were sent and wait for somebody to say what they are.
// They lie in a folder of their own that goes with the server.
type spool struct {
	now  func() time.Time
	mu   sync.Mutex
	root *os.Root // made when the first file comes
	all  map[string]*sent
	work sync.WaitGroup
}

// sent is a file in the spool. What it was found to be does not change.
type sent struct {
	ID    string
	Name  string // as the sender calls it; it is shown and nothing else
	Size  int64
	Found atlas.Examined
	path  string

	mu     sync.Mutex
	seen   time.Time
	intake atlas.Intake // as it was asked for last
	form   url.Values   // the form that asked
	work   *work        // nil before anything was asked for
}

// work is the reading of a file, to look at it or to bring it in.
type work struct {
	Taking  bool
	Began   time.Time
	Total   int // records, -1 when not known
	cancel  context.CancelFunc
	ended   chan struct{}
	mu      sync.Mutex
	read    int
	outcome outcome
}

// outcome is how a work ended.
type outcome struct {
	Report *exchange.Report // nil when it did not come that far
	Import sqlite.Import
	Err    error
}

func newSpool(now func() time.Time) *spool { return &spool{now: now, all: map[string]*sent{}} }

// keep writes a file to the spool as it comes in.
func (s *spool) keep(name string, from io.Reader) (*sent, error) {
	root, err := s.room()
	if err != nil {
		return nil, err
	}
	id := rand.Text()
	f, err := root.OpenFile(id, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, fmt.Errorf("keep the file: %w", err)
	}
	n, err := io.Copy(f, io.LimitReader(from, MaxFile+1))
	err = errors.Join(err, f.Close())
	if err == nil && n > MaxFile {
		err = status(http.StatusRequestEntityTooLarge, sayFileTooLarge, MaxFile>>30)
	}
	if err == nil && n == 0 {
		err = survey.Invalid("", sayFileEmpty)
	}
	one := &sent{ID: id, Name: name, Size: n, path: filepath.Join(root.Name(), id), seen: s.now()}
	if err == nil {
		one.Found, err = atlas.Examine(one.path)
	}
	if err != nil {
		return nil, errors.Join(err, root.Remove(id))
	}
	s.mu.Lock()
	s.all[id] = one
	s.mu.Unlock()
	return one, nil
}

// room makes room for one more file: what nobody looked at for long goes, and
// when the spool is full still, nothing more comes in.
func (s *spool) room() (*os.Root, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for id, one := range s.all {
		if s.now().Sub(one.lastSeen()) > spoolAge && !one.busy() {
			s.forget(id)
		}
	}
	if len(s.all) >= spoolFiles {
		return nil, status(http.StatusServiceUnavailable, sayTooManyFiles, len(s.all))
	}
	if s.root != nil {
		if _, err := os.Lstat(s.root.Name()); err == nil {
			return s.root, nil
		}
		_ = s.root.Close() // the folder was swept away
	}
	dir, err := os.MkdirTemp("", spoolPrefix)
	if err != nil {
		return nil, fmt.Errorf("make a folder for the file: %w", err)
	}
	s.root, err = os.OpenRoot(dir)
	return s.root, err
}

// get returns a file by its id.
func (s *spool) get(id string) (*sent, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	one := s.all[id]
	if one == nil {
		return nil, status(http.StatusNotFound, sayFileGone)
	}
	one.mu.Lock()
	one.seen = s.now()
	one.mu.Unlock()
	return one, nil
}

// list returns the files that wait, the oldest first.
func (s *spool) list() []*sent {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []*sent
	for _, one := range s.all {
		if w := one.at(); w == nil || !w.Taking || w.running() {
			out = append(out, one)
		}
	}
	slices.SortFunc(out, func(a, b *sent) int { return a.lastSeen().Compare(b.lastSeen()) })
	return out
}

// discard ends what is done with a file and removes it.
func (s *spool) discard(one *sent) {
	if w := one.at(); w != nil {
		w.cancel()
		<-w.ended
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.forget(one.ID)
}

// forget is discard for one that is idle, with the lock held.
func (s *spool) forget(id string) {
	delete(s.all, id)
	_ = s.root.Remove(id) // it may be gone already; the folder goes with the server
}

// close ends all work and removes the folder.
func (s *spool) close() error {
	s.mu.Lock()
	for _, one := range s.all {
		if w := one.at(); w != nil {
			w.cancel()
		}
	}
	root := s.root
	s.mu.Unlock()
	s.work.Wait()
	if root == nil {
		return nil
	}
	return errors.Join(root.Close(), os.RemoveAll(root.Name()))
}

func (o *sent) lastSeen() time.Time {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.seen
}

func (o *sent) at() *work {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.work
}

func (o *sent) busy() bool {
	w := o.at()
	return w != nil && w.running()
}

// start begins a work on a file; one that is still going on refuses it.
func (s *spool) start(one *sent, in atlas.Intake, taking bool, do func(context.Context, atlas.Intake) outcome) (*work, error) {
	one.mu.Lock()
	defer one.mu.Unlock()
	if one.work != nil && one.work.running() {
		return nil, status(http.StatusConflict, sayFileBeingRead)
	}
	ctx, cancel := context.WithCancel(context.Background())
	w := &work{Taking: taking, Began: s.now(), Total: -1, cancel: cancel, ended: make(chan struct{})}
	for _, t := range one.Found.Tables {
		if len(one.Found.Tables) == 1 || t.Name == in.Table {
			w.Total = t.Count
		}
	}
	in.Path, in.Name, in.Each = one.path, one.Name, w.count
	one.intake, one.work = in, w
	s.work.Go(func() {
		defer cancel()
		out := recovered(func() outcome { return do(ctx, in) })
		w.mu.Lock()
		w.outcome = out
		w.mu.Unlock()
		close(w.ended)
	})
	return w, nil
}

// recovered turns a panic of a work into its failure: nobody else catches it.
func recovered(do func() outcome) (out outcome) {
	defer func() {
		if v := recover(); v != nil {
			out = outcome{Err: fmt.Errorf(sayFileBroken, v)}
		}
	}()
	return do()
}

func (w *work) count(done int) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.read = done
	return nil
}

func (w *work) running() bool {
	select {
	case <-w.ended:
		return false
	default:
		return true
	}
}

// progress is how far a work has come, and how it ended if it has.
func (w *work) progress() (read int, out outcome, ended bool) {
	ended = !w.running()
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.read, w.outcome, ended
}

// wait gives a short work the time to end, so that its page shows the end.
func (w *work) wait(ctx context.Context, most time.Duration) {
	select {
	case <-w.ended:
	case <-ctx.Done():
	case <-time.After(most):
	}
}
