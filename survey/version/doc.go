// Package version compares the versions of an item and joins them: what
// differs between two, field by field, and what becomes of several that were
// made apart from each other. An item is a document in JSON - a GeoJSON Feature
// or a policy - and nothing here knows where it is kept.
package version
