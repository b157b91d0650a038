package server

import (
	"net/http"
	"net/url"
	"strconv"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey/answer"
	"holdfast/survey/near"
)

// nearAnswer is the incident question answered.
type nearAnswer struct {
	Lon      float64      `json:"lon"`
	Lat      float64      `json:"lat"`
	Found    []near.Found `json:"found"`
	Cautions []string     `json:"cautions"`
}

// handleNear answers the incident question for a casualty at a place.
//
// GET /api/near?lon=&lat=&rope_m=&load=&required=&tonight=
func (s *Server) handleNear(w http.ResponseWriter, r *http.Request) {
	q, asked, err := asking(r, []string{typeJSON}, "lon", "lat", "rope_m")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	at, err := place(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	rope, err := ropeOf(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	found, err := s.atlas.Near(r.Context(), at, rope, asked)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if found == nil {
		found = []near.Found{} // nothing reaches that place, which is an answer
	}
	s.writeJSON(w, r, typeJSON, nearAnswer{Lon: at.Lon(), Lat: at.Lat(), Found: found, Cautions: answer.Cautions})
}

// handleCoverage measures how much of the banks on file a usable point reaches.
//
// GET /api/coverage?rope_m=&load=&required=&tonight=
func (s *Server) handleCoverage(w http.ResponseWriter, r *http.Request) {
	q, asked, err := asking(r, []string{typeGeoJSON, typeJSON}, "rope_m")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	rope, err := ropeOf(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	got, err := s.measureReach(r.Context(), rope, asked)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.writeJSON(w, r, typeGeoJSON, got.Collection())
}

// place reads lon and lat in degrees.
func place(q url.Values) (orb.Point, error) {
	var p orb.Point
	for i, c := range []struct {
		name string
		most float64
	}{{"lon", 180}, {"lat", 90}} {
		v, err := strconv.ParseFloat(q.Get(c.name), 64)
		if err != nil || !(v >= -c.most && v <= c.most) {
			return p, badParameter(c.name, sayNoDegrees, q.Get(c.name), c.most, c.most)
		}
		p[i] = v
	}
	return p, nil
}

// ropeOf reads rope_m; without one it is 0, the rope the policy says is carried.
func ropeOf(q url.Values) (geo.Length, error) {
	text := q.Get("rope_m")
	if text == "" {
		return 0, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || !(v > 0 && v <= 2000) {
		return 0, badParameter("rope_m", sayNoRope, text)
	}
	return geo.Length(v), nil
}
