package sqlite

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"slices"

	"github.com/paulmach/orb/encoding/wkb"

	"holdfast/survey"
)

// ContentKind is a kind of what a history speaks of and does not hold.
type ContentKind string

const (
	LayerContent ContentKind = "layer" // features and file of a layer
	PhotoContent ContentKind = "photo"
)

// Content names what atlases exchange beside their histories.
type Content struct {
	Kind   ContentKind `json:"kind"`
	ID     string      `json:"id"`     // of the layer or the photo
	SHA256 string      `json:"sha256"` // of a layer as digestLayer says; of a photo "-": its id says it all
}

// Wants lists the contents of which the history here speaks and that are not
// here: editions of layers in force, and photos that points list.
func (s *Store) Wants(ctx context.Context) ([]Content, error) {
	out := []Content{}
	t, err := s.read.BeginTx(ctx, nil)
	if err != nil {
		return nil, explain("list contents", err)
	}
	defer t.Rollback() //nolint:errcheck // it only read
	var layers []string
	err = eachRow(ctx, t, func(rows *sql.Rows) error {
		var id string
		err := rows.Scan(&id)
		layers = append(layers, id)
		return err
	}, `SELECT DISTINCT id FROM revisions WHERE collection = ? ORDER BY id`, Layers)
	if err != nil {
		return nil, explain("list contents", err)
	}
	for _, id := range layers {
		in, _, err := (&tx{Tx: t}).layerInForce(ctx, id)
		if err != nil {
			return nil, explain("list contents", err)
		}
		if in.SHA256 == "" {
			continue
		}
		var here string
		err = t.QueryRowContext(ctx, `SELECT coalesce(json_extract(body, '$.sha256'), '') FROM layers WHERE id = ?`, id).Scan(&here)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return nil, explain("list contents", err)
		}
		if here != in.SHA256 {
			out = append(out, Content{LayerContent, id, in.SHA256})
		}
	}
	err = eachRow(ctx, t, func(rows *sql.Rows) error {
		c := Content{Kind: PhotoContent, SHA256: "-"}
		err := rows.Scan(&c.ID)
		out = append(out, c)
		return err
	}, `
		SELECT DISTINCT listed.value
		FROM points, json_each(points.body, '$.properties.photos') AS listed
		WHERE points.deleted = 0 AND listed.value NOT IN (SELECT id FROM photos)
		ORDER BY listed.value`)
	return out, explain("list contents", err)
}

// layerInForce is the description of a layer that its history puts in force,
// with the number of the last revision; a zero one when it is taken out.
func (t *tx) layerInForce(ctx context.Context, id string) (l survey.Layer, number int64, err error) {
	history, err := t.versions(ctx, Layers, id)
	if err != nil || len(history) == 0 {
		return l, 0, err
	}
	joined, err := join(Layers, history)
	if err != nil || joined.Doc == nil {
		return l, 0, err
	}
	for _, c := range slices.Backward(history) {
		if string(c.After) == string(joined.Doc) {
			number = c.Number
			break
		}
	}
	return l, number, json.Unmarshal(joined.Doc, &l)
}

// HasContent returns survey.ErrNotFound when a content is not here.
func (s *Store) HasContent(ctx context.Context, c Content) error {
	var here bool
	var err error
	switch c.Kind {
	case LayerContent:
		err = s.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM layers WHERE coalesce(former_of, id) = ? AND json_extract(body, '$.sha256') = ?)`, c.ID, c.SHA256).Scan(&here)
	case PhotoContent:
		err = s.read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM photos WHERE id = ?)`, c.ID).Scan(&here)
	}
	if err == nil && !here {
		return survey.NotFound(string(c.Kind), c.ID)
	}
	return explain("look for "+string(c.Kind), err)
}

