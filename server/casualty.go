package server

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/magnetic"
	"holdfast/geo/position"
	"holdfast/survey"
	"holdfast/survey/answer"
	"holdfast/survey/drawing/wording"
	"holdfast/survey/near"
)

// casualtyView is the incident question with its answer: the casualty is here,
// which anchors serve.
type casualtyView struct {
	Text      string // as it was written
	At        *placed
	Readings  []readingView
	Wrong     string
	Loads     []choiceView
	Ropes     []choiceView
	Moistures []choiceView
	Required  string
	Load      string // in words
	Reach     string // the rope asked for, in words
	Found     []serving
	Cautions  []string
}

// choiceView is an entry of a list to choose from.
type choiceView struct {
	Value, Title string
	Chosen       bool
}

// serving is a point with what an officer needs to go there and aim.
type serving struct {
	near.Found
	True, Compass string // from the point to the casualty
	OffAxis       string
	Age           string
}

// LonLat is where the point stands, as scripts take it.
func (f serving) LonLat() string { return placeOf(orb.Point{f.Lon, f.Lat}).LonLat() }

// casualty answers the question of the address; without a place it only lays
// out the form.
func (s *Server) casualty(ctx context.Context, policy survey.Policy, q url.Values) (casualtyView, error) {
	v := casualtyView{Text: q.Get("casualty"), Required: q.Get("required")}
	asked, err := ask(q)
	if err != nil {
		return v, err
	}
	rope, err := ropeOf(q)
	if err != nil {
		return v, err
	}
	v.Ropes = ropeChoices(policy, q.Get("rope_m"))
	for _, l := range policy.LoadCases {
		v.Loads = append(v.Loads, choiceView{l.ID, l.Title, l.ID == asked.Load})
		if asked.Load == "" && v.Load == "" || l.ID == asked.Load {
			v.Load = l.Title
		}
	}
	v.Moistures = []choiceView{{"", sayAsSurveyed, asked.Tonight == ""}}
	for _, m := range survey.Moistures {
		v.Moistures = append(v.Moistures, choiceView{string(m), string(m), m == asked.Tonight})
	}
	if v.Text == "" {
		return v, nil
	}
	at, err := position.Parse(v.Text)
	if ambiguous, ok := errors.AsType[*position.AmbiguousError](err); ok {
		v.Readings = readingsOf(ambiguous, func(p *placed) string {
			again := url.Values{}
			for _, name := range []string{"load", "required", "tonight", "rope_m"} {
				if q.Get(name) != "" {
					again.Set(name, q.Get(name))
				}
			}
			again.Set("casualty", p.LatLon)
			return "/?" + again.Encode()
		})
		return v, nil
	}
	if err != nil {
		v.Wrong = sentence(err.Error())
		return v, nil
	}
	v.At = placeOf(at.Point)
	found, err := s.atlas.Near(ctx, at.Point, rope, asked)
	if err != nil {
		return v, err
	}
	if rope == 0 {
		rope = policy.Kit.RopeM.Value
	}
	v.Reach, v.Cautions = wording.Length(policy.Units, rope), answer.Cautions
	epoch := s.magnetic.On(s.now())
	for _, f := range found {
		v.Found = append(v.Found, serve(f, epoch))
	}
	return v, nil
}

// serve words a finding.
func serve(f near.Found, epoch *magnetic.Epoch) serving {
	out := serving{Found: f, True: wording.Unknown, Compass: wording.Unknown, OffAxis: sayNoPullBearing}
	if b, ok := f.BearingDeg.Get(); ok {
		out.True = wording.Bearing(b.Degrees())
		out.Compass = compass(epoch, orb.Point{f.Lon, f.Lat}, b)
	}
	if days, ok := f.AgeDays.Get(); ok {
		out.Age = wording.Count(days, "day", "days") + " ago"
	}
	if off, ok := f.OffAxisDeg.Get(); ok {
		side := "right"
		if off < 0 {
			side = "left"
		}
		out.OffAxis = fmt.Sprintf("%.0f° %s", math.Abs(off), side)
		switch {
		case f.Reaimed:
			out.OffAxis += sayAimAfresh
		case !f.InSector:
			out.OffAxis += sayOutsideSectors
		}
	}
	return out
}

// ropeChoices are lengths to choose from: the longest rope carried first, then
// round ones in the department's units, and the one asked for.
func ropeChoices(p survey.Policy, asked string) []choiceView {
	out := []choiceView{{"", sayAsCarried + wording.Length(p.Units, p.Kit.RopeM.Value), asked == ""}}
	lengths, unit := []float64{100, 150, 200, 300, 400, 600}, geo.Foot
	if p.Units == survey.UnitsSI {
		lengths, unit = []float64{30, 50, 60, 100, 150, 200}, geo.Metre
	}
	known := asked == ""
	for _, n := range lengths {
		l := geo.Length(n) * unit
		c := choiceView{strconv.FormatFloat(math.Round(l.Metres()*100)/100, 'f', -1, 64), wording.Length(p.Units, l), false}
		if c.Chosen = c.Value == asked; c.Chosen {
			known = true
		}
		out = append(out, c)
	}
	if v, err := strconv.ParseFloat(asked, 64); err == nil && !known {
		out = append(out, choiceView{asked, wording.Length(p.Units, geo.Length(v)), true})
	}
	return out
}

// handleCasualty is the answer to the incident question as a piece of the map
// page.
//
// GET /map/casualty?casualty=&load=&required=&tonight=&rope_m=
func (s *Server) handleCasualty(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "casualty", "load", "required", "tonight", "rope_m")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	policy, err := s.store.Policy(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	v, err := s.casualty(r.Context(), policy, q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.renderPart(w, r, "casualty", v)
}
