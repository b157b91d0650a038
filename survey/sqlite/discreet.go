package sqlite

import (
	"context"
	"encoding/json"
	"fmt"

	"holdfast/geo/geojson"
	"holdfast/survey"
)

type discreetKey struct{}

// Discreet returns a context in which the store hands out sites and points, in
// every form, without contacts and ticket numbers: survey.Hidden stands in
// their place. Whoever may not see them then cannot be shown them by mistake.
func Discreet(ctx context.Context) context.Context {
	return context.WithValue(ctx, discreetKey{}, true)
}

func discreet(ctx context.Context) bool { return ctx.Value(discreetKey{}) != nil }

// discreetly reads stored items as the context allows.
func discreetly[T interface{ Discreet() T }](ctx context.Context, read func([]byte) (T, error)) func([]byte) (T, error) {
	if !discreet(ctx) {
		return read
	}
	return func(body []byte) (T, error) {
		item, err := read(body)
		return item.Discreet(), err
	}
}

// discreetFeature writes an item of sites or points as it may be seen.
func discreetFeature(collection string, f geojson.Feature) (geojson.Feature, error) {
	var out json.RawMessage
	var err error
	switch collection {
	case Sites:
		var s survey.Site
		if err = json.Unmarshal(f.Properties, &s); err == nil {
			out, err = json.Marshal(s.Discreet())
		}
	case Points:
		var p survey.Point
		if err = json.Unmarshal(f.Properties, &p); err == nil {
			out, err = json.Marshal(p.Discreet())
		}
	default:
		return f, nil
	}
	if err != nil {
		return geojson.Feature{}, fmt.Errorf("hide what may not be seen: %w", err)
	}
	f.Properties = out
	return f, nil
}

// discreetRevisions hides in the past what is hidden now.
func discreetRevisions(ctx context.Context, list []Revision) ([]Revision, error) {
	if !discreet(ctx) {
		return list, nil
	}
	for i := range list {
		for _, item := range []*json.RawMessage{&list[i].Before, &list[i].After} {
			if *item == nil || list[i].Collection != Sites && list[i].Collection != Points {
				continue
			}
			var f geojson.Feature
			err := json.Unmarshal(*item, &f)
			if err == nil {
				f, err = discreetFeature(list[i].Collection, f)
			}
			if err == nil {
				*item, err = json.Marshal(f)
			}
			if err != nil {
				return nil, fmt.Errorf("revision %d: %w", list[i].Number, err)
			}
		}
	}
	return list, nil
}
