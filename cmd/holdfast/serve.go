package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"runtime/debug"
	"syscall"
	"time"

	"holdfast/geo/mbtiles"
	"holdfast/server"
	"holdfast/survey"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

type serveCmd struct {
	Listen   string `help:"Address to serve on; only this machine unless told otherwise." default:"127.0.0.1:8080" placeholder:"HOST:PORT"`
	Address  string `help:"Where people reach this server, for codes to scan and links to hand on; that of the request if left out." env:"HOLDFAST_ADDRESS" placeholder:"URL"`
	ReadOnly bool   `help:"Refuse every change to what is surveyed."`
	Base     string `help:"Raster map tiles to draw below everything (MBTiles)." type:"existingfile" placeholder:"FILE"`
	TLSCert  string `help:"TLS certificate chain (PEM). A renewed one is taken up while serving." type:"existingfile" and:"tls" placeholder:"FILE"`
	TLSKey   string `help:"TLS private key (PEM)." type:"existingfile" and:"tls" placeholder:"FILE"`
	Metrics  string `help:"Address of this machine for Prometheus metrics, like 127.0.0.1:9090; none if left out." placeholder:"HOST:PORT"`
}

func (serveCmd) Help() string {
	return `Examples:
  holdfast serve --atlas district.db
  holdfast serve --base county.mbtiles
  holdfast serve --listen 0.0.0.0:8443 --tls-cert chain.pem --tls-key key.pem
  holdfast serve --listen 0.0.0.0:8443 --tls-cert chain.pem --tls-key key.pem --metrics 127.0.0.1:9090

Without accounts the atlas is open to this machine and to nobody else. On a
wider address only the first account can be made until there is one, with the
code printed here; holdfast person add makes it too. From then on everybody
signs in, on this machine as well.

Give a wider address only together with TLS: without, passwords cross the
network for all to read, and browsers give position, compass and offline use
to pages from this machine only.

/healthz and /readyz tell whether the program lives and can serve. A changed
certificate is taken up within a minute, or at once on the signal HUP.`
}

func (c *serveCmd) Run(ctx context.Context, g *globals, s *streams) error {
	if c.Metrics != "" && !onThisMachine(c.Metrics) {
		return misuse("--metrics %s: figures are for whoever runs this machine; give an address of it, like 127.0.0.1:9090", c.Metrics)
	}
	a, done, err := c.open(ctx, g, s)
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

// open opens the atlas. One that is served for reading only is written
// nevertheless where people have accounts, to keep who is signed in.
func (c *serveCmd) open(ctx context.Context, g *globals, s *streams) (atlas.Atlas, func(), error) {
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: c.ReadOnly})
	switch {
	case errors.Is(err, survey.ErrReadOnly) && !c.ReadOnly:
		return a, nil, fmt.Errorf("%w, with holdfast serve --read-only", err)
	case err != nil || !c.ReadOnly:
		return a, done, err
	}
	people, err := a.Store.HasPeople(ctx)
	if err != nil || !people {
		return a, done, err
	}
	done()
	a, done, err = g.open(ctx, s, sqlite.Options{})
	if errors.Is(err, survey.ErrReadOnly) {
		fmt.Fprintln(s.err, "The file may not be written, so nobody can sign in; devices, wall screens and tokens that are in already can read.")
		return g.open(ctx, s, sqlite.Options{ReadOnly: true})
	}
	return a, done, err
}

