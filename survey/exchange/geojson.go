package exchange

import (
	"encoding/json"
	"errors"
	"io"
	"iter"
	"regexp"
	"strings"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

// jsonRecords reads GeoJSON. A "crs" member may follow the features, so the
// last word on the coordinate system falls at the end of the file.
func jsonRecords(r io.Reader, report *Report) iter.Seq[record] {
	return func(yield func(record) bool) {
		limit := &guard{r: r}
		seen := &watch{r: limit}
		report.CRS = "OGC:CRS84"
		last := func(rec geojson.Record) error {
			if err := checkCRS(seen.crs, report); err != nil || rec.Number > 0 {
				return err
			}
			return broken(rec.Err, seen, report)
		}
		for rec := range geojson.Records(seen) {
			limit.reset()
			if err := last(rec); err != nil {
				yield(record{fatal: err})
				return
			}
			if !yield(record{number: rec.Number, feature: rec.Feature, err: inPlace(rec.Err)}) {
				return
			}
		}
		if err := last(geojson.Record{}); err != nil {
			yield(record{fatal: err})
		}
	}
}

// broken says where a stream ended that should not have, if it did.
func broken(err error, seen *watch, report *Report) error {
	why := ""
	switch {
	case errors.Is(err, errTooLong):
		why = errTooLong.Error()
	case err != nil && !strings.Contains(err.Error(), "the file is empty"):
		why = strings.TrimPrefix(err.Error(), geojson.ErrNotGeoJSON.Error()+": ")
	case seen.depth > 0:
		why = "the file ends in the middle of a record"
	default:
		return nil
	}
	if n := report.Taken() + report.Refused; n > 0 {
		return survey.Invalid("", "the file breaks after record %d: %s", n, why)
	}
	return survey.Invalid("", "the file is not GeoJSON: %s", why)
}

func inPlace(err error) error {
	if err == nil {
		return nil
	}
	if errors.Is(err, geojson.ErrNull) {
		return survey.Invalid("/geometry", "is null: it has no place")
	}
	return survey.Invalid("", "%s", err)
}

// wgs84 matches the names of longitude and latitude on WGS 84. GeoJSON of 2008
// wrote x before y whatever the authority's axis order, so EPSG:4326 counts.
var wgs84 = regexp.MustCompile(`(?i)^(urn:ogc:def:crs:(ogc|epsg):[0-9.]*:|(ogc|epsg):|https?://www\.opengis\.net/def/crs/(ogc|epsg)/[0-9.]+/)(crs84h?|4326|4979)$`)

// checkCRS refuses a declared coordinate system other than WGS 84.
func checkCRS(raw []byte, report *Report) error {
	if raw == nil {
		return nil
	}
	var crs *struct {
		Type       string `json:"type"`
		Properties struct {
			Name string `json:"name"`
		} `json:"properties"`
	}
	if err := json.Unmarshal(raw, &crs); err != nil {
		if len(raw) < maxCRS && !json.Valid(append([]byte(nil), raw...)) {
			return nil // not read to its end yet
		}
		return survey.Invalid("/crs", "is not understood")
	}
	if crs == nil {
		return survey.Invalid("/crs", "is null: the file says that its coordinate system is not known; give it in longitude and latitude on WGS 84")
	}
	name := crs.Properties.Name
	if !wgs84.MatchString(name) {
		return survey.Invalid("/crs", "the file is in the coordinate system %q, not in longitude and latitude on WGS 84", name)
	}
	report.CRS = name
	return nil
}
