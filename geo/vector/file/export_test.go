package file

import (
	"io"
	"path/filepath"

	"holdfast/geo/vector"
)

// OpenReader opens a file that is not on disk, or not under its own name. The
// name, which may be "", only names the layer. A GeoPackage is copied into a
// temporary file; a .shp comes without what goes with it. The source does not
// close the reader.
func OpenReader(r io.ReaderAt, size int64, name string, o vector.Options) (vector.Source, error) {
	return openAt(r, size, filepath.Base(name), o, false)
}
