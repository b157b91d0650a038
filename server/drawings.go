package server

import (
	"bytes"
	"fmt"
	"html/template"

	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/atlas"
	"holdfast/survey/drawing"
)

// plate is a drawing on a page.
type plate struct {
	Title string
	SVG   template.HTML
	Left  []string // labels the drawing had no room for
}

// plates are the drawings of a point's best option.
func plates(j atlas.Judged, policy survey.Policy) ([]plate, error) {
	best, ok := j.Answer.Best()
	if !ok {
		return nil, nil
	}
	p, a := j.Point.Item, j.Answer
	plan := drawing.NewPlan(p, j.Around, a, best, policy)
	section := drawing.Section{
		Units: policy.Units, Anchor: best.Main.Anchor.Name(), Setback: plan.Setback,
		Height: p.Terrain.HeightM, Rope: best.Kit.RopeM, Source: p.Terrain.Source,
	}
	if slope, known := p.Terrain.Slope(); known {
		section.Slope = survey.Known(slope)
	}
	drawn := []drawing.Drawing{plan.Draw(drawing.Size{W: 170, H: 170})}
	if pattern, err := survey.ParsePattern(best.Main.Anchor.Rig); err == nil {
		section.Rows = len(pattern)
		drawn = append(drawn, drawing.Elevation{
			Units: policy.Units, Pattern: pattern, Stake: policy.Stake, RopeAngleDeg: ropeAngle(policy, a),
		}.Draw(drawing.Size{W: 170, H: 80}))
	}
	drawn = append(drawn,
		section.Draw(drawing.Size{W: 170, H: 90}),
		drawing.Forces{Units: policy.Units, Load: a.LoadCase}.Draw(drawing.Size{W: 170, H: 60}))
	out := make([]plate, len(drawn))
	for i, d := range drawn {
		var b bytes.Buffer
		if err := d.SVG(&b, fmt.Sprintf("drawing-%d", i+1)); err != nil {
			return nil, fmt.Errorf("draw %s: %w", d.Title, err)
		}
		out[i] = plate{Title: d.Title, SVG: template.HTML(b.String()), Left: d.Left}
	}
	return out, nil
}

// ropeAngle is the angle of the rope above the ground in the load case that
// was asked for; a load that is no case of the policy pulls along the ground.
func ropeAngle(policy survey.Policy, a answer.Answer) float64 {
	for _, l := range policy.LoadCases {
		if l.ID == a.LoadCase.ID {
			return l.RopeAngleDeg
		}
	}
	return 0
}
