package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"

	"github.com/paulmach/orb"

	"holdfast/survey"
)

// pieceSize is how a raster's file is cut; every piece but the last is full.
const pieceSize = 1 << 18

// ImportRaster stores an elevation layer: its file as it is, the ground it
// covers as its one feature, and where the file came from. A layer of that id is
// replaced as AddLayer does. All of it is one transaction.
func (s *Store) ImportRaster(ctx context.Context, l survey.Layer, covers orb.Polygon, file io.Reader, o Origin, a Author) (survey.Layer, Import, error) {
	var made Import
	if err := l.Validate(); err != nil {
		return l, made, err
	}
	if l.Role != survey.RoleElevation {
		return l, made, survey.Invalid("/role", "a grid of heights is an elevation layer, not %s", l.Role)
	}
	outline := func(yield func(survey.LayerFeature, error) bool) {
		yield(survey.LayerFeature{Geometry: covers}, nil)
	}
	err := s.change(ctx, "save elevation", a, func(t *tx) error {
		was, n, err := t.nextEdition(ctx, l.ID)
		if err != nil {
			return err
		}
		l.LoadedAt, l.LoadedBy = t.now, a.Who
		var held *contents
		if l.Features, held, err = t.load(ctx, n, outline); err != nil {
			return err
		}
		if err := t.saveContents(ctx, n, held); err != nil {
			return err
		}
		if err := t.addFile(ctx, n, file); err != nil {
			return err
		}
		if l.SHA256, err = digestLayer(ctx, t, n); err != nil {
			return err
		}
		made, err = t.saveLayer(ctx, was, n, l, &o)
		return err
	})
	return l, made, err
}

func (t *tx) addFile(ctx context.Context, layer int64, file io.Reader) error {
	piece := make([]byte, pieceSize)
	for number := 0; ; number++ {
		n, err := io.ReadFull(file, piece)
		if n > 0 {
			if _, err := t.ExecContext(ctx, `INSERT INTO layer_files (layer, number, bytes) VALUES (?, ?, ?)`, layer, number, piece[:n]); err != nil {
				return err
			}
		}
		switch {
		case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
			return nil
		case err != nil:
			return fmt.Errorf("read the grid's file: %w", err)
		}
	}
}

// File is the stored file of an elevation layer. Its context is that of the
// request it was opened for. It is safe for use by many goroutines.
type File struct {
	ctx   context.Context //nolint:containedctx // io.ReaderAt has no room for it
	store *Store
	layer int64
	size  int64
}

// Raster opens the file of an elevation layer.
func (s *Store) Raster(ctx context.Context, id string) (*File, error) {
	f := &File{ctx: ctx, store: s}
	var pieces, last sql.NullInt64
	err := s.read.QueryRowContext(ctx, `
		SELECT
			layers.n,
			max(layer_files.number),
			(SELECT length(bytes) FROM layer_files WHERE layer = layers.n ORDER BY number DESC LIMIT 1)
		FROM layers
		JOIN layer_files ON layer_files.layer = layers.n
		WHERE layers.id = ?
		GROUP BY layers.n`, id).Scan(&f.layer, &pieces, &last)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, survey.NotFound("elevation layer", id)
	}
	if err != nil {
		return nil, explain("open elevation "+id, err)
	}
	f.size = pieces.Int64*pieceSize + last.Int64
	return f, nil
}

// Size returns the length of the file in bytes.
func (f *File) Size() int64 { return f.size }

// ReadAt reads as io.ReaderAt does.
func (f *File) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("read elevation at %d: %w", off, survey.ErrInvalid)
	}
	done := 0
	for done < len(p) {
		at := off + int64(done)
		if at >= f.size {
			return done, io.EOF
		}
		// One statement reads just the bytes asked for: substr counts from 1.
		within := at % pieceSize
		var b sql.RawBytes
		n, err := f.piece(at/pieceSize, within+1, min(int64(len(p)-done), pieceSize-within), p[done:], &b)
		if err != nil {
			return done, explain("read elevation", err)
		}
		if n == 0 {
			return done, io.ErrUnexpectedEOF
		}
		done += n
	}
	return done, nil
}

func (f *File) piece(number, from, count int64, into []byte, b *sql.RawBytes) (int, error) {
	rows, err := f.store.read.QueryContext(f.ctx, `SELECT substr(bytes, ?, ?) FROM layer_files WHERE layer = ? AND number = ?`, from, count, f.layer, number)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	n := 0
	for rows.Next() {
		if err := rows.Scan(b); err != nil {
			return 0, err
		}
		n = copy(into, *b)
	}
	return n, rows.Err()
}
