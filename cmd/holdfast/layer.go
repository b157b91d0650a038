package main

import (
	"context"
	"fmt"
	"text/tabwriter"
	"time"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

type layerCmd struct {
	Name    string  `arg:"" optional:"" help:"Name or id of a layer; every layer if left out." placeholder:"NAME"`
	Title   *string `help:"What to call it; its id stays." placeholder:"TEXT"`
	Role    *string `help:"How it takes part, as for import." placeholder:"ROLE"`
	AsOf    *string `help:"Date its data describe, like 2026-05-04; empty for none." placeholder:"DATE"`
	Licence *string `help:"Licence of its data." placeholder:"TEXT"`
	JSON    bool    `help:"As JSON."`
}

func (layerCmd) Help() string {
	return `Examples:
  holdfast layer
  holdfast layer gas-mains --json
  holdfast layer "Gas mains" --role "buried utility" --as-of 2026-03-01

What is changed bears on every answer at once. What the layer holds stays; what
was said of it before stays in the history.`
}

func (c *layerCmd) Run(ctx context.Context, g *globals, s *streams) error {
	changes := c.Title != nil || c.Role != nil || c.AsOf != nil || c.Licence != nil
	if changes && c.Name == "" {
		return misuse("say which layer to change")
	}
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: !changes})
	if err != nil {
		return err
	}
	defer done()
	layers := []survey.Layer{}
	if c.Name == "" {
		all, err := a.Store.Layers(ctx)
		if err != nil {
			return err
		}
		layers = append(layers, all...)
	} else {
		row, err := a.Store.LayerRow(ctx, survey.LayerID(c.Name))
		if err != nil {
			return err
		}
		if changes {
			if err := c.describe(&row.Item); err != nil {
				return err
			}
			if row.Item, err = a.Store.DescribeLayer(ctx, row.Item, survey.Known(row.Revision), author()); err != nil {
				return err
			}
		}
		layers = append(layers, row.Item)
	}
	if c.JSON {
		return printJSON(s.out, layers)
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for _, l := range layers {
		day := "no date"
		if t, ok := l.AsOf.Get(); ok {
			day = "as of " + t.Format(time.DateOnly)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d features\n", l.ID, l.Role, l.Title, day, l.Features)
	}
	return w.Flush()
}

// describe says of a layer what the flags say.
func (c *layerCmd) describe(l *survey.Layer) error {
	if c.Title != nil {
		l.Title = *c.Title
	}
	if c.Role != nil {
		l.Role = survey.Role(*c.Role)
	}
	if c.Licence != nil {
		l.Licence = *c.Licence
	}
	var err error
	if c.AsOf != nil {
		l.AsOf, err = asOf(*c.AsOf)
	}
	return err
}

// asOf reads the date of a layer's data; "" is none.
func asOf(text string) (survey.Opt[time.Time], error) {
	if text == "" {
		return survey.Opt[time.Time]{}, nil
	}
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return survey.Opt[time.Time]{}, misuse("--as-of %q is not a date like 2026-05-04", text)
	}
	return survey.Known(t), nil
}
