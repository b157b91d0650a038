package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"text/tabwriter"
	"time"

	"holdfast/survey/exchange"
	"holdfast/survey/sqlite"
)

type importsCmd struct {
	List     importsListCmd     `cmd:"" default:"withargs" help:"What was brought in, the latest first."`
	Undo     importsUndoCmd     `cmd:"" help:"Take an import back, the latest unless a number is given."`
	Mappings importsMappingsCmd `cmd:"" help:"The mappings that were saved, or one of them as JSON."`
}

func (importsCmd) Help() string {
	return `Examples:
  holdfast imports
  holdfast imports --json
  holdfast imports undo 7 --dry-run
  holdfast imports undo --keep-changed
  holdfast imports mappings "County soils" > county.json

Undoing puts each site and point back to what it was before, as a new revision;
what the import had made is deleted. Of a layer the edition before comes back: it
is kept until the layer is imported again.`
}

type importsListCmd struct {
	JSON bool `help:"As JSON."`
}

func (importsListCmd) Help() string {
	return `Examples:
  holdfast imports list --json`
}

func (c *importsListCmd) Run(ctx context.Context, g *globals, s *streams) error {
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	all, err := a.Store.Imports(ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		if all == nil {
			all = []sqlite.Import{}
		}
		return printJSON(s.out, all)
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for _, i := range all {
		var r exchange.Report
		if err := json.Unmarshal(i.Report, &r); err != nil {
			return fmt.Errorf("read the report of import %d: %w", i.Number, err)
		}
		state := fmt.Sprintf("%d taken, %d refused", r.Taken(), r.Refused)
		if c := r.Changes; c != nil {
			state += fmt.Sprintf("; %d added, %d changed, %d removed, %d unchanged", c.Added, c.Changed, c.Removed, c.Unchanged)
		}
		if i.Undone() {
			state += fmt.Sprintf("; undone by %s at %s", i.UndoneBy, i.UndoneAt.Format(time.DateTime))
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%s\tto %s\t%s\t%s\n", i.Number, i.At.Format(time.DateTime), i.Who, i.File, i.Target, i.SHA256[:12], state)
	}
	return w.Flush()
}

type importsUndoCmd struct {
	Number      int64 `arg:"" optional:"" help:"Number of the import; the latest that stands if left out." placeholder:"NUMBER"`
	KeepChanged bool  `help:"Leave what was changed since as it is, and undo the rest."`
	DryRun      bool  `help:"Say what would become of what, and change nothing."`
	JSON        bool  `help:"As JSON."`
}

func (importsUndoCmd) Help() string {
	return `Examples:
  holdfast imports undo
  holdfast imports undo 7 --dry-run`
}

func (c *importsUndoCmd) Run(ctx context.Context, g *globals, s *streams) error {
	if c.Number < 0 {
		return misuse("imports are numbered from 1")
	}
	a, done, err := g.open(ctx, s, sqlite.Options{})
	if err != nil {
		return err
	}
	defer done()
	var u sqlite.Undo
	if c.DryRun {
		u, err = a.Store.PlanUndo(ctx, c.Number)
	} else {
		u, err = a.Store.UndoImport(ctx, c.Number, c.KeepChanged, author())
	}
	if errors.Is(err, sqlite.ErrChangedSince) && len(u.Kept()) > 0 {
		return fmt.Errorf("%w: undo the rest with --keep-changed", err)
	}
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, u)
	}
	if u.Layer != "" {
		fmt.Fprintf(s.out, "%s: %s\n", u.Import.Target, u.Layer)
	}
	for _, i := range u.Items {
		fmt.Fprintf(s.out, "%s: %s", i.Name, i.Fate)
		if i.Since != "" {
			fmt.Fprintf(s.out, ", %s", i.Since)
		}
		fmt.Fprintln(s.out)
	}
	if !c.DryRun {
		fmt.Fprintf(s.err, "import %d of %s is undone\n", u.Import.Number, u.Import.File)
	}
	return nil
}

type importsMappingsCmd struct {
	Name string `arg:"" optional:"" help:"Name of one to print." placeholder:"NAME"`
	JSON bool   `help:"As JSON."`
}

func (importsMappingsCmd) Help() string {
	return `Examples:
  holdfast imports mappings
  holdfast imports mappings "County soils" > county.json`
}

func (c *importsMappingsCmd) Run(ctx context.Context, g *globals, s *streams) error {
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	if c.Name != "" {
		m, err := a.Store.Mapping(ctx, c.Name)
		if err != nil {
			return err
		}
		return printJSON(s.out, m.Body)
	}
	all, err := a.Store.Mappings(ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		if all == nil {
			all = []sqlite.Mapping{}
		}
		return printJSON(s.out, all)
	}
	for _, m := range all {
		fmt.Fprintf(s.out, "%s (%s), saved %s by %s\n", m.Name, m.Of, m.SavedAt.Format(time.DateOnly), m.SavedBy)
	}
	return nil
}
