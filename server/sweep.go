package server

import (
	"os"
	"path/filepath"
	"time"
)

// leftover is how old a temporary file has to be for nobody to use it any more.
const leftover = 7 * 24 * time.Hour

// sweep removes from a folder what a server that ended without notice left
// there. What cannot be removed is somebody else's.
func sweep(dir string, now time.Time) {
	for _, ours := range []string{spoolPrefix, exportPrefix, contentPrefix} {
		found, _ := filepath.Glob(filepath.Join(dir, ours+"*")) // its only error is a bad pattern: then nothing is swept
		for _, path := range found {
			if info, err := os.Lstat(path); err == nil && now.Sub(info.ModTime()) > leftover {
				_ = os.RemoveAll(path)
			}
		}
	}
}
