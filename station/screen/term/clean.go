package term

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Clean returns s fit for display: text that came from outside (a label, a
// unit's answer, a file) must not move the cursor, change colours or hide
// itself. Controls of ASCII appear as <1D>, bytes that are no UTF-8 and the
// marks of an Input as <E4>, every other rune that has no shape of its own
// (controls of Latin-1, format and bidirectional characters, private use,
// line separators) as <U+202E>. A space stays; a tab becomes <09>.
//
// The result holds printable runes only, and Clean(Clean(s)) == Clean(s).
func Clean(s string) string {
	clean := true
	for _, r := range s {
		if !shown(r) {
			clean = false
			break
		}
	}
	if clean {
		return s
	}
	var b strings.Builder
	for i, w := 0, 0; i < len(s); i += w {
		var r rune
		r, w = utf8.DecodeRuneInString(s[i:])
		switch {
		case r == utf8.RuneError && w == 1:
			writeByte(&b, s[i])
		case shown(r):
			b.WriteRune(r)
		case r < utf8.RuneSelf:
			writeByte(&b, byte(r))
		default:
			if c, ok := Marked(r); ok {
				writeByte(&b, c)
				continue
			}
			b.WriteString("<U+")
			const digits = "0123456789ABCDEF"
			for shift := 20; shift >= 0; shift -= 4 {
				if shift >= 16 && r>>shift == 0 {
					continue
				}
				b.WriteByte(digits[r>>shift&0xF])
			}
			b.WriteByte('>')
		}
	}
	return b.String()
}

// shown tells whether r may reach a terminal as it is. U+FFFD stands for
// bytes that could not be decoded, so it is written out as well.
func shown(r rune) bool {
	return r == ' ' || unicode.IsGraphic(r) && !unicode.Is(unicode.Zs, r) && r != utf8.RuneError
}

func writeByte(b *strings.Builder, c byte) {
	const digits = "0123456789ABCDEF"
	b.WriteByte('<')
	b.WriteByte(digits[c>>4])
	b.WriteByte(digits[c&0xF])
	b.WriteByte('>')
}
