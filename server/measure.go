package server

import (
	"fmt"
	"net/http"
	"strings"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/geo/geodesic"
	"holdfast/geo/magnetic"
	"holdfast/geo/position"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

const legsMost = 50 // of a measured line

// measureView is a line measured over the ellipsoid.
type measureView struct {
	Text  string
	Wrong string
	Line  string // lon,lat;lon,lat for scripts
	Legs  []leg
	Total string
	Short string // in one line, for the map
}

type leg struct {
	From, To      *placed
	Distance      string
	True, Compass string // at From
}

// measured measures a line through positions in any notation, parted by
// semicolons.
func (s *Server) measured(policy survey.Policy, text string) measureView {
	v := measureView{Text: strings.TrimSpace(text)}
	if v.Text == "" {
		return v
	}
	parts := parted(v.Text)
	if len(parts) < 2 || len(parts) > legsMost+1 {
		v.Wrong = fmt.Sprintf(sayLinePositions, legsMost+1, len(parts))
		return v
	}
	var places []*placed
	var line []string
	for _, part := range parts {
		at, err := position.Parse(part)
		if err != nil {
			v.Wrong = sentence(err.Error())
			return v
		}
		places = append(places, placeOf(at.Point))
		line = append(line, places[len(places)-1].LonLat())
	}
	v.Line = strings.Join(line, ";")
	epoch := s.magnetic.On(s.now())
	total := geo.Length(0)
	for i := 1; i < len(places); i++ {
		a, b := places[i-1], places[i]
		d, bearing, _, apart := geodesic.Inverse(a.point(), b.point())
		one := leg{From: a, To: b, Distance: wording.Length(policy.Units, d), True: wording.Unknown, Compass: wording.Unknown}
		if apart {
			one.True = wording.Bearing(bearing.Degrees())
			one.Compass = compass(epoch, a.point(), bearing)
		}
		total += d
		v.Legs = append(v.Legs, one)
	}
	v.Total = wording.Length(policy.Units, total)
	last := v.Legs[len(v.Legs)-1]
	v.Short = fmt.Sprintf(sayLeg, last.Distance, last.True, last.Compass)
	if len(v.Legs) > 1 {
		v.Short += sayInAll + v.Total
	}
	return v
}

// compass writes what a compass reads along a bearing, or that it cannot be
// told.
func compass(epoch *magnetic.Epoch, at orb.Point, b geo.Bearing) string {
	field, err := epoch.At(at, 0)
	if err != nil || !field.Valid {
		return wording.Unknown
	}
	return wording.Bearing(field.Magnetic(b))
}

// handleMeasure is a measured line as a piece of the map page.
//
// GET /map/measure?measure=
func (s *Server) handleMeasure(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "measure")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	policy, err := s.store.Policy(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.renderPart(w, r, "measure", s.measured(policy, q.Get("measure")))
}
