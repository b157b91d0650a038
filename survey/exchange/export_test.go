package exchange

import (
	"io"

	"holdfast/survey"
)

// ReadSites reads sites from any reader as Input.Sites does from a file that
// stands as this package writes it.
func ReadSites(r io.Reader, o Options) ([]survey.Site, *Report, error) {
	return collect(fromReader(r, siteSchema), o, siteParser())
}

// ReadPoints does the same as Input.Points.
func ReadPoints(r io.Reader, o Options) ([]survey.Point, *Report, error) {
	return collect(fromReader(r, pointSchema), o, pointParser())
}

// ReadLayer does it for the features of a layer, which the program reads by way
// of package vector: the readers must stand any file.
func ReadLayer(r io.Reader, role survey.Role, o Options) ([]survey.LayerFeature, *Report, error) {
	return collect(fromReader(r, nil), o, layerParser(role))
}
