package cql2

// ParseInstant is the reader of stored dates and times.
var ParseInstant = parseInstant
