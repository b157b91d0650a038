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

// hold writes a holding power, rounded down so that writing it never makes an
// anchor stronger; demand writes a force to be resisted, rounded up. Both give
// two digits, three after a leading 1, in the department's units with SI
// beside US customary: the rule of the pages and the sheet.
func (t *text) hold(n float64) *text   { return t.force(n, down) }
func (t *text) demand(n float64) *text { return t.force(n, up) }

func down(x float64) float64 { return math.Floor(x + 1e-9) }
func up(x float64) float64   { return math.Ceil(x - 1e-9) }

func (t *text) force(n float64, round func(float64) float64) *text {
	f := survey.Force(n)
	if t.units == survey.UnitsSI {
		return t.significant(f.Kilonewtons(), round).s(" kN")
	}
	return t.significant(f.Pounds(), round).s(" lbf (").significant(f.Kilonewtons(), round).s(" kN)")
}

// lengthWords is length on its own, for a piece of another sentence.
func lengthWords(u survey.Units, l geo.Length) string {
	if u == survey.UnitsSI {
		return fmt.Sprintf("%.1f m", l.Metres())
	}
	return fmt.Sprintf("%.1f ft (%.1f m)", l.Feet(), l.Metres())
}

// length writes a length to a tenth of a foot or a decimetre, in the
// department's units with SI beside US customary.
func (t *text) length(l geo.Length) *text {
	if t.units == survey.UnitsSI {
		return t.num(l.Metres(), 1).s(" m")
	}
	return t.num(l.Feet(), 1).s(" ft (").num(l.Metres(), 1).s(" m)")
}

// short writes a length to an inch or a centimetre.
func (t *text) short(l geo.Length) *text {
	if t.units == survey.UnitsSI {
		return t.num(l.Metres(), 2).s(" m")
	}
	return t.num(l.Inches(), 0).s(" in (").num(l.Metres(), 2).s(" m)")
}

// significant writes a positive number to two significant digits, three after
// a leading 1, without exponent and with a comma between thousands.
func (t *text) significant(v float64, round func(float64) float64) *text {
	if !(v >= 1e-3) { // less is nothing
		return t.s("0")
	}
	exponent := int(math.Floor(math.Log10(v) + 1e-12))
	digits := 1 - exponent
	if v/math.Pow10(exponent) < 2 {
		digits++
	}
	scale := math.Pow10(digits)
	v = round(v*scale*(1+1e-12)) / scale
	if v >= 1000 && v < 1e6 {
		t.num(math.Floor(v/1000), 0).s(",")
		rest := math.Mod(v, 1000)
		for limit := 100.0; limit > 1 && rest < limit; limit /= 10 {
			t.s("0")
		}
		return t.num(rest, 0)
	}
	for digits > 0 { // no needless zeros
		if x := v * math.Pow10(digits-1); math.Abs(x-math.Round(x)) > 1e-9 {
			break
		}
		digits--
	}
	return t.num(v, max(digits, 0))
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
