// Package together brings two atlases that were written apart from each other
// to the same history: one on this machine, the other in a file or behind a
// server. What each takes in is worked out by the store; here is only who asks
// whom for what, so that an exchange may break off anywhere, be repeated, and
// run either way.
package together

import (
	"context"
	"fmt"
	"io"
	"slices"

	"holdfast/survey/sqlite"
)

// Atlas is one side of an exchange: a file or a server.
type Atlas interface {
	// Standing says which atlas it is and how far the asker's history was
	// taken in.
	Standing(ctx context.Context, asker string) (sqlite.Standing, error)
	// Parcel returns the history after a mark.
	Parcel(ctx context.Context, after sqlite.Mark) (sqlite.Parcel, error)
	// Missing returns those of some revisions that are not there.
	Missing(ctx context.Context, hashes []sqlite.Hash) ([]sqlite.Hash, error)
	// Take adds a piece of the other's history.
	Take(ctx context.Context, p sqlite.Parcel) (sqlite.Taken, error)
	// Wants lists the contents that the history speaks of and that are not
	// there yet.
	Wants(ctx context.Context) ([]sqlite.Content, error)
	// Fetch returns a content; survey.ErrNotFound when it is not there either.
	Fetch(ctx context.Context, c sqlite.Content) (io.ReadCloser, error)
	// Give adds a content.
	Give(ctx context.Context, c sqlite.Content, from io.Reader) error
}

// Summary says what an exchange brought.
type Summary struct {
	With     string `json:"with"` // the other atlas
	Received int    `json:"received"`
	Sent     int    `json:"sent"`
	Contents int    `json:"contents"` // layers and photos, either way
	Lacking  int    `json:"lacking"`  // contents that neither side has

	LeftOut []sqlite.Left `json:"left_out,omitempty"` // what may not be sent there
}

// Exchange brings both to the same history: first what is new here goes there,
// then the other way. Each step is kept as it is made, so that an exchange that
// broke off is simply made again.
func Exchange(ctx context.Context, here, there Atlas, each func(Summary)) (Summary, error) {
	var s Summary
	if each == nil {
		each = func(Summary) {}
	}
	own, err := here.Standing(ctx, "")
	if err != nil {
		return s, err
	}
	other, err := there.Standing(ctx, own.Atlas)
	if err != nil {
		return s, err
	}
	if other.Format != own.Format {
		return s, fmt.Errorf("the other atlas exchanges in format %d and this one in %d: bring both to the same version of the program", other.Format, own.Format)
	}
	s.With = other.Atlas
	if s.Sent, s.LeftOut, err = pass(ctx, here, there, other.Taken, func(n int) { s.Sent = n; each(s) }); err != nil {
		return s, fmt.Errorf("send: %w", err)
	}
	mine, err := here.Standing(ctx, other.Atlas)
	if err != nil {
		return s, err
	}
	if s.Received, _, err = pass(ctx, there, here, mine.Taken, func(n int) { s.Received = n; each(s) }); err != nil {
		return s, fmt.Errorf("receive: %w", err)
	}
	// What was put in order here, like a site that was taken out under a point,
	// may be news there.
	if other, err = there.Standing(ctx, own.Atlas); err != nil {
		return s, err
	}
	if _, _, err := pass(ctx, here, there, other.Taken, func(int) {}); err != nil {
		return s, fmt.Errorf("send: %w", err)
	}
	if err := contents(ctx, there, here, &s, each); err != nil {
		return s, err
	}
	return s, contents(ctx, here, there, &s, each)
}

// pass hands the history of one atlas after a mark to another, leaving out what
// is there, and returns how many revisions were new and what may not be sent.
func pass(ctx context.Context, from, to Atlas, mark sqlite.Mark, each func(int)) (fresh int, left []sqlite.Left, err error) {
	for {
		p, err := from.Parcel(ctx, mark)
		if err != nil {
			return fresh, left, err
		}
		if p.To == p.From {
			return fresh, left, nil
		}
		if p.Revisions, err = lacking(ctx, to, p.Revisions); err != nil {
			return fresh, left, err
		}
		taken, err := to.Take(ctx, p)
		if err != nil {
			return fresh, left, err
		}
		fresh += taken.New
		for _, one := range taken.LeftOut {
			if !slices.Contains(left, one) {
				left = append(left, one)
			}
		}
		each(fresh)
		mark = p.To
	}
}

// lacking are the revisions that an atlas does not have. One whose hash is not
// known, because it came over the network, is left to the taker.
func lacking(ctx context.Context, to Atlas, all []sqlite.Sent) ([]sqlite.Sent, error) {
	hashes := make([]sqlite.Hash, 0, len(all))
	for _, r := range all {
		if r.Hash == (sqlite.Hash{}) {
			return all, nil
		}
		hashes = append(hashes, r.Hash)
	}
	if len(hashes) == 0 {
		return all, nil
	}
	missing, err := to.Missing(ctx, hashes)
	if err != nil {
		return nil, err
	}
	wanted := make(map[sqlite.Hash]bool, len(missing))
	for _, h := range missing {
		wanted[h] = true
	}
	out := []sqlite.Sent{}
	for _, r := range all {
		if wanted[r.Hash] {
			out = append(out, r)
		}
	}
	return out, nil
}
