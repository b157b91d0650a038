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
	view, err := viewOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	lines, err := grid.Lines(view)
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
