package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

type pruneCmd struct {
	DryRun bool `help:"Only list what would go."`
	JSON   bool `help:"The list as JSON."`
}

func (pruneCmd) Help() string {
	return `Examples:
  holdfast prune --dry-run
  holdfast prune

Removes what the department's policy says need not be kept any more, under
"keep": photos that no point lists, former editions of layers, and from where
and with what people signed in. A policy that says nothing keeps everything for
ever; so does every policy with all versions of sites and points, and with what
is in conflict. The log keeps what was removed, by whom and when, with its
SHA-256, and holdfast check goes on holding the whole to it. Backups made before
still have it.`
}

func (c *pruneCmd) Run(ctx context.Context, g *globals, s *streams) error {
	a, closeStore, err := g.open(ctx, s, sqlite.Options{ReadOnly: c.DryRun})
	if err != nil {
		return err
	}
	defer closeStore()
	policy, err := a.Store.Policy(ctx)
	if err != nil && !errors.Is(err, survey.ErrNotFound) {
		return err
	}
	before := policy.Outdated(s.now())
	list := []sqlite.Outdated{}
	if c.DryRun {
		list, err = a.Store.Outdated(ctx, before)
	} else {
		err = a.Store.Prune(ctx, before, author(), func(o sqlite.Outdated) { list = append(list, o) })
	}
	if c.JSON {
		return errors.Join(printJSON(s.out, list), err)
	}
	return errors.Join(printPruned(s.out, list, len(policy.Keep) == 0, c.DryRun), err)
}

func printPruned(w io.Writer, list []sqlite.Outdated, all, dry bool) error {
	var bytes int64
	for _, o := range list {
		fmt.Fprintf(w, "%s\n", sayOutdated(o))
		bytes += o.Bytes
	}
	switch {
	case len(list) == 0 && all:
		fmt.Fprintln(w, `Nothing: the policy keeps everything. A line under "keep" says how long something is kept.`)
	case len(list) == 0:
		fmt.Fprintln(w, "Nothing is older than the policy keeps it.")
	case dry:
		fmt.Fprintf(w, "%.1f MB would go. Nothing was removed.\n", float64(bytes)/1e6)
	default:
		fmt.Fprintf(w, "%.1f MB removed. Backups made before still have it.\n", float64(bytes)/1e6)
	}
	return nil
}

func sayOutdated(o sqlite.Outdated) string {
	since := o.Since.Format(time.DateOnly)
	switch o.Of {
	case survey.KeptPhotos:
		return fmt.Sprintf("photo %s, on no list since %s, %.1f MB", o.ID, since, float64(o.Bytes)/1e6)
	case survey.KeptLayers:
		return fmt.Sprintf("former edition of layer %s, out of force since %s, features: %d, %.1f MB", o.ID, since, o.Count, float64(o.Bytes)/1e6)
	}
	return fmt.Sprintf("from where and with what people signed in, entries of the log: %d, the last of %s", o.Count, since)
}
