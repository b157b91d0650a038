package vector

import (
	"strconv"
	"strings"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/htmlindex"
	"golang.org/x/text/encoding/japanese"
	"golang.org/x/text/encoding/korean"
	"golang.org/x/text/encoding/simplifiedchinese"
	"golang.org/x/text/encoding/traditionalchinese"
	"golang.org/x/text/encoding/unicode"
)

// Charset returns the encoding with a name as files and people write it:
// "UTF-8", "ISO-8859-2", "windows-1250", "CP852", "ANSI 1252", "OEM 437", or
// just the number of a code page.
func Charset(name string) (encoding.Encoding, bool) {
	name = strings.ToLower(strings.TrimSpace(name))
	if e, err := htmlindex.Get(name); err == nil {
		return e, true
	}
	digits := strings.TrimLeft(name, "abcdefghijklmnopqrstuvwxyz -_/")
	if strings.HasPrefix(digits, "8859") {
		part := strings.Trim(digits[4:], "-_ ")
		if e, err := htmlindex.Get("iso-8859-" + part); err == nil {
			return e, true
		}
	}
	page, err := strconv.Atoi(digits)
	if err != nil {
		return nil, false
	}
	return CodePage(page)
}

// CodePage returns the encoding of a Windows or DOS code page.
func CodePage(page int) (encoding.Encoding, bool) {
	e, ok := map[int]encoding.Encoding{
		437: charmap.CodePage437, 850: charmap.CodePage850, 852: charmap.CodePage852, 855: charmap.CodePage855,
		858: charmap.CodePage858, 860: charmap.CodePage860, 862: charmap.CodePage862, 863: charmap.CodePage863,
		865: charmap.CodePage865, 866: charmap.CodePage866, 874: charmap.Windows874,
		932: japanese.ShiftJIS, 936: simplifiedchinese.GBK, 949: korean.EUCKR, 950: traditionalchinese.Big5,
		1250: charmap.Windows1250, 1251: charmap.Windows1251, 1252: charmap.Windows1252, 1253: charmap.Windows1253,
		1254: charmap.Windows1254, 1255: charmap.Windows1255, 1256: charmap.Windows1256, 1257: charmap.Windows1257,
		1258: charmap.Windows1258, 10000: charmap.Macintosh, 20866: charmap.KOI8R, 21866: charmap.KOI8U,
		28591: charmap.ISO8859_1, 65001: unicode.UTF8,
	}[page]
	return e, ok
}
