package gpkg

// ParseBlob and AppendBlob are for the tests of this package.
var (
	ParseBlob  = parseBlob
	AppendBlob = appendBlob
)
