package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"runtime/debug"
	"syscall"
	"time"

	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

type serveCmd struct {
	Listen   string `help:"Address to serve on; only this machine unless told otherwise." default:"127.0.0.1:8080" placeholder:"HOST:PORT"`
	ReadOnly bool   `help:"Refuse every change."`
	TLSCert  string `help:"TLS certificate chain (PEM)." type:"existingfile" and:"tls" placeholder:"FILE"`
	TLSKey   string `help:"TLS private key (PEM)." type:"existingfile" and:"tls" placeholder:"FILE"`
}

func (serveCmd) Help() string {
	return `Examples:
  holdfast serve --atlas district.db
  holdfast serve --listen 0.0.0.0:8443 --tls-cert chain.pem --tls-key key.pem

There are no accounts yet: whoever reaches the address may read and, unless
--read-only is given, change the atlas. Browsers give position, compass and
offline use only to pages from this machine or over TLS.`
}

func (c *serveCmd) Run(ctx context.Context, g *globals, s *streams) error {
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: c.ReadOnly})
	if errors.Is(err, survey.ErrReadOnly) && !c.ReadOnly {
		return fmt.Errorf("%w, with holdfast serve --read-only", err)
	}
	if err != nil {
		return err
	}
	defer done()
	l, err := listen(ctx, c.Listen)
	if err != nil {
		return err
	}
	scheme := "http"
	if c.TLSCert != "" {
		scheme = "https"
	}
	fmt.Fprintf(s.out, "%s://%s/\n", scheme, l.Addr())
	return c.serve(ctx, a, l, s, false)
}

func (c *serveCmd) serve(ctx context.Context, a atlas.Atlas, l net.Listener, s *streams, demo bool) error {
	log := slog.New(slog.NewJSONHandler(s.err, nil))
	h, err := server.New(server.Config{Store: a.Store, Now: a.Now, Magnetic: a.Magnetic, Log: log, Demo: demo, ReadOnly: c.ReadOnly, Version: version()})
	if err != nil {
		return errors.Join(err, l.Close())
	}
	srv := &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       5 * time.Minute, // an import over a field connection
		WriteTimeout:      5 * time.Minute,
		IdleTimeout:       2 * time.Minute,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
	stopped := make(chan error, 1)
	go func() {
		<-ctx.Done()
		grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		stopped <- srv.Shutdown(grace)
	}()
	if c.TLSCert != "" {
		err = srv.ServeTLS(l, c.TLSCert, c.TLSKey)
	} else {
		err = srv.Serve(l)
	}
	if !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve: %w", err)
	}
	return <-stopped
}

// listen takes the address or says in plain words why it cannot be had.
func listen(ctx context.Context, addr string) (net.Listener, error) {
	var lc net.ListenConfig
	l, err := lc.Listen(ctx, "tcp", addr)
	switch {
	case err == nil:
		return l, nil
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("another program already serves on %s: stop it, or choose another port with --listen", addr)
	case errors.Is(err, os.ErrPermission):
		return nil, fmt.Errorf("this user may not serve on %s: choose a port above 1023 with --listen", addr)
	}
	return nil, fmt.Errorf("serve on %s: %w", addr, err)
}

// version is the module version or commit the program was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && len(s.Value) >= 12 {
			return s.Value[:12]
		}
	}
	return info.Main.Version
}