// WriteContent writes a content that is here: a photo as JSON; a layer as its
// features and the pieces of its file, one record after the other, each field
// after its length in eight bytes, the highest first, and at the end a record
// that says so.
func (s *Store) WriteContent(ctx context.Context, c Content, w io.Writer) error {
	if c.Kind == PhotoContent {
		p, err := s.Photo(ctx, c.ID)
		if err != nil {
			return err
		}
		return json.NewEncoder(w).Encode(p)
	}
	t, err := s.read.BeginTx(ctx, nil)
	if err != nil {
		return explain("read layer", err)
	}
	defer t.Rollback() //nolint:errcheck // it only read
	var n int64
	err = t.QueryRowContext(ctx, `SELECT n FROM layers WHERE coalesce(former_of, id) = ? AND json_extract(body, '$.sha256') = ? LIMIT 1`, c.ID, c.SHA256).Scan(&n)
	if errors.Is(err, sql.ErrNoRows) {
		return survey.NotFound("layer", c.ID)
	} else if err != nil {
		return explain("read layer", err)
	}
	out := bufio.NewWriterSize(w, 1<<16)
	err = eachRow(ctx, t, func(rows *sql.Rows) error {
		var f [3]sql.RawBytes
		if err := rows.Scan(&f[0], &f[1], &f[2]); err != nil {
			return err
		}
		return writeRecord(out, featureRecord, f[0], f[1], f[2])
	}, `SELECT geometry, heights, properties FROM layer_features WHERE layer = ? ORDER BY number`, n)
	if err == nil {
		err = eachRow(ctx, t, func(rows *sql.Rows) error {
			var b sql.RawBytes
			if err := rows.Scan(&b); err != nil {
				return err
			}
			return writeRecord(out, pieceRecord, b)
		}, `SELECT bytes FROM layer_files WHERE layer = ? ORDER BY number`, n)
	}
	if err == nil {
		err = writeRecord(out, lastRecord)
	}
	if err == nil {
		err = out.Flush()
	}
	return explain("read layer", err)
}

// The records of a layer's content.
const (
	featureRecord = 'F' // geometry, heights, properties
	pieceRecord   = 'P' // bytes
	lastRecord    = 'E'
)

// What comes from elsewhere is bounded: one field, and a layer as a whole.
const (
	mostField   = 64 << 20
	mostContent = 4 << 30
)

func writeRecord(w *bufio.Writer, kind byte, fields ...sql.RawBytes) error {
	if err := w.WriteByte(kind); err != nil {
		return err
	}
	for _, f := range fields {
		if _, err := w.Write(binary.BigEndian.AppendUint64(nil, uint64(len(f)))); err != nil {
			return err
		}
		if _, err := w.Write(f); err != nil {
			return err
		}
	}
	return nil
}

// errTorn is wrapped when a content breaks off or is not what it should be.
var errTorn = fmt.Errorf("the content is torn: %w", survey.ErrInvalid)

func readField(r *bufio.Reader) ([]byte, error) {
	var length [8]byte
	if _, err := io.ReadFull(r, length[:]); err != nil {
		return nil, fmt.Errorf("%w (%s)", errTorn, err)
	}
	n := binary.BigEndian.Uint64(length[:])
	if n == 0 {
		return nil, nil
	}
	if n > mostField {
		return nil, fmt.Errorf("%w (a field of %d bytes)", errTorn, n)
	}
	b, err := io.ReadAll(io.LimitReader(r, int64(n))) // grows as it comes, whatever the length says
	if err == nil && uint64(len(b)) < n {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return nil, fmt.Errorf("%w (%s)", errTorn, err)
	}
	return b, nil
}

// TakeContent adds a content that is wanted here. One that is not what the
// history says is refused with survey.ErrInvalid, and one that is not wanted
// is passed over. It is there whole before the atlas is written to, so that
// nobody waits for a slow sender.
func (s *Store) TakeContent(ctx context.Context, c Content, from io.Reader, a Author) error {
	wants, err := s.Wants(ctx)
	if err != nil || !slices.Contains(wants, c) {
		return err
	}
	switch c.Kind {
	case PhotoContent:
		return s.takePhoto(ctx, c, from, a)
	case LayerContent:
		f, done, err := aside(from)
		if err != nil {
			return err
		}
		return errors.Join(s.takeLayer(ctx, c, bufio.NewReaderSize(f, 1<<16), a), done())
	}
	return survey.Invalid("/kind", "%q is nothing that atlases exchange", c.Kind)
}

// aside copies a content into a file of its own, which goes with done.
func aside(from io.Reader) (f *os.File, done func() error, err error) {
	f, err = os.CreateTemp("", "holdfast-content-")
	if err != nil {
		return nil, nil, fmt.Errorf("make a file for the content: %w", err)
	}
	done = func() error { return errors.Join(f.Close(), os.Remove(f.Name())) }
	n, err := io.Copy(f, io.LimitReader(from, mostContent+1))
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = fmt.Errorf("%w (%s)", errTorn, err)
	}
	if err == nil && n > mostContent {
		err = survey.Invalid("", "the layer has more than %d GB; at most so much is exchanged", mostContent>>30)
	}
	if err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		return nil, nil, errors.Join(err, done())
	}
	return f, done, nil
}

