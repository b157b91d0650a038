package file

import (
	"fmt"
	"io"
	"path"
	"strings"

	"holdfast/geo/vector"
	"holdfast/geo/vector/csvfile"
	"holdfast/geo/vector/gpkg"
	"holdfast/geo/vector/gpx"
	"holdfast/geo/vector/jsonfile"
	"holdfast/geo/vector/kml"
	"holdfast/geo/vector/shp"
)

// endings are the endings of names and the format of each.
var endings = map[string]vector.Format{
	".geojson": vector.GeoJSON, ".json": vector.GeoJSON,
	".geojsons": vector.TextSequence, ".geojsonl": vector.TextSequence, ".geojsonseq": vector.TextSequence,
	".zip": vector.Shapefile, ".shz": vector.Shapefile,
	".gpkg": vector.GeoPackage, ".kml": vector.KML, ".gpx": vector.GPX, ".csv": vector.CSV,
}

// FormatOf returns the format to write for a name by its ending, false when it
// says none.
func FormatOf(name string) (vector.Format, bool) {
	f, ok := endings[strings.ToLower(path.Ext(strings.ReplaceAll(name, `\`, "/")))]
	return f, ok
}

// NewWriter writes a file of a format to w. Shapefiles come as a zip archive.
// The formats with a fixed table (Shapefile, GeoPackage, KML, CSV) need layers
// that say their fields, as vector.Describe does.
func NewWriter(w io.Writer, f vector.Format) (vector.Writer, error) {
	switch f {
	case vector.GeoJSON:
		return jsonfile.NewWriter(w), nil
	case vector.TextSequence:
		return jsonfile.NewSequenceWriter(w), nil
	case vector.Shapefile:
		return shp.NewWriter(w), nil
	case vector.GeoPackage:
		return gpkg.NewWriter(w)
	case vector.KML:
		return kml.NewWriter(w), nil
	case vector.GPX:
		return gpx.NewWriter(w), nil
	case vector.CSV:
		return csvfile.NewWriter(w), nil
	}
	return nil, fmt.Errorf("%q is no format that is written", f)
}
