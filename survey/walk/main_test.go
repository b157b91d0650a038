package walk_test

import (
	"flag"
	"os"
	"testing"

	_ "pgregory.net/rapid" // defines the flag
)

// TestMain draws the same cases for the property tests in every run, so that a
// failure can be had again; -rapid.seed draws others.
func TestMain(m *testing.M) {
	if err := flag.Set("rapid.seed", "20261125"); err != nil {
		panic(err)
	}
	os.Exit(m.Run())
}
