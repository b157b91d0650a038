package main

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log/slog"
	"math/big"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// issue writes a certificate for a name and its key.
func issue(t *testing.T, dir, name string, at time.Time) (chain, key string) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: name}, DNSNames: []string{name}, NotBefore: at, NotAfter: at.Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &k.PublicKey, k)
	require.NoError(t, err)
	secret, err := x509.MarshalECPrivateKey(k)
	require.NoError(t, err)
	chain, key = filepath.Join(dir, "chain.pem"), filepath.Join(dir, "key.pem")
	for path, block := range map[string]*pem.Block{chain: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "EC PRIVATE KEY", Bytes: secret}} {
		require.NoError(t, os.WriteFile(path, pem.EncodeToMemory(block), 0o600))
		require.NoError(t, os.Chtimes(path, at, at))
	}
	return chain, key
}

func served(t *testing.T, c *certificate) string {
	t.Helper()
	pair, err := c.get(&tls.ClientHelloInfo{})
	require.NoError(t, err)
	return pair.Leaf.Subject.CommonName
}

func TestRenewedCertificates(t *testing.T) {
	dir, day := t.TempDir(), time.Now().Add(-time.Minute)
	chain, key := issue(t, dir, "old.example", day)
	c, err := loadCertificate(chain, key)
	require.NoError(t, err)
	assert.Equal(t, "old.example", served(t, c))
	changed, err := c.refresh()
	require.NoError(t, err)
	assert.False(t, changed)

	issue(t, dir, "new.example", day.Add(time.Second))
	good, err := os.ReadFile(key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(key, []byte("half a key"), 0o600))
	_, err = c.refresh()
	assert.Error(t, err, "the pair does not fit while it is being replaced")
	assert.Equal(t, "old.example", served(t, c), "and the one before serves on")

	mine := make(chan os.Signal, 1) // so that none ends the test
	signal.Notify(mine, syscall.SIGHUP)
	defer signal.Stop(mine)
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	var log bytes.Buffer
	go func() { c.watch(ctx, time.Hour, slog.New(slog.NewJSONHandler(&log, nil))); close(ended) }()
	require.NoError(t, os.WriteFile(key, good, 0o600))
	assert.Eventually(t, func() bool {
		_ = syscall.Kill(syscall.Getpid(), syscall.SIGHUP)
		return served(t, c) == "new.example"
	}, 10*time.Second, 10*time.Millisecond)
	stop()
	<-ended
	assert.Contains(t, log.String(), "certificate taken up")

	_, err = loadCertificate(filepath.Join(dir, "none.pem"), key)
	assert.ErrorContains(t, err, "none.pem")
}
