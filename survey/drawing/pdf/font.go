package pdf

import (
	"encoding/xml"
	"fmt"
	"strings"
	"unicode/utf16"

	"holdfast/survey/drawing/lettering"
)

// Codes in the content are the characters' own numbers, two bytes each: the
// font says which glyph each is, and a reader needs no table to get the text
// back (ISO 32000-1, 9.7.4 and 9.10.3).

// fonts embeds the letters that were used of each face.
func (d *Document) fonts() {
	for i := range d.faces {
		used := d.used[i].Runes()
		if len(used) == 0 {
			used = []rune{' '}
		}
		d.font(lettering.Face(i), used)
	}
}

func (d *Document) font(f lettering.Face, used []rune) {
	cut, err := lettering.Cut(f, used)
	if err != nil {
		if d.err == nil {
			d.err = fmt.Errorf("embed %s: %w", lettering.Family, err)
		}
		return
	}
	name, stem := "HFAAAA+DejaVuSans", 80
	if f == lettering.Bold {
		name, stem = "HFBBBB+DejaVuSans-Bold", 140
	}
	file, glyphs, unicode, descriptor, cid := d.reserve(), d.reserve(), d.reserve(), d.reserve(), d.reserve()
	d.stream(file, fmt.Sprintf("/Length1 %d", len(cut.TTF)), cut.TTF, true)
	table := make([]byte, 2*(int(used[len(used)-1])+1))
	for k, r := range used {
		table[2*r], table[2*r+1] = byte(cut.Glyphs[k]>>8), byte(cut.Glyphs[k])
	}
	d.stream(glyphs, "", table, true)
	d.stream(unicode, "", toUnicode(used), true)
	b := cut.Box
	// Flags: 4, not the standard Latin set.
	d.object(descriptor, "<</Type /FontDescriptor /FontName /%s /Flags 4 /FontBBox [%d %d %d %d] /ItalicAngle 0 /Ascent %d /Descent %d /CapHeight %d /StemV %d /FontFile2 %d 0 R>>",
		name, b[0], b[1], b[2], b[3], int(1000*lettering.Ascent), int(-1000*lettering.Descent), int(1000*lettering.Cap), stem, file)
	d.object(cid, "<</Type /Font /Subtype /CIDFontType2 /BaseFont /%s /CIDSystemInfo <</Registry (Adobe) /Ordering (Identity) /Supplement 0>> /FontDescriptor %d 0 R /DW 600 /W [%s] /CIDToGIDMap %d 0 R>>",
		name, descriptor, widths(f, used), glyphs)
	d.object(d.faces[f], "<</Type /Font /Subtype /Type0 /BaseFont /%s /Encoding /Identity-H /DescendantFonts [%d 0 R] /ToUnicode %d 0 R>>", name, cid, unicode)
}

// widths lists the advances, those of neighbouring characters together.
func widths(f lettering.Face, used []rune) string {
	var b strings.Builder
	for i, r := range used {
		if i == 0 || r != used[i-1]+1 {
			if i > 0 {
				b.WriteString("] ")
			}
			fmt.Fprintf(&b, "%d [", r)
		} else {
			b.WriteByte(' ')
		}
		fmt.Fprint(&b, lettering.Advance(f, r))
	}
	b.WriteByte(']')
	return b.String()
}

// toUnicode maps each code to the character of its number, in runs that keep
// their first byte, at most 100 to a block, as a CMap must.
func toUnicode(used []rune) []byte {
	var runs [][2]rune
	for _, r := range used {
		if n := len(runs); n > 0 && runs[n-1][1]+1 == r && r>>8 == runs[n-1][0]>>8 {
			runs[n-1][1] = r
		} else {
			runs = append(runs, [2]rune{r, r})
		}
	}
	var b strings.Builder
	b.WriteString("/CIDInit /ProcSet findresource begin\n12 dict begin\nbegincmap\n/CIDSystemInfo <</Registry (Adobe) /Ordering (UCS) /Supplement 0>> def\n" +
		"/CMapName /Adobe-Identity-UCS def\n/CMapType 2 def\n1 begincodespacerange\n<0000> <FFFF>\nendcodespacerange\n")
	for len(runs) > 0 {
		n := min(100, len(runs))
		fmt.Fprintf(&b, "%d beginbfrange\n", n)
		for _, r := range runs[:n] {
			fmt.Fprintf(&b, "<%04X> <%04X> <%04X>\n", r[0], r[1], r[0])
		}
		b.WriteString("endbfrange\n")
		runs = runs[n:]
	}
	b.WriteString("endcmap\nCMapName currentdict /CMap defineresource pop\nend\nend\n")
	return []byte(b.String())
}

// metadata says title, language and date in XMP (ISO 16684-1).
func (d *Document) metadata() []byte {
	var title, lang strings.Builder
	xml.EscapeText(&title, []byte(d.info.Title)) // a strings.Builder never fails
	xml.EscapeText(&lang, []byte(d.info.Lang))
	made := d.info.Made.UTC().Format("2006-01-02T15:04:05Z")
	return fmt.Appendf(nil, `<?xpacket begin="`+"\uFEFF"+`" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmlns:pdf="http://ns.adobe.com/pdf/1.3/">
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">%s</rdf:li></rdf:Alt></dc:title><dc:language><rdf:Bag><rdf:li>%s</rdf:li></rdf:Bag></dc:language>
<xmp:CreateDate>%[3]s</xmp:CreateDate><xmp:ModifyDate>%[3]s</xmp:ModifyDate><pdf:Producer>%[4]s</pdf:Producer>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="r"?>`, title.String(), lang.String(), made, producer)
}

// literal writes an ASCII string.
func literal(s string) string {
	return "(" + strings.NewReplacer(`\`, `\\`, "(", `\(`, ")", `\)`).Replace(s) + ")"
}

// textString writes any text: UTF-16 with its mark, in hexadecimal.
func textString(s string) string {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			var b strings.Builder
			b.WriteString("<FEFF")
			for _, u := range utf16.Encode([]rune(s)) {
				fmt.Fprintf(&b, "%04X", u)
			}
			b.WriteByte('>')
			return b.String()
		}
	}
	return literal(s)
}
