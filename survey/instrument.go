package survey

import (
	"regexp"
	"strconv"
	"strings"
)

// written finds forces and masses in the name of an instrument, as in "50 kN
// dynamometer" or "5,000 lb load cell".
var written = regexp.MustCompile(`(?i)(\d[\d,]*(?:\.\d+)?)\s*(kn|n|kgf|kg|lbf|lbs|lb|t|tonnes?|tons?)\b`)

var instrumentUnits = map[string]Force{
	"kn": Kilonewton, "n": Newton, "kgf": Weight(1), "kg": Weight(1), "lbf": PoundForce, "lbs": PoundForce, "lb": PoundForce,
	"t": Weight(1000), "tonne": Weight(1000), "tonnes": Weight(1000), "ton": 2000 * PoundForce, "tons": 2000 * PoundForce,
}

// instrumentKinds is the most that kinds of instruments read (common practice, no
// source), the weakest kind first.
var instrumentKinds = []struct {
	word string
	most Force
}{
	{"luggage", Kilonewton},
	{"fish", Kilonewton},
	{"spring", 2 * Kilonewton},
	{"dynamometer", 250 * Kilonewton},
	{"crane scale", 250 * Kilonewton},
	{"load cell", 500 * Kilonewton},
}

// InstrumentCapacity returns the most that the instrument of a pull test reads:
// the greatest force or mass written in its name, else that of its kind; ok is
// false where neither says.
func InstrumentCapacity(name string) (most Force, ok bool) {
	for _, m := range written.FindAllStringSubmatch(name, -1) {
		v, err := strconv.ParseFloat(strings.ReplaceAll(m[1], ",", ""), 64)
		if f := Force(v) * instrumentUnits[strings.ToLower(m[2])]; err == nil && f > most {
			most, ok = f, true
		}
	}
	if ok {
		return most, true
	}
	lower := strings.ToLower(name)
	for _, k := range instrumentKinds {
		if strings.Contains(lower, k.word) {
			return k.most, true
		}
	}
	return 0, false
}
