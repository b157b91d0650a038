package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"holdfast/geo/convert"
)

type convertCmd struct {
	Position []string `arg:"" optional:"" help:"Positions in any notation; without one, lines are read from standard input."`
	At       string   `help:"Date of the declination, like 2026-05-04; today if left out." placeholder:"DATE"`
	JSON     bool     `help:"One JSON object a line."`
}

func (convertCmd) Help() string {
	return `Examples:
  holdfast convert 44.65123,-91.20456
  holdfast convert "15T XK 42364 45775" --json
  holdfast convert -- "-33.8688, 151.2093"
  holdfast convert < positions.txt

A text that could mean two places is refused with both.`
}

func (c *convertCmd) Run(ctx context.Context, g *globals, s *streams) error {
	at := s.now()
	if c.At != "" {
		t, err := time.Parse(time.DateOnly, c.At)
		if err != nil {
			return misuse("--at %q is not a date like 2026-05-04", c.At)
		}
		at = t
	}
	model, err := g.model()
	if err != nil {
		return err
	}
	out := bufio.NewWriter(s.out)
	converter := convert.On(at, model)
	bad := 0
	one := func(text string) error {
		r, err := converter.Line(text)
		if err != nil {
			bad++
			fmt.Fprintf(s.err, "holdfast: %q: %s\n", text, err)
			if c.JSON {
				return writeLine(out, map[string]string{"input": text, "error": err.Error()})
			}
			return nil
		}
		if c.JSON {
			return writeLine(out, r)
		}
		return printConverted(out, r)
	}
	err = c.each(ctx, s.in, one)
	if err := errors.Join(err, out.Flush()); err != nil {
		return err
	}
	if bad > 0 {
		return errReported
	}
	return nil
}

// each hands on every position: the arguments, or the lines of in.
func (c *convertCmd) each(ctx context.Context, in io.Reader, one func(string) error) error {
	if len(c.Position) > 0 {
		for _, p := range c.Position {
			if err := one(p); err != nil {
				return err
			}
		}
		return nil
	}
	lines := bufio.NewScanner(in)
	n := 1
	for ; lines.Scan(); n++ {
		if n%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		if text := strings.TrimSpace(lines.Text()); text != "" {
			if err := one(text); err != nil {
				return err
			}
		}
	}
	if err := lines.Err(); errors.Is(err, bufio.ErrTooLong) {
		return fmt.Errorf("line %d is longer than 64 KB: only the lines before it are converted", n)
	} else if err != nil {
		return fmt.Errorf("read positions: %w", err)
	}
	return nil
}

func writeLine(w io.Writer, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	_, err = w.Write(append(b, '\n'))
	return err
}

func printConverted(w io.Writer, r convert.Result) error {
	elevation := "not given"
	if r.ElevationM != nil {
		elevation = fmt.Sprintf("%.1f m", *r.ElevationM)
	}
	side := "E"
	d := r.DeclinationDeg
	if d < 0 {
		side, d = "W", -d
	}
	_, err := fmt.Fprintf(w, `%s
  read as        %s, written to %.2g m
  decimal        %s
  deg min        %s
  deg min sec    %s
  UTM            %s
  USNG           %s
  MGRS           %s
  geo URI        %s
  plus code      %s
  elevation      %s
  convergence    %+.2f° (grid north from true north, east positive), scale %.6f
  declination    %.1f° %s ± %.1f° on %s, changing %+.2f° a year (%s)
`, r.Input, r.ReadAs, r.PrecisionM, r.Decimal, r.DM, r.DMS, r.UTM, r.USNG, r.MGRS, r.Geo, r.PlusCode, elevation,
		r.ConvergenceDeg, r.Scale, d, side, r.DeclinationErr, r.At.Format(time.DateOnly), r.ChangeDegYear, r.Model)
	if err == nil && r.Doubt != "" {
		_, err = fmt.Fprintf(w, "  doubt          %s\n", r.Doubt)
	}
	return err
}
