package cql2

// Conformance returns the conformance classes of OGC 21-065r2 that filters of
// this package meet, by their URIs.
func Conformance() []string {
	const prefix = "http://www.opengis.net/spec/cql2/1.0/conf/"
	return []string{
		prefix + "basic-cql2",
		prefix + "advanced-comparison-operators",
		prefix + "case-insensitive-comparison",
		prefix + "accent-insensitive-comparison",
		prefix + "basic-spatial-functions",
		prefix + "basic-spatial-functions-plus",
		prefix + "spatial-functions",
		prefix + "temporal-functions",
		prefix + "array-functions",
		prefix + "property-property",
		prefix + "arithmetic",
		prefix + "cql2-text",
		prefix + "cql2-json",
	}
}
