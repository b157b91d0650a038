package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"text/tabwriter"

	"holdfast/geo/geojson"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/sqlite"
)

type optionsCmd struct {
	Point    []string `arg:"" optional:"" help:"Points, by id or as SITE/LABEL."`
	File     string   `help:"A GeoJSON file of points that need not be in the atlas; - is standard input." placeholder:"FILE"`
	Load     string   `help:"Load case of the policy, or a load like \"280 kg\", \"3.5 kN\" or \"600 lbf\"."`
	Required *float64 `help:"Required ratio, 1 to 100, in place of the policy's."`
	Tonight  string   `help:"State of the ground tonight, if wetter than surveyed: moist, wet or submerged."`
	JSON     bool     `help:"The whole answer as JSON, one a line when there are several."`
}

func (optionsCmd) Help() string {
	return `Examples:
  holdfast options HR-02/P1
  holdfast options HR-02/P1 --load one-person --json
  holdfast options --file point.geojson --tonight wet

With --file the atlas may be missing: then no layers and the cautious default policy are used.`
}

func (c *optionsCmd) Run(ctx context.Context, g *globals, s *streams) error {
	if (len(c.Point) == 0) == (c.File == "") {
		return misuse("name a point, or give --file, not both")
	}
	ask, err := askFor(c.Load, c.Required, c.Tonight)
	if err != nil {
		return err
	}
	answers, err := c.answers(ctx, g, s, ask)
	if err != nil {
		return err
	}
	for i, a := range answers {
		switch {
		case c.JSON && len(answers) == 1:
			err = printJSON(s.out, a)
		case c.JSON:
			err = writeLine(s.out, a)
		default:
			if i > 0 {
				fmt.Fprintln(s.out)
			}
			err = printAnswer(s.out, a)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// askFor turns the flags of a question into it.
func askFor(load string, required *float64, tonight string) (atlas.Ask, error) {
	ask := atlas.Ask{Load: load, Tonight: survey.Moisture(tonight)}
	if required == nil {
		return ask, nil
	}
	if !(*required >= 1 && *required <= 100) {
		return ask, misuse("--required %g is outside 1 to 100", *required)
	}
	ask.Required = survey.Known(*required)
	return ask, nil
}

func (c *optionsCmd) answers(ctx context.Context, g *globals, s *streams, ask atlas.Ask) ([]answer.Answer, error) {
	a, done, err := g.open(ctx, s, sqlite.Options{ReadOnly: true})
	if c.File != "" && errors.Is(err, survey.ErrNotFound) {
		a, done, err = emptyAtlas(ctx, s)
	}
	if err != nil {
		return nil, err
	}
	defer done()
	if c.File == "" {
		var out []answer.Answer
		for _, id := range c.Point {
			j, err := a.Point(ctx, id, ask)
			if err != nil {
				return nil, err
			}
			out = append(out, j.Answer)
		}
		return out, nil
	}
	points, err := readPoints(c.File, s.in)
	if err != nil {
		return nil, err
	}
	out := make([]answer.Answer, 0, len(points))
	for _, p := range points {
		ans, err := a.Calculate(ctx, p, ask)
		if err != nil {
			return nil, err
		}
		out = append(out, ans)
	}
	return out, nil
}

// emptyAtlas is a throw-away atlas with the default policy.
func emptyAtlas(ctx context.Context, s *streams) (atlas.Atlas, func(), error) {
	dir, err := os.MkdirTemp("", "holdfast-")
	if err != nil {
		return atlas.Atlas{}, nil, fmt.Errorf("make a temporary atlas: %w", err)
	}
	g := globals{Atlas: dir + "/atlas.db"}
	a, done, err := g.open(ctx, s, sqlite.Options{Create: true})
	if err != nil {
		return a, nil, errors.Join(err, os.RemoveAll(dir))
	}
	return a, func() {
		done()
		if err := os.RemoveAll(dir); err != nil {
			fmt.Fprintln(s.err, "holdfast:", err)
		}
	}, nil
}

// readPoints reads points to be judged. Every one must be right: half an
// answer to a question is worse than none.
func readPoints(file string, stdin io.Reader) ([]survey.Point, error) {
	in := stdin
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return nil, plainOpen(file, err)
		}
		defer f.Close()
		in = f
	}
	var out []survey.Point
	for rec := range geojson.Records(in) {
		if rec.Err != nil {
			return nil, fmt.Errorf("read %s: record %d: %w", file, rec.Number, rec.Err)
		}
		// A calculation needs neither a site nor a label.
		p, err := survey.ParseLoosePoint(rec.Feature)
		if err != nil {
			return nil, fmt.Errorf("read %s: record %d: %w", file, rec.Number, err)
		}
		out = append(out, p)
	}
	return out, nil
}

// plainOpen says in one sentence why a file cannot be read.
func plainOpen(file string, err error) error {
	switch {
	case errors.Is(err, os.ErrNotExist):
		return fmt.Errorf("there is no file %s: %w", file, survey.ErrNotFound)
	case errors.Is(err, os.ErrPermission):
		return fmt.Errorf("%s may not be read: %w", file, survey.ErrForbidden)
	}
	return fmt.Errorf("read %s: %w", file, err)
}

func printAnswer(out io.Writer, a answer.Answer) error {
	name := a.Point
	if name == "" {
		name = "point"
	}
	fmt.Fprintf(out, "%s: %s\n\n", name, a.Sentence)
	fmt.Fprintf(out, "Load     %s, %.2f kN (%.0f lbf) on the anchor; %g:1 required (policy %s)\n",
		a.LoadCase.Title, a.LoadCase.Force().Kilonewtons(), a.LoadCase.Force().Pounds(), a.RequiredRatio, a.Policy)
	fmt.Fprintf(out, "Ground   class %s\n", a.Ground.Class)
	for _, b := range a.Ground.Because {
		fmt.Fprintf(out, "         %s\n", b)
	}
	if t, ok := a.Pull.TrueDeg.Get(); ok {
		fmt.Fprintf(out, "Pull     %s true", t)
		if m, ok := a.Pull.MagneticDeg.Get(); ok {
			fmt.Fprintf(out, ", %05.1f° magnetic on %s", m, a.AsOf.Format("2006-01-02"))
		}
		back, _ := a.Pull.BackDeg.Get()
		fmt.Fprintf(out, "; line the stakes up along %s (%s)\n", back, a.Pull.Source)
	} else {
		fmt.Fprintln(out, "Pull     not known")
	}
	for _, d := range append(append([]string{}, a.Ground.Doubts...), a.Pull.Doubts...) {
		fmt.Fprintf(out, "Doubt    %s\n", d)
	}
	fmt.Fprintln(out)
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "RANK\tVERDICT\tANCHOR AND RATIO\tPEOPLE\tMINUTES\tSTAKES")
	for _, o := range a.Options {
		fmt.Fprintf(w, "%d\t%s\t%s\t%d\t%d\t%d\n", o.Rank, o.Verdict, o.Summary, o.People, o.Minutes, o.Kit.Stakes)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if best, ok := a.Best(); ok {
		fmt.Fprintln(out)
		for _, r := range best.Main.Reasons {
			fmt.Fprintf(out, "Because  %s\n", r)
		}
		for _, c := range answer.Foremost(best.Main.Checks) {
			fmt.Fprintf(out, "%-8s %s: %s\n", mark(c), c.Title, c.Message)
		}
	}
	for _, t := range a.Settles {
		fmt.Fprintf(out, "Settle   %s\n", t)
	}
	fmt.Fprintln(out)
	for _, t := range a.Cautions {
		fmt.Fprintf(out, "! %s\n", t)
	}
	return nil
}

func mark(c answer.Check) string {
	return [...]string{"FAILED", "NOT RUN", "passed"}[c.Ended()]
}
