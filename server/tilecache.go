package server

import (
	"net/http"
	"sync"
)

const tilesKept = 12 << 20 // bytes of tiles in memory

// tileCache keeps tiles for as long as the atlas stays as it is: in an incident
// many look at the same places. When it is full it begins anew.
type tileCache struct {
	mu    sync.Mutex
	tag   string // of the atlas that the tiles are of
	kept  map[string][]byte
	bytes int
}

func (c *tileCache) get(tag, address string) ([]byte, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if tag != c.tag {
		return nil, false
	}
	b, ok := c.kept[address]
	return b, ok
}

func (c *tileCache) put(tag, address string, b []byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	size := len(b) + len(address) + 100 // about what an entry takes by itself
	if tag != c.tag || c.bytes+size > tilesKept {
		c.tag, c.kept, c.bytes = tag, map[string][]byte{}, 0
	}
	c.kept[address], c.bytes = b, c.bytes+size
}

// sendTile answers with a tile: with nothing when the client has it, with the
// one kept, or with what is made.
func (s *Server) sendTile(w http.ResponseWriter, r *http.Request, make func() ([]byte, error)) {
	if s.unchanged(w, r, typeTile) {
		return
	}
	tag, address := w.Header().Get("ETag"), r.URL.RequestURI() // the tag tells what the visitor may see, too
	b, ok := s.tiles.get(tag, address)
	if !ok {
		var err error
		if b, err = make(); err != nil {
			s.fail(w, r, err)
			return
		}
		if tag != "" {
			s.tiles.put(tag, address, b)
		}
	}
	if len(b) == 0 {
		w.WriteHeader(http.StatusNoContent)
		return
	}
	h := w.Header()
	h.Set("Content-Type", typeTile)
	h.Add("Vary", "Accept")
	if _, err := w.Write(b); err != nil {
		s.log.InfoContext(r.Context(), "write tile", "error", err)
	}
}
