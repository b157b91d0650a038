package secret_test

import (
	"bufio"
	"bytes"
	"context"
	_ "embed"
	"errors"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"holdfast/survey"
	"holdfast/survey/secret"
)

// light makes hashes that take no time, for what does not depend on the cost.
var light = secret.Cost{MemoryKiB: 64, Passes: 1, Lanes: 1}

// TestHashesOfTheReferenceImplementation: see testdata/SOURCE.md.
func TestHashesOfTheReferenceImplementation(t *testing.T) {
	f, err := os.Open("testdata/argon2id.tsv")
	require.NoError(t, err)
	defer f.Close()
	h, n := secret.NewHasher(light, 1), 0
	for in := bufio.NewScanner(f); in.Scan(); n++ {
		password, stored, _ := strings.Cut(in.Text(), "\t")
		ok, err := h.Verify(t.Context(), stored, password)
		require.NoError(t, err)
		assert.True(t, ok, password)
		ok, err = h.Verify(t.Context(), stored, password+"x")
		require.NoError(t, err)
		assert.False(t, ok, password)
	}
	assert.Equal(t, 3, n)
}

func TestRecommendedIsWhatTheStandardSays(t *testing.T) {
	// RFC 9106, section 4: "t=3 iterations, p=4 lanes, m=2^(16) (64 MiB of RAM), 128-bit salt, and 256-bit tag size".
	assert.Equal(t, secret.Cost{MemoryKiB: 1 << 16, Passes: 3, Lanes: 4}, secret.Recommended)
	stored, err := secret.NewHasher(secret.Recommended, 1).Hash(t.Context(), "a bank of clay and reeds")
	require.NoError(t, err)
	// 16 and 32 bytes are 22 and 43 characters of base64 without padding (RFC 4648).
	assert.Regexp(t, `^\$argon2id\$v=19\$m=65536,t=3,p=4\$[A-Za-z0-9+/]{22}\$[A-Za-z0-9+/]{43}$`, stored)
}

func TestHashing(t *testing.T) {
	h := secret.NewHasher(light, 2)
	one, err := h.Hash(t.Context(), "a bank of clay and reeds")
	require.NoError(t, err)
	two, err := h.Hash(t.Context(), "a bank of clay and reeds")
	require.NoError(t, err)
	assert.NotEqual(t, one, two, "each has a salt of its own")
	assert.False(t, h.Stale(one))
	assert.True(t, secret.NewHasher(secret.Recommended, 1).Stale(one))

	// One accent as one character and as two (Unicode NFKC).
	accent, err := h.Hash(t.Context(), "caf\u00e9 by the river")
	require.NoError(t, err)
	ok, err := h.Verify(t.Context(), accent, "cafe\u0301 by the river")
	require.NoError(t, err)
	assert.True(t, ok)

	ok, err = h.Verify(t.Context(), "", "")
	require.NoError(t, err)
	assert.False(t, ok, "no hash is nobody's, with any password")
}

func TestDamagedHashesAreRefused(t *testing.T) {
	h := secret.NewHasher(light, 1)
	for _, stored := range []string{
		"x", "$argon2id$v=19$m=64,t=1,p=1$c2FsdHNhbHQ", "$argon2i$v=19$m=64,t=1,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA",
		"$argon2id$v=16$m=64,t=1,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA", "$argon2id$v=19$m=99999999,t=1,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA",
		"$argon2id$v=19$m=64,t=0,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA", "$argon2id$v=19$m=64,t=1,p=0$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA",
		"$argon2id$v=19$m=64,t=1,p=1$c2FsdHNhbHQ$", "$argon2id$v=19$m=64,t=1,p=1$*$c2FsdHNhbHRzYWx0c2FsdA",
	} {
		ok, err := h.Verify(t.Context(), stored, "password")
		assert.Error(t, err, stored)
		assert.False(t, ok, stored)
	}
}