func (s *Store) takePhoto(ctx context.Context, c Content, from io.Reader, a Author) error {
	var p Photo
	if err := json.NewDecoder(io.LimitReader(from, mostField)).Decode(&p); err != nil {
		return fmt.Errorf("%w (%s)", errTorn, err)
	}
	if p.ID != c.ID || len(p.Source) != 32 {
		return survey.Invalid("/id", "is not the photo that was asked for")
	}
	return s.change(ctx, "add photo", a, func(t *tx) error {
		as := *t // who took it, and when, stays beside it
		as.author.Who, as.now = clip(p.AddedBy, 200), p.AddedAt.UTC()
		_, err := as.addPhoto(ctx, p)
		t.detail = as.detail
		return err
	})
}

// takeLayer makes the content of an edition the one in force.
func (s *Store) takeLayer(ctx context.Context, c Content, from *bufio.Reader, a Author) error {
	return s.change(ctx, "layer content", a, func(t *tx) error {
		l, number, err := t.layerInForce(ctx, c.ID)
		if err != nil || l.SHA256 != c.SHA256 {
			return err
		}
		_, n, err := t.nextEdition(ctx, c.ID)
		if err != nil {
			return err
		}
		parts := &layerParts{from: from}
		_, held, err := t.load(ctx, n, parts.features())
		if err != nil {
			return err
		}
		if err := t.saveContents(ctx, n, held); err != nil {
			return err
		}
		if err := t.addFile(ctx, n, parts); err != nil {
			return err
		}
		digest, err := digestLayer(ctx, t, n)
		if err != nil {
			return err
		}
		if digest != c.SHA256 {
			return survey.Invalid("", "the content of the layer %s is not what its description says", c.ID)
		}
		_, err = t.ExecContext(ctx, `
			INSERT INTO layers (
				n,
				id,
				role,
				body,
				revision
			) SELECT ?, id, json_extract(after, '$.role'), after, number FROM revisions WHERE number = ?`, n, number)
		if err != nil {
			return err
		}
		return t.tell(map[string]string{"layer": c.ID, "sha256": digest})
	})
}

// layerParts reads what WriteContent wrote: first its features, then, as a
// Reader, the pieces of its file.
type layerParts struct {
	from  *bufio.Reader
	kind  byte
	piece []byte
	err   error
}

func (p *layerParts) next() error {
	var err error
	if p.kind, err = p.from.ReadByte(); err != nil {
		return fmt.Errorf("%w (%s)", errTorn, err)
	}
	return nil
}

func (p *layerParts) features() iter.Seq2[survey.LayerFeature, error] {
	return func(yield func(survey.LayerFeature, error) bool) {
		for {
			if p.err = p.next(); p.err != nil {
				yield(survey.LayerFeature{}, p.err)
				return
			}
			if p.kind != featureRecord {
				return
			}
			f, err := p.feature()
			if !yield(f, err) || err != nil {
				return
			}
		}
	}
}

func (p *layerParts) feature() (survey.LayerFeature, error) {
	var f survey.LayerFeature
	var raw [3][]byte
	for i := range raw {
		var err error
		if raw[i], err = readField(p.from); err != nil {
			return f, err
		}
	}
	g, err := wkb.Unmarshal(raw[0])
	if err != nil {
		return f, fmt.Errorf("%w (%s)", errTorn, err)
	}
	f.Geometry = g
	if f.Heights, err = unpackHeights(raw[1]); err != nil {
		return f, err
	}
	if raw[2] != nil {
		f.Properties = raw[2]
	}
	return f, nil
}

// Read reads the pieces of the file as one.
func (p *layerParts) Read(b []byte) (int, error) {
	for len(p.piece) == 0 {
		switch p.kind {
		case lastRecord:
			return 0, io.EOF
		case pieceRecord:
		default:
			return 0, fmt.Errorf("%w (record %s)", errTorn, hex.EncodeToString([]byte{p.kind}))
		}
		var err error
		if p.piece, err = readField(p.from); err != nil {
			return 0, err
		}
		if err := p.next(); err != nil {
			return 0, err
		}
	}
	n := copy(b, p.piece)
	p.piece = p.piece[n:]
	return n, nil
}
