package server

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"strconv"
	"time"

	"holdfast/survey/sqlite"
)

// byID tells whether an order goes by the id alone.
func byID(o sqlite.Order) bool { return o.By == "" || o.By == sqlite.IDName }

// cursor says where a feature stands in an order, for the parameter after:
// its id or, in another order, that and what it is ordered by.
func cursor(o sqlite.Order, key, id string) string {
	if byID(o) {
		return id
	}
	b, err := json.Marshal([2]string{key, id})
	if err != nil {
		return id // two strings can always be written
	}
	return base64.RawURLEncoding.EncodeToString(b)
}

func readCursor(text string, o sqlite.Order, numbered bool) (id, key string, err error) {
	wrong := badParameter("after", sayNoNextLink, text)
	if byID(o) {
		if _, err := strconv.ParseInt(text, 10, 64); numbered && err != nil {
			return "", "", wrong
		}
		return text, "", nil
	}
	b, err := base64.RawURLEncoding.DecodeString(text)
	if err != nil {
		return "", "", wrong
	}
	var place []string
	if json.Unmarshal(b, &place) != nil || len(place) != 2 {
		return "", "", wrong
	}
	return place[1], place[0], nil
}

// patience is how long a request waits for the number of features it matches,
// which a standard list may leave out (17-069r4, 7.15.8).
const patience = 400 * time.Millisecond

// countsKept is how many counts are remembered for as long as the atlas stays
// as it is, so that only the first page of a list counts.
const countsKept = 1000

// matched counts the features that a request matches on all its pages.
func (s *Server) matched(r *http.Request, c collection, sel selection) (int, error) {
	if !c.writable && sel.Bound == nil && sel.Where == nil {
		return c.features, nil
	}
	state, err := s.store.State(r.Context())
	if err != nil {
		return 0, err
	}
	q := r.URL.Query()
	for _, name := range []string{"after", "limit", "sortby", "crs", "f"} {
		q.Del(name)
	}
	key := c.ID + "?" + q.Encode()
	if n, ok := s.counts.get(state, key); ok {
		return n, nil
	}
	ctx, cancel := context.WithTimeout(r.Context(), s.patience)
	defer cancel()
	n, err := s.count(ctx, c, sel.Filter)
	if err != nil && ctx.Err() != nil && r.Context().Err() == nil {
		n, err = uncounted, nil
	}
	if err == nil {
		s.counts.put(state, key, n, 1)
	}
	return n, err
}

func (s *Server) count(ctx context.Context, c collection, f sqlite.Filter) (int, error) {
	switch c.ID {
	case sqlite.Sites:
		return s.store.CountSites(ctx, f)
	case sqlite.Points:
		return s.store.CountPoints(ctx, f)
	}
	return s.store.CountFeatures(ctx, c.ID, f)
}
