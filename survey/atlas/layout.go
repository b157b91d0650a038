package atlas

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"time"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/dxf"
	"holdfast/survey/drawing/wording"
)

// Layout is where the stakes of a point's best anchor go, for drawing and
// surveying programs.
type Layout struct {
	Plan    drawing.Plan
	Site    survey.Site
	Verdict answer.Verdict
	Made    time.Time
	Version int64 // of the atlas
}

// Layout lays out the best anchor of a point.
func (a Atlas) Layout(ctx context.Context, id string, ask Ask) (Layout, error) {
	j, err := a.Point(ctx, id, ask)
	if err != nil {
		return Layout{}, err
	}
	policy, err := a.Store.Policy(ctx)
	if err != nil {
		return Layout{}, fmt.Errorf("load policy: %w", err)
	}
	revision, err := a.Store.Revision(ctx)
	if err != nil {
		return Layout{}, fmt.Errorf("load atlas revision: %w", err)
	}
	best, ok := j.Answer.Best()
	if !ok || best.Main.Layout == nil {
		return Layout{}, survey.Invalid("", "nothing is laid out at %s: %s", j.Point.Item.Label, j.Answer.Sentence)
	}
	return Layout{Plan: drawing.NewPlan(j.Point.Item, j.Around, j.Answer, best, policy), Site: j.Site.Item, Verdict: best.Verdict, Made: j.Answer.AsOf, Version: revision}, nil
}

// notes say what the file is and what holds for it.
func (l Layout) notes() []string {
	p := l.Plan
	pull := "pull bearing " + wording.Unknown
	if t, ok := p.Pull.TrueDeg.Get(); ok {
		pull = "pull " + wording.Bearing(t.Degrees()) + " true, " + wording.Opt(p.Pull.MagneticDeg, wording.Bearing) + " magnetic"
	}
	return append([]string{
		fmt.Sprintf("%s, point %s: %s - %s", l.Site.Code, p.Point, p.Main.Anchor.Name(), drawing.VerdictWord(l.Verdict)),
		pull,
		fmt.Sprintf("atlas revision %d, made %s", l.Version, wording.Moment(l.Made)),
	}, answer.Cautions...)
}

// Name is a name for the file of a layout, without its ending; the frame of a
// DXF is part of it.
func (l Layout) Name() string { return l.Site.Code + "-" + l.Plan.Point + "-layout" }

// WriteDXF writes the layout in metres on its UTM grid.
func (l Layout) WriteDXF(w io.Writer) error { return dxf.Write(w, l.Plan, l.notes()) }

// WriteSVG writes the plan to scale, complete in itself; printed at its own
// size it is right on paper.
func (l Layout) WriteSVG(w io.Writer) error {
	d := drawing.Sheet(l.Plan.Draw(drawing.Size{W: 186, H: 200}), l.notes())
	var b bytes.Buffer
	b.WriteString(`<?xml version="1.0" encoding="UTF-8"?>` + "\n")
	if err := d.SVG(&b, "layout"); err != nil {
		return err
	}
	b.WriteByte('\n')
	_, err := w.Write(b.Bytes())
	return err
}
