package rig

import (
	"fmt"

	"holdfast/survey"
	"holdfast/survey/soil"
)

// Sharing is how a rig takes up its pull, on springs: for drawings, and for
// people to see that stakes never share equally.
type Sharing struct {
	Rig         string              `json:"rig"`
	Points      []Shared            `json:"points"`
	TightN      []float64           `json:"tight_n"`                // pull at which each gap's lashing comes tight, front gap first; one that stays slack is left out
	FirstYieldN survey.Opt[float64] `json:"first_yield_n,omitzero"` // pull at which a bar first yields; unknown when none does
	Source      string              `json:"source"`
}

// Shared is the rig at one pull.
type Shared struct {
	PullN     float64   `json:"pull_n"`
	TravelM   float64   `json:"travel_m"`         // of the rope along itself
	LashingsN []float64 `json:"lashings_n"`       // front gap first
	HeadsM    []float64 `json:"head_movements_m"` // of each row, front first
	Shares    []float64 `json:"soil_shares"`      // of the pull, by the soil before each row
}

// Sharing works the load-sharing curve of one rig out, about a millisecond; ok
// is false where no stake figure may be given or no strength is known.
func (b *Book) Sharing(pattern survey.Pattern, c *Conditions) (out Sharing, ok bool, err error) {
	if _, refused := Refuse(c, &b.policy); refused {
		return out, false, nil
	}
	s := b.pullsHere(c).shown
	model, ok := b.model(pattern, s.cu, s.phi, c.Ground.GammaKNM3, c.Fall, c.RopeAngle)
	if !ok || model.Ground.Kind == soil.Sand && model.Ground.Fall >= model.Ground.Phi {
		return out, false, nil // sand steeper than its friction angle lends nothing
	}
	curve, err := soil.NewLoadCurve(model, soil.SpringsOf(model.Ground), soil.UsualTravel())
	if err != nil {
		return out, false, fmt.Errorf("follow the %s rig: %w", pattern, err)
	}
	out = Sharing{Rig: pattern.String(), TightN: []float64{}, Source: "beam-on-springs model of the rig: Reese and Welch (1972) clay or API sand, tension-only lashings with slack"}
	if curve.Yielded {
		out.FirstYieldN = survey.Known(curve.FirstYield.Newtons())
	}
	out.Points = append(out.Points, Shared{LashingsN: make([]float64, len(pattern)-1), HeadsM: make([]float64, len(pattern)), Shares: make([]float64, len(pattern))})
	for _, s := range curve.Steps {
		p := Shared{PullN: s.Pull.Newtons(), TravelM: s.Travel.Metres(), LashingsN: []float64{}}
		for i := range s.Rows {
			p.HeadsM = append(p.HeadsM, s.Heads[i].Metres())
			p.Shares = append(p.Shares, s.Shares[i])
			if i > 0 {
				p.LashingsN = append(p.LashingsN, s.Ties[i-1].Newtons())
			}
		}
		out.Points = append(out.Points, p)
	}
	for gap := range len(pattern) - 1 {
		if pull, ok := out.tight(gap); ok {
			out.TightN = append(out.TightN, pull)
		}
	}
	return out, true, nil
}

// tight is the pull at which a lashing comes tight: back from the first two
// points where it pulls, straight to no force.
func (s *Sharing) tight(gap int) (pull float64, ok bool) {
	for i := 1; i+1 < len(s.Points); i++ {
		before, a, b := s.Points[i-1], s.Points[i], s.Points[i+1]
		if f := a.LashingsN[gap]; f > 0 {
			rise := b.LashingsN[gap] - f
			if !(rise > 0) {
				return before.PullN, true
			}
			return max(before.PullN, a.PullN-f*(b.PullN-a.PullN)/rise), true
		}
	}
	return 0, false
}
