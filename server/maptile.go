package server

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"github.com/paulmach/orb/maptile"
)

// handleMapTile is one vector tile of what lies below the points: the shapes
// of the layers asked for, each under its own name, so that the map draws one
// picture a place however many layers there are. A layer that is no longer
// there has nothing to show.
//
// GET /map/tiles/{matrix}/{row}/{col}?layers=
func (s *Server) handleMapTile(w http.ResponseWriter, r *http.Request) {
	q, err := query(r, "layers")
	if err != nil {
		s.fail(w, r, err)
		return
	}
	at, err := tileAt(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.sendTile(w, r, func() ([]byte, error) { return s.mapTile(r.Context(), at, strings.Split(q.Get("layers"), ",")) })
}

func (s *Server) mapTile(ctx context.Context, at maptile.Tile, asked []string) ([]byte, error) {
	layers, err := s.store.Layers(ctx)
	if err != nil {
		return nil, err
	}
	var out []byte
	for _, l := range layers {
		if !slices.Contains(asked, l.ID) {
			continue
		}
		b, err := s.tile(ctx, l.ID, at, nil)
		if err != nil {
			return nil, err
		}
		out = append(out, b...) // messages of Protocol Buffers behind each other are one, their repeated fields joined
	}
	return out, nil
}
