package sqlite

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// Hash is a SHA-256. The hash of a revision names it in every atlas that has
// it, whatever its number there.
//
// A revision is hashed as a list of fields, each preceded by its length in
// bytes as eight bytes, the highest first: the words "holdfast revision 1",
// collection, id, time, who, device, verb ("settle" where it settles what
// versions made apart did not agree on), the item after it (nothing when
// deleted) and the hashes of its parents, sorted. Its link is the SHA-256 of
// the link before it (32 zero bytes at first) and its hash, so that the last
// link stands for every revision and their order. The text of each field is
// what the columns of revisions hold, byte for byte.
type Hash [sha256.Size]byte

func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// MarshalText writes the hash in hexadecimal.
func (h Hash) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, h[:]), nil }

// UnmarshalText reads what MarshalText writes.
func (h *Hash) UnmarshalText(b []byte) error {
	if hex.DecodedLen(len(b)) != len(h) || len(b)%2 != 0 {
		return errors.New("a hash is 64 hexadecimal digits")
	}
	if _, err := hex.Decode(h[:], b); err != nil {
		return fmt.Errorf("read hash: %w", err)
	}
	return nil
}

// Scan reads a column.
func (h *Hash) Scan(v any) error {
	b, ok := v.([]byte)
	if !ok || len(b) != len(h) {
		return fmt.Errorf("read hash: found a %T", v)
	}
	copy(h[:], b)
	return nil
}

// seal hashes fields so that no two lists of them are written alike.
func seal(fields ...string) Hash {
	sum := sha256.New()
	var length [8]byte
	for _, f := range fields {
		binary.BigEndian.PutUint64(length[:], uint64(len(f)))
		_, _ = sum.Write(length[:])
		_, _ = sum.Write([]byte(f))
	}
	return Hash(sum.Sum(nil))
}

// hashRevision hashes a revision as Hash says; at is its time as stored.
func hashRevision(r Revision, at string, parents []Hash) Hash {
	return seal("holdfast revision 1", r.Collection, r.ID, at, r.Who, r.Device, string(wireVerb(r)), string(r.After), string(joinHashes(parents)))
}

// wireVerb is the verb by which a revision is known in every atlas.
func wireVerb(r Revision) Verb {
	if r.Settles {
		return settle
	}
	return r.Verb
}

const settle Verb = "settle"

func linkAfter(last, hash Hash) Hash {
	return sha256.Sum256(append(last[:], hash[:]...))
}

// joinHashes writes hashes one after the other, sorted.
func joinHashes(list []Hash) []byte {
	sorted := slices.SortedFunc(slices.Values(list), compareHashes)
	out := []byte{} // never NULL
	for _, h := range sorted {
		out = append(out, h[:]...)
	}
	return out
}

func compareHashes(a, b Hash) int { return bytes.Compare(a[:], b[:]) }

func splitHashes(b []byte) []Hash {
	var out []Hash
	for part := range slices.Chunk(b, sha256.Size) {
		out = append(out, Hash(part))
	}
	return out
}

// lastLink is the link that stands for the whole history so far.
func (t *tx) lastLink(ctx context.Context) (Hash, error) {
	if t.linked {
		return t.link, nil
	}
	err := t.QueryRowContext(ctx, `SELECT number, link FROM chain ORDER BY number DESC LIMIT 1`).Scan(&t.last, &t.link)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return Hash{}, err
	}
	t.linked = true
	return t.link, nil
}

const (
	insertLink = `
		INSERT INTO chain (
			number,
			hash,
			parents,
			link
		) VALUES (?, ?, ?, ?)`
	insertSettling = `
		INSERT INTO chain (
			number,
			hash,
			parents,
			link,
			settles
		) VALUES (?, ?, ?, ?, 1)`
)

