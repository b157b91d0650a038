//go:build !unix

package sqlite

// writable leaves the question to the first write.
func writable(string) error { return nil }