// server makes the server for a listener: wide when that reaches beyond this
// machine.
func (c *serveCmd) server(ctx context.Context, a atlas.Atlas, l net.Listener, s *streams, log *slog.Logger, base *mbtiles.Tiles, demo bool) (*server.Server, error) {
	conf := server.Config{
		Store: a.Store, Now: a.Now, Magnetic: a.Magnetic, Log: log, Demo: demo, ReadOnly: c.ReadOnly, Base: base, Address: c.Address, Version: version(),
		Wide: !onThisMachine(l.Addr().String()),
	}
	people, err := a.Store.HasPeople(ctx)
	switch {
	case err != nil:
		return nil, err
	case people || demo:
	case a.Store.ReadOnly() && conf.Wide:
		return nil, errors.New("nobody has an account, and none can be made in a file that may not be written: serve it to this machine only, or make one first with holdfast person add")
	case a.Store.ReadOnly():
	default:
		conf.Code = server.NewCode()
		how := "Nobody has an account yet: this machine may do everything, others are not served."
		if conf.Wide {
			how = "Nobody has an account yet, so nothing is shown until the first is made."
		}
		fmt.Fprintf(s.err, "%s To make the first, open /first and give this code: %s\n", how, conf.Code)
	}
	if conf.Wide && c.TLSCert == "" {
		fmt.Fprintln(s.err, "Warning: without TLS, passwords and contacts cross the network for all to read. Give --tls-cert and --tls-key.")
	}
	return server.New(conf)
}

// onThisMachine tells whether an address is of this machine only.
func onThisMachine(addr string) bool {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// mostHeader bounds the head of a request, in bytes.
const mostHeader = 32 << 10

// base opens the tiles of the base map; nil when none was named.
func (c *serveCmd) base(ctx context.Context) (*mbtiles.Tiles, error) {
	if c.Base == "" {
		return nil, nil
	}
	return mbtiles.Open(ctx, c.Base)
}

func (c *serveCmd) serve(ctx context.Context, a atlas.Atlas, l net.Listener, s *streams, demo bool) (err error) {
	base, err := c.base(ctx)
	if err != nil {
		return errors.Join(err, l.Close())
	}
	if base != nil {
		defer base.Close()
	}
	log := slog.New(slog.NewJSONHandler(s.err, nil))
	h, err := c.server(ctx, a, l, s, log, base, demo)
	if err != nil {
		return errors.Join(err, l.Close())
	}
	defer func() { err = errors.Join(err, h.Close()) }()
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	running := []*http.Server{{
		Handler:           h,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       5 * time.Minute, // an import over a field connection
		WriteTimeout:      5 * time.Minute,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    mostHeader,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}}
	serve := []func() error{func() error { return running[0].Serve(l) }}
	if c.TLSCert != "" {
		cert, err := loadCertificate(c.TLSCert, c.TLSKey)
		if err != nil {
			return errors.Join(err, l.Close())
		}
		go cert.watch(ctx, time.Minute, log)
		running[0].TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: cert.get}
		serve[0] = func() error { return running[0].ServeTLS(l, "", "") }
	}
	if c.Metrics != "" {
		ml, err := listen(ctx, c.Metrics)
		if err != nil {
			return errors.Join(err, l.Close())
		}
		mux := http.NewServeMux()
		mux.Handle("GET /metrics", h.Metrics())
		running = append(running, &http.Server{Handler: mux, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second, MaxHeaderBytes: mostHeader, ErrorLog: running[0].ErrorLog})
		serve = append(serve, func() error { return running[1].Serve(ml) })
		fmt.Fprintf(s.err, "metrics on http://%s/metrics\n", ml.Addr())
	}
	return together(ctx, stop, running, serve)
}

// together serves until the context ends or one of the servers fails; what is
// at work then may end.
func together(ctx context.Context, stop func(), running []*http.Server, serve []func() error) error {
	ended := make(chan error, len(serve))
	for _, one := range serve {
		go func() {
			err := one()
			if errors.Is(err, http.ErrServerClosed) {
				err = nil
			} else {
				err = fmt.Errorf("serve: %w", err)
			}
			stop()
			ended <- err
		}()
	}
	<-ctx.Done()
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	var errs []error
	for _, one := range running {
		errs = append(errs, one.Shutdown(grace))
	}
	for range serve {
		errs = append(errs, <-ended)
	}
	return errors.Join(errs...)
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