// enchain adds a revision to the chain.
func (t *tx) enchain(ctx context.Context, number int64, hash Hash, parents []Hash, settles bool) error {
	last, err := t.lastLink(ctx)
	if err != nil {
		return err
	}
	link := linkAfter(last, hash)
	statement := insertLink
	if settles {
		statement = insertSettling
	}
	if _, err := t.ExecContext(ctx, statement, number, hash[:], joinHashes(parents), link[:]); err != nil {
		return err
	}
	t.last, t.link, t.wrote = number, link, true
	return nil
}

// heads returns the revisions of an item that no other was made on yet: one,
// unless versions were made apart.
func (t *tx) heads(ctx context.Context, collection, id string) ([]Hash, error) {
	rows, err := t.QueryContext(ctx, `
		SELECT hash
		FROM chain
		WHERE number IN (SELECT number FROM forks WHERE collection = ?1 AND id = ?2)
		UNION ALL
		SELECT hash
		FROM chain
		WHERE number = (SELECT max(number) FROM revisions WHERE collection = ?1 AND id = ?2)
			AND NOT EXISTS (SELECT 1 FROM forks WHERE collection = ?1 AND id = ?2)`, collection, id)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []Hash
	for rows.Next() {
		var h Hash
		if err := rows.Scan(&h); err != nil {
			return nil, err
		}
		out = append(out, h)
	}
	return out, rows.Err()
}

// enchainAll gives the history of an atlas from before the chain its links:
// each revision was made on the one of its item before it.
func enchainAll(ctx context.Context, t *tx) error {
	heads := map[string][]Hash{}
	for after := int64(0); ; {
		page, err := t.revisionsAfter(ctx, after, 1000)
		if err != nil || len(page) == 0 {
			return err
		}
		for _, r := range page {
			item := r.Collection + "\x00" + r.ID
			h := hashRevision(r, r.At.Format(timeFormat), heads[item])
			if err := t.enchain(ctx, r.Number, h, heads[item], false); err != nil {
				return err
			}
			heads[item] = []Hash{h}
			after = r.Number
		}
	}
}

// revisionsAfter reads a page of the history in its order.
func (t *tx) revisionsAfter(ctx context.Context, after int64, limit int) ([]Revision, error) {
	rows, err := t.QueryContext(ctx, selectRevision+`
		WHERE number > ?
		ORDER BY number
		LIMIT ?`, after, limit)
	return readRevisions(rows, err)
}

// account adds the entry of this change to the log.
func (t *tx) account(ctx context.Context, event string) error {
	if !t.wrote && t.detail == nil {
		return nil
	}
	link, err := t.lastLink(ctx)
	if err != nil {
		return err
	}
	var number int64
	var before Hash
	err = t.QueryRowContext(ctx, `SELECT number, hash FROM audit ORDER BY number DESC LIMIT 1`).Scan(&number, &before)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	detail := "{}"
	if t.detail != nil {
		detail = string(t.detail)
	}
	e := Entry{Number: number + 1, Who: t.author.Who, Device: t.author.Device, Event: event, Detail: []byte(detail), Revision: t.last}
	hash := hashEntry(e, t.stamp(), before, link)
	_, err = t.ExecContext(ctx, `
		INSERT INTO audit (
			number,
			at,
			who,
			device,
			event,
			detail,
			revision,
			hash
		) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`, e.Number, t.stamp(), e.Who, e.Device, e.Event, detail, e.Revision, hash[:])
	return err
}

// hashEntry hashes an entry of the log as a list of fields, as a revision is:
// the words "holdfast audit 1", the hash of the entry before (32 zero bytes at
// first), number, time, who, device, event, detail, the number of the last
// revision and its link (32 zero bytes when there is none).
func hashEntry(e Entry, at string, before, link Hash) Hash {
	return seal("holdfast audit 1", string(before[:]), strconv.FormatInt(e.Number, 10), at, e.Who, e.Device, e.Event, string(e.Detail),
		strconv.FormatInt(e.Revision, 10), string(link[:]))
}

// clip bounds a text that came from outside before it is kept for ever.
func clip(s string, most int) string {
	if len(s) > most {
		s = s[:most]
	}
	return strings.ToValidUTF8(s, "")
}
