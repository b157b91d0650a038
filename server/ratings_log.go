package server

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/pulls"
	"holdfast/survey/rig"
)

// logPart is the pull-test log on the page.
type logPart struct {
	All    int
	Groups []logGroup
	Found  []logTest // of trees, rocks and other anchors
}

// logGroup is the tests of one rig in one kind of ground, with what they show.
type logGroup struct {
	pulls.Group
	ID, Title string
	Figure    *logFigure // nil while there is none
	Rated     string     // what the policy credits the rig with there; "" when nothing
	Tests     []logTest
	Chart     plate
	CurveOf   string // the point whose ground the curve is for; "" when there is no curve
}

// logFigure is the characteristic value with what it was worked out from.
type logFigure struct {
	Value, Median, Factor, Scatter string
	Tests, Stopped                 int
}

type logTest struct {
	pulls.Test
	Mark string // on the chart
}

// logPart reads the log of the district.
func (s *Server) logPart(ctx context.Context, p survey.Policy) (logPart, error) {
	log, err := s.atlas.PullLog(ctx)
	if err != nil {
		return logPart{}, err
	}
	var out logPart
	for _, t := range log.Found {
		out.Found = append(out.Found, logTest{Test: t})
	}
	out.All = len(log.Found)
	for i, g := range log.Groups {
		part := logGroup{Group: g, ID: fmt.Sprintf("pulls-%d", i+1), Title: "Rig " + g.Rig + ", " + groundWords(g)}
		if f, ok := g.Rated(p).Get(); ok {
			part.Rated = wording.Force(p.Units, f)
		}
		for n, t := range g.Tests {
			part.Tests = append(part.Tests, logTest{t, fmt.Sprint(n + 1)})
		}
		if c, ok := g.Value.Get(); ok {
			part.Figure = &logFigure{
				Value: wording.Force(p.Units, c.Value), Median: wording.Force(p.Units, c.Median),
				Factor: fmt.Sprintf("%.2f", c.Factor), Scatter: fmt.Sprintf("%.2f", c.Scatter), Tests: c.Tests, Stopped: c.Stopped,
			}
		}
		curve, ok := log.Curves[i].Get()
		if ok {
			part.CurveOf = strings.TrimSpace(g.Tests[0].Site.Code + " " + g.Tests[0].Point.Label)
		}
		if part.Chart, err = pullChart(part, curve, p.Units); err != nil {
			return out, err
		}
		out.All += len(g.Tests)
		out.Groups = append(out.Groups, part)
	}
	return out, nil
}

// groundWords says which ground a group was pulled in.
func groundWords(g pulls.Group) string {
	if g.Class == survey.ClassUnknown || g.Class == "" {
		return sayClassNotKnown
	}
	out := "class " + string(g.Class)
	switch g.Cohesive {
	case survey.Yes:
		out += ", cohesive"
	case survey.No:
		out += ", granular"
	}
	if g.Disturbed {
		out += sayDisturbed
	}
	return out
}

func pullChart(g logGroup, curve rig.Sharing, u survey.Units) (plate, error) {
	d := drawing.Pulls{Units: u, Rig: g.Rig}
	for _, p := range curve.Points {
		d.Curve = append(d.Curve, drawing.Moved{By: geo.Length(p.TravelM), Pull: survey.Force(p.PullN)})
	}
	if c, ok := g.Value.Get(); ok {
		d.Value = survey.Known(c.Value)
	}
	for _, t := range g.Tests {
		if mm, ok := t.MovementMM.Get(); ok {
			d.Tests = append(d.Tests, drawing.Pulled{
				Moved: drawing.Moved{By: geo.Length(mm) * geo.Millimetre, Pull: t.Force()}, Name: t.Mark, Outcome: t.Outcome,
			})
		}
	}
	drawn := d.Draw(drawing.Size{W: 170, H: 80})
	var b bytes.Buffer
	if err := drawn.SVG(&b, g.ID+"-chart"); err != nil {
		return plate{}, fmt.Errorf("draw %s: %w", drawn.Title, err)
	}
	return plate{Title: drawn.Title, SVG: template.HTML(b.String()), Left: drawn.Left}, nil
}
