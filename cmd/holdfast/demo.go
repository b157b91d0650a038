package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"holdfast/data"
	"holdfast/survey/atlas"
	"holdfast/survey/demo"
	"holdfast/survey/preplan"
	"holdfast/survey/sqlite"
)

type demoCmd struct {
	Listen string `help:"Address to serve on." default:"127.0.0.1:0" placeholder:"HOST:PORT"`
	Dir    string `help:"Folder for the atlas and the sheet; a temporary one, removed at the end, if left out." type:"path" placeholder:"FOLDER"`
}

func (demoCmd) Help() string {
	return `Example:
  holdfast demo

Everything in the district - its name, places, people and figures - is
invented. Stop it with Ctrl-C; the temporary atlas is then removed.`
}

// Run makes the district, prints one sheet and serves. The address and the
// sheet's path are the only lines on stdout.
func (c *demoCmd) Run(ctx context.Context, s *streams) (err error) {
	if !onThisMachine(c.Listen) {
		return misuse("--listen %s: the demo has no accounts and is shown on this machine only", c.Listen)
	}
	dir := c.Dir
	if dir == "" {
		if dir, err = os.MkdirTemp("", "holdfast-demo-"); err != nil {
			return fmt.Errorf("make a temporary folder: %w", err)
		}
		defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	} else if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make the folder: %w", err)
	}
	l, err := listen(ctx, c.Listen)
	if err != nil {
		return err
	}
	g := globals{Atlas: filepath.Join(dir, "atlas.db")}
	a, done, err := g.open(ctx, s, sqlite.Options{Create: true})
	if err != nil {
		return errors.Join(err, l.Close())
	}
	defer done()
	if err := demo.Fill(ctx, a.Store, data.Demo, s.now()); err != nil {
		return errors.Join(fmt.Errorf("make the invented district: %w", err), l.Close())
	}
	sheet := filepath.Join(dir, demo.BestSite+".pdf")
	address := "http://" + l.Addr().String()
	printed, err := a.Sheet(ctx, demo.BestSite, atlas.Print{Paper: preplan.Letter, Address: address})
	if err == nil {
		err = beside(sheet, "the sheet", func(w io.Writer) error { return preplan.WritePDF(w, printed) })
	}
	if err != nil {
		return errors.Join(err, l.Close())
	}
	fmt.Fprintf(s.out, "http://%s/\n%s\n", l.Addr(), sheet)
	fmt.Fprintln(s.err, "The invented district is ready. No account is needed: it is served to this machine only. Ctrl-C stops it.")
	return (&serveCmd{}).serve(ctx, a, l, s, true)
}
