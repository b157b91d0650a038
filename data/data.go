// Package data holds the files that ship inside the program: the cautious
// default policy and the invented demo district. Every figure in them names
// its source in the line itself.
package data

import "embed"

// DefaultPolicy is the policy a new atlas starts with.
//
//go:embed policy/default.json
var DefaultPolicy []byte

// Demo is the invented district, as GeoJSON files under demo/.
//
//go:embed demo/*.geojson
var Demo embed.FS
