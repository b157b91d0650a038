package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"text/tabwriter"

	"holdfast/geo"
	"holdfast/survey/atlas"
	"holdfast/survey/coverage"
	"holdfast/survey/sqlite"
)

type coverageCmd struct {
	Rope float64 `help:"Longest rope at hand in metres; the policy's if left out." placeholder:"M"`
	Load string  `help:"Load case of the policy, or a load like \"280 kg\"."`
	JSON bool    `help:"The stretches as GeoJSON, with the lengths beside them."`
}

func (coverageCmd) Help() string {
	return `Examples:
  holdfast coverage
  holdfast coverage --rope 60 --json > coverage.geojson

A stretch of bank counts when a casualty at its foot is within rope of a point
whose best anchor holds, in that point's working sector or within 45° of its
pull bearing for a rig yet to be driven.`
}

func (c *coverageCmd) Run(ctx context.Context, g *globals, s *streams) error {
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	r, err := a.Coverage(ctx, geo.Length(c.Rope), atlas.Ask{Load: c.Load}, progressLine(s.err, "points judged"))
	if err != nil {
		return err
	}
	if c.JSON {
		return printJSON(s.out, r.Collection())
	}
	return printCoverage(s.out, r)
}

// progressLine shows long work on a terminal and stays quiet in a pipe.
func progressLine(w io.Writer, what string) func(done, all int) {
	f, ok := terminal(w)
	if !ok {
		return nil
	}
	return func(done, all int) {
		if done%100 == 0 || done == all {
			fmt.Fprintf(f, "\r%d of %d %s", done, all, what)
		}
		if done == all {
			fmt.Fprintln(f)
		}
	}
}

func printCoverage(out io.Writer, r coverage.Result) error {
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "holds m\tshort m\tuncovered m\tbank\t")
	row := func(name string, l coverage.Lengths) {
		fmt.Fprintf(w, "%.0f\t%.0f\t%.0f\t%s\t\n", l.HoldsM.Metres(), l.ShortM.Metres(), l.UncoveredM.Metres(), name)
	}
	names := make([]string, 0, len(r.Names))
	for n := range r.Names {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		row(n, *r.Names[n])
	}
	row("all banks on file", r.All)
	return w.Flush()
}
