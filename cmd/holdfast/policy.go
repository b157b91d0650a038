package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"text/tabwriter"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

type policyCmd struct {
	Show policyShowCmd `cmd:"" help:"Print the policy in force as its JSON document."`
	Try  policyTryCmd  `cmd:"" help:"Say which verdicts another policy would change."`
	Set  policySetCmd  `cmd:"" help:"Put another policy in force, and say which verdicts it changed."`
}

func (policyCmd) Help() string {
	return `Examples:
  holdfast policy show > policy.json
  holdfast policy try policy.json
  holdfast policy set policy.json`
}

type policyShowCmd struct{}

func (policyShowCmd) Help() string {
	return `Examples:
  holdfast policy show
  holdfast policy show --atlas district.db > policy.json`
}

func (policyShowCmd) Run(ctx context.Context, g *globals, s *streams) error {
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	p, err := a.Store.Policy(ctx)
	if err != nil {
		return err
	}
	return printJSON(s.out, p)
}

type policyTryCmd struct {
	File string `arg:"" help:"A policy document; - is standard input." placeholder:"FILE"`
	JSON bool   `help:"The changes as JSON."`
}

func (policyTryCmd) Help() string {
	return `Examples:
  holdfast policy try policy.json
  holdfast policy try policy.json --json

The atlas is left as it is. Every point is judged for the policy's first load
case.`
}

func (c *policyTryCmd) Run(ctx context.Context, g *globals, s *streams) error {
	p, err := readPolicy(c.File, s.in)
	if err != nil {
		return err
	}
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if err != nil {
		return err
	}
	defer done()
	change, err := a.WhatIf(ctx, p, progressLine(s.err, "points judged"))
	if err != nil {
		return err
	}
	return printChange(s.out, change, c.JSON)
}

type policySetCmd struct {
	File string `arg:"" help:"A policy document; - is standard input." placeholder:"FILE"`
	JSON bool   `help:"The changes as JSON."`
}

func (policySetCmd) Help() string {
	return `Examples:
  holdfast policy show > policy.json
  holdfast policy set policy.json

Give the document a version of its own: earlier policies stay on record under
theirs.`
}

func (c *policySetCmd) Run(ctx context.Context, g *globals, s *streams) error {
	p, err := readPolicy(c.File, s.in)
	if err != nil {
		return err
	}
	a, done, err := g.open(ctx, s, sqlite.Options{})
	if err != nil {
		return err
	}
	defer done()
	if err := fresh(ctx, a.Store, p.Version); err != nil {
		return err
	}
	change, err := a.WhatIf(ctx, p, progressLine(s.err, "points judged"))
	if err != nil {
		return err
	}
	who := author()
	if err := a.Store.SetPolicy(ctx, p, who); err != nil {
		return err
	}
	fmt.Fprintf(s.err, "policy %s put in force in %s by %s\n", p.Version, g.Atlas, who.Who)
	return printChange(s.out, change, c.JSON)
}

// fresh refuses a version that the atlas has on record.
func fresh(ctx context.Context, store *sqlite.Store, version string) error {
	past, err := store.Policies(ctx)
	if err != nil {
		return err
	}
	for i, row := range past {
		switch {
		case row.Item.Version != version:
		case i == 0:
			return fmt.Errorf("nothing was set: policy %q is the one in force; give a changed policy a new version", version)
		default:
			return fmt.Errorf("nothing was set: policy %q is an earlier one on record; give a changed policy a new version", version)
		}
	}
	return nil
}

// readPolicy reads a policy document that can be put in force.
func readPolicy(file string, stdin io.Reader) (survey.Policy, error) {
	const most = 1 << 20 // the default policy is a hundredth of it
	in := stdin
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return survey.Policy{}, plainOpen(file, err)
		}
		defer f.Close()
		in = f
	}
	raw, err := io.ReadAll(io.LimitReader(in, most+1))
	if err != nil {
		return survey.Policy{}, fmt.Errorf("read %s: %w", file, err)
	}
	if len(raw) > most {
		return survey.Policy{}, fmt.Errorf("read %s: it is longer than 1 MB, no policy is", file)
	}
	p, err := survey.ParsePolicy(raw)
	if wrong, ok := errors.AsType[*survey.InvalidError](err); ok && len(wrong.Problems) > 1 {
		return p, fmt.Errorf("read policy %s: %s; and %d more to mend", file, wrong.Problems[0], len(wrong.Problems)-1)
	} else if err != nil {
		return p, fmt.Errorf("read policy %s: %w", file, err)
	}
	return p, nil
}

func printChange(out io.Writer, c atlas.PolicyChange, asJSON bool) error {
	if asJSON {
		return printJSON(out, c)
	}
	all := 0
	for _, n := range c.Before {
		all += n
	}
	fmt.Fprintf(out, "Policy %s → %s: %d of %d verdicts change.\n\n", c.From, c.To, len(c.Changes), all)
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	if len(c.Changes) > 0 {
		fmt.Fprintln(w, "POINT\tBEFORE\tAFTER\t")
		for _, p := range c.Changes {
			fmt.Fprintf(w, "%s/%s\t%s\t→ %s\t\n", p.Site, p.Label, brief(p.Before), brief(p.After))
		}
		fmt.Fprintln(w)
	}
	fmt.Fprintln(w, "VERDICT\tBEFORE\tAFTER\t")
	for _, v := range answer.Verdicts {
		fmt.Fprintf(w, "%s\t%d\t%d\t\n", v, c.Before[v], c.After[v])
	}
	return w.Flush()
}

// brief writes a verdict with its ratio, rounded down so that it never
// promises more than there is.
func brief(b answer.Brief) string {
	if r, ok := b.Ratio.Get(); ok {
		return fmt.Sprintf("%s at %.1f:1", b.Verdict, math.Floor(r*10+1e-9)/10)
	}
	return string(b.Verdict)
}
