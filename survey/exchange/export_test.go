package exchange

import (
	"io"
	"iter"

	"github.com/paulmach/orb"

	"holdfast/geo"
	"holdfast/survey"
)

// Collect reads all of a sequence, or its error.
func Collect[T any](items iter.Seq2[T, error], r *Report) ([]T, *Report, error) {
	var out []T
	for item, err := range items {
		if err != nil {
			return nil, r, err
		}
		out = append(out, item)
	}
	return out, r, nil
}

// ReadSites reads sites from any reader as Input.Sites does from a file that
// stands as this package writes it.
func ReadSites(r io.Reader, o Options) ([]survey.Site, *Report, error) {
	return Collect(stream(fromReader(r, siteSchema), o, siteParser()))
}

// ReadPoints does the same as Input.Points.
func ReadPoints(r io.Reader, o Options) ([]survey.Point, *Report, error) {
	return Collect(stream(fromReader(r, pointSchema), o, pointParser()))
}

// ReadLayer does it for the features of a layer, which the program reads by way
// of package vector: the readers must stand any file.
func ReadLayer(r io.Reader, role survey.Role, o Options) ([]survey.LayerFeature, *Report, error) {
	return Collect(stream(fromReader(r, nil), o, layerParser(role)))
}

// Alike gives the numbers, from 1, of the records of a file that are duplicates
// if all of them are called the same.
func Alike(places []orb.Point, within geo.Length) [][2]int {
	t := things{within: within}
	for i, p := range places {
		t.add(thing{number: uint32(i + 1), was: -1}, "P 1", p)
	}
	pairs := [][2]int{}
	for _, d := range t.alike() {
		pairs = append(pairs, [2]int{d.Record, d.OfRecord})
	}
	return pairs
}
