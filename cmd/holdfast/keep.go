package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"holdfast/survey/sqlite"
)

type checkCmd struct {
	JSON bool `help:"The report as JSON."`
}

func (checkCmd) Help() string {
	return `Examples:
  holdfast check
  holdfast check --atlas /media/stick/backup.db

Reads the whole atlas and says what is wrong with it, where, and what to do:
torn pages, items that are not what their history says, a history or a log that
was altered, layers and photos that are not what was loaded. Nothing is changed,
and a server may go on writing. The exit code is 1 when something is wrong.

The hash it prints stands for everything the atlas ever recorded. Written down
elsewhere, it shows later that nothing before it was changed.`
}

func (c *checkCmd) Run(ctx context.Context, g *globals, s *streams) error {
	each := steps(s.err)
	r, err := sqlite.Check(ctx, g.Atlas, func(step string) { each("checking "+step, 0, 0) })
	each("", 0, 0)
	if err != nil {
		return err
	}
	if c.JSON {
		err = printJSON(s.out, r)
	} else {
		err = printReport(s.out, r)
	}
	if err == nil && len(r.Findings) > 0 {
		return errReported
	}
	return err
}

func printReport(w io.Writer, r sqlite.Report) error {
	for _, f := range r.Findings {
		fmt.Fprintf(w, "%s: %s\n    %s\n", f.Where, f.What, f.Do)
	}
	if r.More > 0 {
		fmt.Fprintf(w, "and %d more\n", r.More)
	}
	held := fmt.Sprintf("%d sites, %d points, %d layers, %d revisions", r.Sites, r.Points, r.Layers, r.Revisions)
	if len(r.Findings) > 0 {
		_, err := fmt.Fprintf(w, "NOT SOUND, findings: %d. Read: %s.\n", len(r.Findings)+r.More, held)
		return err
	}
	_, err := fmt.Fprintf(w, "Sound: %s.\nLog entry %d: %s\n", held, r.Entry, r.Hash)
	return err
}

type backupCmd struct {
	To   string `arg:"" help:"File to write, or a folder for one named by the time." placeholder:"FILE"`
	JSON bool   `help:"A summary as JSON."`
}

func (backupCmd) Help() string {
	return `Examples:
  holdfast backup /media/stick
  holdfast backup district-before-flood.db

The atlas may be written to meanwhile: the backup is one moment of it. It gets
its name only when it is whole on the disk and has passed holdfast check.`
}

func (c *backupCmd) Run(ctx context.Context, g *globals, s *streams) error {
	to := c.To
	if info, err := os.Stat(to); err == nil && info.IsDir() {
		name := strings.TrimSuffix(filepath.Base(g.Atlas), filepath.Ext(g.Atlas))
		to = filepath.Join(to, fmt.Sprintf("%s-%s.db", name, s.now().UTC().Format("20060102T150405Z")))
	}
	each := steps(s.err)
	r, err := sqlite.Backup(ctx, g.Atlas, to, each)
	each("", 0, 0)
	if err != nil {
		return unsound(s.err, err)
	}
	note(ctx, g.Atlas, s, sqlite.Event{What: "backup", Detail: map[string]any{"file": filepath.Base(to), "entry": r.Entry, "hash": r.Hash}})
	if c.JSON {
		return printJSON(s.out, struct {
			File string `json:"file"`
			sqlite.Report
		}{to, r})
	}
	fmt.Fprintln(s.out, to)
	return printReport(s.err, r)
}

// note puts an event into the log where the atlas may be written.
func note(ctx context.Context, path string, s *streams, e sqlite.Event) {
	store, err := sqlite.Open(ctx, path, sqlite.Options{Now: s.now})
	if err == nil {
		err = errors.Join(store.Note(ctx, e, author()), store.Close())
	}
	if err != nil {
		fmt.Fprintf(s.err, "the log of the atlas does not say so: %s\n", err)
	}
}

type restoreCmd struct {
	Backup  string `arg:"" help:"The backup." type:"existingfile" placeholder:"FILE"`
	Replace bool   `help:"Take the place of the atlas that is there; it is kept aside."`
	JSON    bool   `help:"A summary as JSON."`
}

func (restoreCmd) Help() string {
	return `Examples:
  holdfast restore /media/stick/atlas-20260504T080000Z.db --atlas district.db
  holdfast restore backup.db --replace

The backup is copied, brought up to date and checked first. Only a sound copy
becomes the atlas. Stop the server before: an atlas in use is not replaced.

Everybody signs in anew, and devices, stations and tokens are handed out anew.
Accounts and passwords are those of the day of the backup: close again what was
closed since, and change what was changed.`
}

func (c *restoreCmd) Run(ctx context.Context, g *globals, s *streams) error {
	each := steps(s.err)
	did, err := sqlite.RestoreBackup(ctx, c.Backup, g.Atlas, c.Replace, author(), each)
	each("", 0, 0)
	if err != nil {
		return unsound(s.err, err)
	}
	if c.JSON {
		return printJSON(s.out, struct {
			File  string `json:"file"`
			Aside string `json:"aside,omitempty"`
			sqlite.Report
		}{g.Atlas, did.Aside, did.Report})
	}
	if did.Aside != "" {
		fmt.Fprintf(s.err, "what was there is now %s\n", did.Aside)
	}
	fmt.Fprintln(s.err, "everybody signs in anew, devices and tokens too; check closed accounts and passwords: they are those of the day of the backup")
	fmt.Fprintln(s.out, g.Atlas)
	return printReport(s.err, did.Report)
}

// unsound lists what a check found before the error that sums it up.
func unsound(w io.Writer, err error) error {
	if bad, ok := errors.AsType[*sqlite.UnsoundError](err); ok {
		if err := printReport(w, bad.Report); err != nil {
			return err
		}
	}
	return err
}

// steps shows on a terminal how far long work is; in a pipe it stays quiet.
func steps(w io.Writer) sqlite.Progress {
	f, ok := terminal(w)
	if !ok {
		return func(string, int64, int64) {}
	}
	return func(step string, done, all int64) {
		text := step
		if all > 0 {
			text = fmt.Sprintf("%s, %d of about %d MB", step, done>>20, all>>20)
		}
		fmt.Fprintf(f, "\r\x1b[K%s", text)
	}
}
