package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"sync/atomic"
	"syscall"
	"time"
)

// certificate is the TLS certificate in two files, taken up anew when they
// change.
type certificate struct {
	chain, key string
	current    atomic.Pointer[tls.Certificate]
	seen       [2]os.FileInfo
}

func loadCertificate(chain, key string) (*certificate, error) {
	c := &certificate{chain: chain, key: key}
	_, err := c.refresh()
	return c, err
}

// refresh reads the files when they have changed. A pair that does not fit, as
// while it is being replaced, leaves the one before in use.
func (c *certificate) refresh() (changed bool, err error) {
	var now [2]os.FileInfo
	for i, path := range []string{c.chain, c.key} {
		if now[i], err = os.Stat(path); err != nil {
			return false, plainOpen(path, err)
		}
		was := c.seen[i]
		changed = changed || was == nil || !was.ModTime().Equal(now[i].ModTime()) || was.Size() != now[i].Size()
	}
	if !changed {
		return false, nil
	}
	pair, err := tls.LoadX509KeyPair(c.chain, c.key)
	if err != nil {
		return false, fmt.Errorf("read TLS certificate: %w", err)
	}
	c.current.Store(&pair)
	c.seen = now
	return true, nil
}

// watch looks at the files from time to time, and on the signal HUP.
func (c *certificate) watch(ctx context.Context, every time.Duration, log *slog.Logger) {
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGHUP)
	defer signal.Stop(asked)
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		case <-asked:
		}
		switch changed, err := c.refresh(); {
		case err != nil:
			log.WarnContext(ctx, "certificate not taken up", "error", err)
		case changed:
			log.InfoContext(ctx, "certificate taken up")
		}
	}
}

func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	return c.current.Load(), nil
}
