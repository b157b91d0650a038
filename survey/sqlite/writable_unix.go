//go:build unix

package sqlite

import "golang.org/x/sys/unix"

// writable asks the system whether this user may write to a file or folder.
func writable(name string) error { return unix.Access(name, unix.W_OK) }
