package survey

import (
	"encoding/json"
	"reflect"
)

// Quick reads the properties of a point in one pass, if it can.
func Quick(properties json.RawMessage) (p Point, ok bool) {
	ok = quick(properties, reflect.ValueOf(&p).Elem())
	return p, ok
}

// Thorough reads them naming what is wrong.
func Thorough(properties json.RawMessage) (p Point, err error) {
	var c checker
	decode(&c, "/properties", properties, reflect.ValueOf(&p).Elem())
	return p, c.err()
}
