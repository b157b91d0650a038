package shp

import (
	"fmt"
	"strings"

	"golang.org/x/text/encoding"

	"holdfast/geo/vector"
)

// codePages are the code pages of the language driver in byte 29 of a dBase
// header (dBase III+ to VII and FoxPro; from memory, checked against what GDAL
// reads with each of them).
var codePages = map[byte]int{
	0x01: 437, 0x02: 850, 0x03: 1252, 0x04: 10000, 0x08: 865, 0x09: 437, 0x0a: 850, 0x0b: 437, 0x0d: 437, 0x0e: 850,
	0x0f: 437, 0x10: 850, 0x11: 437, 0x12: 850, 0x13: 932, 0x14: 850, 0x15: 437, 0x16: 850, 0x17: 865, 0x18: 437,
	0x19: 437, 0x1a: 850, 0x1b: 437, 0x1c: 863, 0x1d: 850, 0x1f: 852, 0x22: 852, 0x23: 852, 0x24: 860, 0x25: 850,
	0x26: 866, 0x37: 850, 0x40: 852, 0x4d: 936, 0x4e: 949, 0x4f: 950, 0x50: 874, 0x57: 1252, 0x58: 1252, 0x59: 1252,
	0x64: 852, 0x65: 866, 0x66: 865, 0x6c: 863, 0x78: 950, 0x79: 949, 0x7a: 936, 0x7b: 932, 0x7c: 874, 0x7d: 1255,
	0x7e: 1256, 0x87: 852, 0xc8: 1250, 0xc9: 1251, 0xca: 1254, 0xcb: 1253, 0xcc: 1257,
}

// languageDriver returns the encoding that a dBase header names, nil for none.
func languageDriver(id byte, notes []string) (encoding.Encoding, []string) {
	if id == 0 {
		return nil, notes
	}
	if e, ok := vector.CodePage(codePages[id]); ok {
		return e, notes
	}
	return nil, append(notes, fmt.Sprintf("the language driver %#02x of the .dbf is not known; its text is read as UTF-8 or Windows-1252", id))
}

// setCharset settles the encoding: the option, then the .cpg file, then the
// table's own header.
func (t *table) setCharset(option, cpg string) error {
	if option != "" {
		e, known := vector.Charset(option)
		if !known {
			return fmt.Errorf("encoding %q is not known", option)
		}
		t.charset = e
		return nil
	}
	cpg = strings.TrimSpace(strings.TrimPrefix(cpg, "\ufeff"))
	if cpg == "" {
		return nil
	}
	if strings.EqualFold(cpg, "UTF-8") || strings.EqualFold(cpg, "UTF8") || cpg == "65001" {
		t.charset = nil // with its fallback for bytes that are none
		return nil
	}
	if e, known := vector.Charset(cpg); known {
		t.charset = e
		return nil
	}
	t.notes = append(t.notes, fmt.Sprintf("the encoding %q of the .cpg is not known; text is read as the .dbf says", vector.ShortText(cpg)))
	return nil
}
