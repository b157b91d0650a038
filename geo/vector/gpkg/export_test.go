package gpkg

// ParseBlob and AppendBlob are for the tests of this package.
var (
	ParseBlob  = parseBlob
	AppendBlob = appendBlob
)

// OpenWithin is Open with another patience.
var OpenWithin = open
