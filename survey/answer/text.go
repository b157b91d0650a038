package answer

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"holdfast/geo"
	"holdfast/survey"
	"holdfast/survey/drawing/wording"
)

// text builds the many short sentences of one answer in few allocations: they
// are all pieces of a few long strings. Each call of end gives the words since
// the one before. A mute text builds nothing, for when only a verdict is
// wanted.
type text struct {
	b     strings.Builder
	from  int
	mute  bool
	units survey.Units
}

// chunk is how much text is made room for at once, in bytes.
const chunk = 2048

func (t *text) s(v string) *text {
	if t.mute {
		return t
	}
	if t.b.Len() == t.from && t.b.Cap()-t.b.Len() < chunk/8 { // between sentences: start a new string
		t.b.Reset()
		t.from = 0
		t.b.Grow(chunk)
	}
	t.b.WriteString(v)
	return t
}

// num writes a number with so many decimals.
func (t *text) num(v float64, decimals int) *text {
	if t.mute {
		return t
	}
	// Whole hundredths are quicker written as integers; halves go away from zero.
	if size := math.Abs(v); decimals <= 2 && size < 1e9 {
		n := uint64(math.Round(size * [...]float64{1, 10, 100}[decimals]))
		var scratch [32]byte
		b := scratch[:0]
		if n != 0 && math.Signbit(v) {
			b = append(b, '-')
		}
		switch decimals {
		case 0:
			b = strconv.AppendUint(b, n, 10)
		case 1:
			b = append(strconv.AppendUint(b, n/10, 10), '.', '0'+byte(n%10))
		default:
			b = append(strconv.AppendUint(b, n/100, 10), '.', '0'+byte(n/10%10), '0'+byte(n%10))
		}
		return t.bytes(b)
	}
	return t.fixed(v, decimals)
}

// fixed writes a number as fmt does, halves to the even neighbour.
func (t *text) fixed(v float64, decimals int) *text {
	if t.mute {
		return t
	}
	var scratch [32]byte
	return t.bytes(strconv.AppendFloat(scratch[:0], v, 'f', decimals, 64))
}

func (t *text) bytes(b []byte) *text {
	t.s("")
	t.b.Write(b)
	return t
}

// started tells whether a sentence is under way.
func (t *text) started() bool { return t.b.Len() > t.from }

func (t *text) end() string {
	if t.mute {
		return ""
	}
	s := t.b.String()[t.from:]
	t.from = t.b.Len()
	return s
}

// f is fmt.Sprintf for the sentences that are seldom needed.
func (t *text) f(format string, args ...any) string {
	if t.mute {
		return ""
	}
	return fmt.Sprintf(format, args...)
}

// What is a quantity is written as the pages and the sheet write it: hold and
// demand a force, length and need a length; each to its safe side.

func (t *text) hold(n float64) *text {
	if t.mute {
		return t
	}
	var scratch [40]byte
	return t.bytes(wording.AppendForce(scratch[:0], t.units, survey.Force(n)))
}

func (t *text) demand(n float64) *text {
	if t.mute {
		return t
	}
	var scratch [40]byte
	return t.bytes(wording.AppendDemand(scratch[:0], t.units, survey.Force(n)))
}

func (t *text) length(l geo.Length) *text {
	if t.mute {
		return t
	}
	var scratch [40]byte
	return t.bytes(wording.AppendLength(scratch[:0], t.units, l))
}

func (t *text) need(l geo.Length) *text {
	if t.mute {
		return t
	}
	var scratch [40]byte
	return t.bytes(wording.AppendNeed(scratch[:0], t.units, l))
}

// ratio writes a ratio as the pages and the sheet do.
func (t *text) ratio(r float64) *text {
	if t.mute {
		return t
	}
	var scratch [32]byte
	return t.bytes(wording.AppendRatio(scratch[:0], r))
}

// bearing writes a direction as three figures, 000 to 359.
func (t *text) bearing(d float64) *text {
	whole := math.Mod(math.Round(d), 360)
	for limit := 100.0; limit > 1 && whole < limit; limit /= 10 {
		t.s("0")
	}
	return t.num(whole, 0).s("°")
}
