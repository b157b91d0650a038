package server

import (
	"net/http"

	"holdfast/geo/grid"
)

// handleMapGrid gives the map the lines of the national grid in a view, at
// the spacing that suits it. A view that is too wide gets none.
//
// GET /map/grid?bbox=
func (s *Server) handleMapGrid(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "bbox")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	bound, err := bbox(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	if bound == nil {
		s.fail(w, r, badParameter("bbox", "is missing: the grid is drawn for a view"))
		return
	}
	lines, err := grid.Lines(*bound)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	out := drawAll[gridLine](len(lines))
	for _, l := range lines {
		out.Features = append(out.Features, draw(l.Shape, gridLine{l.Label, l.Major}))
	}
	w.Header().Set("Cache-Control", "private, max-age=3600")
	s.writeJSON(w, r, typeGeoJSON, out)
}

type gridLine struct {
	Label string `json:"label"`
	Major bool   `json:"major"`
}
