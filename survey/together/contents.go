package together

import (
	"context"
	"errors"
	"fmt"
	"io"

	"holdfast/survey"
	"holdfast/survey/sqlite"
)

// contents brings layers and photos that one atlas lacks from another.
func contents(ctx context.Context, from, to Atlas, s *Summary, each func(Summary)) error {
	wants, err := to.Wants(ctx)
	if err != nil {
		return err
	}
	for _, c := range wants {
		switch err := bring(ctx, from, to, c); {
		case errors.Is(err, survey.ErrNotFound):
			s.Lacking++
		case err != nil:
			return fmt.Errorf("exchange %s %s: %w", c.Kind, c.ID, err)
		default:
			s.Contents++
			each(*s)
		}
	}
	return nil
}

func bring(ctx context.Context, from, to Atlas, c sqlite.Content) error {
	r, err := from.Fetch(ctx, c)
	if err != nil {
		return err
	}
	return errors.Join(to.Give(ctx, c, r), r.Close())
}

// Local is an atlas in a file.
type Local struct {
	Atlas  *sqlite.Store
	Author sqlite.Author // who makes the exchange
}

// Standing is that of the store.
func (l Local) Standing(ctx context.Context, asker string) (sqlite.Standing, error) {
	return l.Atlas.Standing(ctx, asker)
}

// Parcel is that of the store.
func (l Local) Parcel(ctx context.Context, after sqlite.Mark) (sqlite.Parcel, error) {
	return l.Atlas.Parcel(ctx, after, 0)
}

// Missing is that of the store.
func (l Local) Missing(ctx context.Context, hashes []sqlite.Hash) ([]sqlite.Hash, error) {
	return l.Atlas.Missing(ctx, hashes)
}

// Take is that of the store.
func (l Local) Take(ctx context.Context, p sqlite.Parcel) (sqlite.Taken, error) {
	return l.Atlas.Take(ctx, p, l.Author)
}

// Wants is that of the store.
func (l Local) Wants(ctx context.Context) ([]sqlite.Content, error) { return l.Atlas.Wants(ctx) }

// Fetch reads a content while it is written.
func (l Local) Fetch(ctx context.Context, c sqlite.Content) (io.ReadCloser, error) {
	if err := l.Atlas.HasContent(ctx, c); err != nil {
		return nil, err
	}
	r, w := io.Pipe()
	go func() { w.CloseWithError(l.Atlas.WriteContent(ctx, c, w)) }() // it ends when the reader is closed
	return r, nil
}

// Give is that of the store.
func (l Local) Give(ctx context.Context, c sqlite.Content, from io.Reader) error {
	return l.Atlas.TakeContent(ctx, c, from, l.Author)
}
