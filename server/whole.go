package server

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"time"
)

// An answer that is long and read from the atlas is written whole to a file
// before it is sent: what arrives is whole or an error, and whoever does not
// read keeps nothing of the atlas open.

// contentsAtOnce is how many contents are handed to other stations at once,
// and how many are taken in. Each may need a file as large as a layer.
const contentsAtOnce = 2

// turns are places that are free or taken.
type turns chan struct{}

// begin takes a place until done. When none becomes free in time, the other
// side is to come again.
func (t turns) begin(ctx context.Context, most time.Duration) (done func(), err error) {
	wait := time.NewTimer(most)
	defer wait.Stop()
	select {
	case t <- struct{}{}:
		return func() { <-t }, nil
	case <-wait.C:
	case <-ctx.Done():
	}
	return nil, status(http.StatusServiceUnavailable, sayStationsBusy, cap(t))
}

// spare makes a file for an answer; it goes with done.
func spare() (f *os.File, done func(), err error) {
	f, err = os.CreateTemp("", exportPrefix)
	if err != nil {
		return nil, nil, fmt.Errorf("make a file for the answer: %w", err)
	}
	return f, func() {
		_ = f.Close() // it was written, and is
		_ = os.Remove(f.Name())
	}, nil
}

// hand sends a file from its beginning, for as long as it is read.
func hand(w http.ResponseWriter, f io.ReadSeeker) error {
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return err
	}
	_, err := io.Copy(patientWriter{w, http.NewResponseController(w)}, f)
	return err
}

// patientWriter gives a reader more time whenever something was read.
type patientWriter struct {
	w    io.Writer
	time *http.ResponseController
}

func (p patientWriter) Write(b []byte) (int, error) {
	_ = p.time.SetWriteDeadline(time.Now().Add(sendPatience)) // where the connection has none, there is nothing to put off
	return p.w.Write(b)
}