func TestHashesWaitTheirTurn(t *testing.T) {
	h := secret.NewHasher(light, 0) // no turn ever comes
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := h.Hash(ctx, "x")
	assert.ErrorIs(t, err, context.Canceled)
	_, err = h.Verify(ctx, "", "x")
	assert.ErrorIs(t, err, context.Canceled)
}

func TestTokens(t *testing.T) {
	seen := map[string]bool{}
	for range 1000 {
		token := secret.NewToken("holdfast_")
		assert.Regexp(t, regexp.MustCompile(`^holdfast_[A-Z2-7]{32}$`), token) // 32 characters of 5 bits: 160 bits
		assert.False(t, seen[token])
		seen[token] = true
		assert.Len(t, secret.Digest(token), 32)
		assert.False(t, bytes.Contains(secret.Digest(token), []byte(token[9:20])))
	}
}

//go:embed common.txt
var common string

func TestPasswordRules(t *testing.T) {
	for _, c := range []struct {
		password, name, says string
	}{
		{"short", "J. Alder", "at least 12"},
		{"elevenchars", "J. Alder", "at least 12"},
		{strings.Repeat("long words ", 30), "J. Alder", "at most 256"},
		{"PasswordPassword", "J. Alder", "first that anybody"},
		{"aaaaaaaaaaaaaaaa", "J. Alder", "over and over"},
		{"abababababababab", "J. Alder", "over and over"},
		{"1234567890123456", "J. Alder", "over and over"},
		{"QWERTYUIOPasdfghjkl", "J. Alder", "over and over"},
		{"987654321abcdefgh", "J. Alder", "over and over"},
		{"j. alder 2026", "J. Alder", "a name"},
		{"Holdfast-2026-!!", "J. Alder", "a name"},
		{"\xff\xfe not text at all", "J. Alder", "not text"},
		// NIST SP 800-63B: no composition rules, spaces and every script taken.
		{"heron by the sluice", "J. Alder", ""},
		{"gauge.rope.clay", "J. Alder", ""},
		{"пикетынаберегу", "J. Alder", ""},
		{"j. alder walks to the mill", "J. Alder", ""},
		{"kq7v mzp2 tw9d", "", ""},
	} {
		err := secret.CheckPassword(c.password, c.name)
		if c.says == "" {
			assert.NoError(t, err, c.password)
			continue
		}
		if assert.Error(t, err, c.password) {
			assert.Contains(t, err.Error(), c.says, c.password)
			assert.True(t, errors.Is(err, survey.ErrInvalid))
			assert.NotContains(t, err.Error(), c.password, "a password is never repeated")
		}
	}
}

// TestCommonList: a line that another rule refuses already, or that is not
// written as it is compared, does nothing.
func TestCommonList(t *testing.T) {
	lines := strings.Split(strings.TrimSpace(common), "\n")
	for _, line := range lines {
		assert.GreaterOrEqual(t, len(line), secret.Shortest, line)
		assert.Equal(t, strings.ToLower(line), line)
		assert.Error(t, secret.CheckPassword(strings.ToUpper(line), ""), line)
	}
	assert.Greater(t, len(lines), 50)
}

func FuzzVerify(f *testing.F) {
	f.Add("$argon2id$v=19$m=64,t=1,p=1$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA", "x")
	f.Add("$argon2id$v=19$m=-1,t=1,p=300$c2FsdHNhbHQ$c2FsdHNhbHRzYWx0c2FsdA", "x")
	h := secret.NewHasher(light, 1)
	f.Fuzz(func(t *testing.T, stored, password string) {
		if strings.Contains(stored, "m=") && len(stored) > 20 && !strings.Contains(stored, "m=64,t=1,") {
			return // it would be worked out, at a cost
		}
		ok, err := h.Verify(t.Context(), stored, password)
		assert.False(t, ok && err != nil)
	})
}

func FuzzCheckPassword(f *testing.F) {
	f.Add("heron by the sluice", "J. Alder")
	f.Fuzz(func(_ *testing.T, password, name string) { _ = secret.CheckPassword(password, name) })
}
