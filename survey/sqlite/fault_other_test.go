//go:build !unix

package sqlite_test

func limited() {}
