// Package secret keeps what people and devices prove themselves with:
// passwords, of which only a slow hash is stored, and random tokens, of which
// only a digest is.
package secret

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"
	"golang.org/x/text/unicode/norm"
)

// Cost is what one hash of a password by Argon2id takes (RFC 9106).
type Cost struct {
	MemoryKiB uint32
	Passes    uint32
	Lanes     uint8
}

// Recommended is the second recommended option of RFC 9106, section 4: 64 MiB,
// three passes, four lanes.
var Recommended = Cost{MemoryKiB: 64 << 10, Passes: 3, Lanes: 4}

const (
	saltLen = 16 // bytes, RFC 9106 section 3.1
	keyLen  = 32
)

// Hasher hashes passwords, a bounded number at a time: each takes its memory.
type Hasher struct {
	cost Cost
	free chan struct{}
}

// NewHasher returns a hasher of new passwords at a cost, with at most so many
// at work at once.
func NewHasher(c Cost, most int) *Hasher {
	return &Hasher{cost: c, free: make(chan struct{}, most)}
}

// Hash returns what is to be stored of a password: cost, salt and hash in the
// reference implementation's notation.
func (h *Hasher) Hash(ctx context.Context, password string) (string, error) {
	salt := make([]byte, saltLen)
	rand.Read(salt) //nolint:errcheck // never fails
	key, err := h.key(ctx, password, salt, h.cost, keyLen)
	if err != nil {
		return "", err
	}
	text := base64.RawStdEncoding.EncodeToString
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, h.cost.MemoryKiB, h.cost.Passes, h.cost.Lanes, text(salt), text(key)), nil
}

// Verify tells whether a password is the one that was hashed. An empty hash is
// nobody's, and takes as long to refuse as any other.
func (h *Hasher) Verify(ctx context.Context, stored, password string) (bool, error) {
	if stored == "" {
		_, err := h.key(ctx, password, make([]byte, saltLen), h.cost, keyLen)
		return false, err
	}
	cost, salt, want, err := parse(stored)
	if err != nil {
		return false, err
	}
	got, err := h.key(ctx, password, salt, cost, len(want))
	return err == nil && subtle.ConstantTimeCompare(got, want) == 1, err
}

// Stale tells whether a stored hash was made at another cost than new ones are.
func (h *Hasher) Stale(stored string) bool {
	cost, _, _, err := parse(stored)
	return err != nil || cost != h.cost
}

// key waits for its turn and hashes. Different ways to type the same
// characters are the same password (NFKC, as NIST SP 800-63B advises).
func (h *Hasher) key(ctx context.Context, password string, salt []byte, c Cost, length int) ([]byte, error) {
	select {
	case h.free <- struct{}{}:
		defer func() { <-h.free }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	return argon2.IDKey(norm.NFKC.Bytes([]byte(password)), salt, c.Passes, c.MemoryKiB, c.Lanes, uint32(length)), nil
}

var errHash = errors.New("a stored password hash cannot be read")

// What a stored hash may ask for; more would be an attack on this machine.
const (
	mostMemoryKiB = 1 << 20
	mostPasses    = 64
)

func parse(stored string) (c Cost, salt, key []byte, err error) {
	parts := strings.Split(stored, "$")
	if len(parts) != 6 || parts[0] != "" || parts[1] != "argon2id" || parts[2] != fmt.Sprintf("v=%d", argon2.Version) {
		return c, nil, nil, errHash
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &c.MemoryKiB, &c.Passes, &c.Lanes); err != nil {
		return c, nil, nil, errHash
	}
	salt, err1 := base64.RawStdEncoding.Strict().DecodeString(parts[4])
	key, err2 := base64.RawStdEncoding.Strict().DecodeString(parts[5])
	if err := errors.Join(err1, err2); err != nil || len(salt) < 8 || len(key) < 16 || len(key) > 128 ||
		c.MemoryKiB < 8 || c.MemoryKiB > mostMemoryKiB || c.Passes < 1 || c.Passes > mostPasses || c.Lanes < 1 {
		return c, nil, nil, errHash
	}
	return c, salt, key, nil
}

// NewToken returns a random text of more than 128 bits behind a prefix, by
// which people and programs that look for leaked secrets know it.
func NewToken(prefix string) string { return prefix + rand.Text() + rand.Text()[:6] }

// Digest is what is stored of a token. A token is random throughout, so a fast
// hash does.
func Digest(token string) []byte {
	d := sha256.Sum256([]byte(token))
	return d[:]
}
