package exchange_test

import (
	"io"
	"iter"

	"holdfast/geo/geojson"
	"holdfast/geo/vector"
	vectorfile "holdfast/geo/vector/file"
	"holdfast/survey"
	"holdfast/survey/exchange"
)

// sequence makes a sequence of a slice.
func sequence[T any](items []T) iter.Seq2[T, error] {
	return func(yield func(T, error) bool) {
		for _, item := range items {
			if !yield(item, nil) {
				return
			}
		}
	}
}

// features are the Features of items.
func features[T any](items iter.Seq2[T, error], feature func(T) (geojson.Feature, error)) iter.Seq2[geojson.Feature, error] {
	return func(yield func(geojson.Feature, error) bool) {
		for item, err := range items {
			var f geojson.Feature
			if err == nil {
				f, err = feature(item)
			}
			if !yield(f, err) {
				return
			}
		}
	}
}

func nests(f exchange.Format) bool { return f != exchange.CSV }

func writeSites(w io.Writer, f exchange.Format, all iter.Seq2[survey.Site, error]) error {
	return writeRecords(w, f, exchange.IDField, exchange.SiteRecords(features(all, survey.Site.Feature), !nests(f)))
}

func writePoints(w io.Writer, f exchange.Format, all iter.Seq2[survey.Point, error]) error {
	return writeRecords(w, f, exchange.IDField, exchange.PointRecords(features(all, survey.Point.Feature), !nests(f)))
}

func writeLayer(w io.Writer, f exchange.Format, all iter.Seq2[survey.LayerFeature, error]) error {
	return writeRecords(w, f, "feature_id", exchange.LayerRecords(all))
}

func writeRecords(w io.Writer, f exchange.Format, idField string, records iter.Seq[vector.Record]) error {
	layer := vector.Describe(records)
	layer.Name, layer.IDField = "layer", idField
	to, err := vectorfile.NewWriter(w, f)
	if err != nil {
		return err
	}
	if err := to.Begin(layer); err != nil {
		return err
	}
	if _, err := vector.Copy(to, records); err != nil {
		return err
	}
	return to.Close()
}
