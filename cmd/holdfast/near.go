package main

import (
	"context"
	"fmt"

	"holdfast/geo"
	"holdfast/geo/position"
	"holdfast/survey/sqlite"
)

type nearCmd struct {
	At       string   `help:"Where the casualty is, in any notation." required:"" placeholder:"POSITION"`
	Rope     float64  `help:"Longest rope at hand in metres; the policy's if left out." placeholder:"M"`
	Load     string   `help:"Load case of the policy, or a load like \"280 kg\"."`
	Required *float64 `help:"Required ratio, 1 to 100, in place of the policy's."`
	Tonight  string   `help:"State of the ground tonight, if wetter than surveyed: moist, wet or submerged."`
	JSON     bool     `help:"The findings as JSON."`
}

func (nearCmd) Help() string {
	return `Examples:
  holdfast near --at "15T XK 41950 45215" --rope 60
  holdfast near --at 44.6464,-91.2100 --tonight wet --json`
}

func (c *nearCmd) Run(ctx context.Context, g *globals, s *streams) error {
	at, err := position.Parse(c.At)
	if err != nil {
		return usageError{err}
	}
	ask, err := askFor(c.Load, c.Required, c.Tonight)
	if err != nil {
		return err
	}
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	found, err := a.Near(ctx, at.Point, geo.Length(c.Rope), ask)
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, found)
	}
	if len(found) == 0 {
		_, err := fmt.Fprintln(s.out, "No surveyed point reaches that place with this rope.")
		return err
	}
	for i, f := range found {
		fmt.Fprintf(s.out, "%d. %s\n", i+1, f.Sentence)
		for _, d := range f.Doubts {
			fmt.Fprintf(s.out, "   doubt: %s\n", d)
		}
	}
	_, err = fmt.Fprintln(s.out, "\n! A planning aid: look at the ground, have utilities located, pull-test before a life hangs on it.")
	return err
}
