// Package visible makes text from outside fit to be seen: what a label, a unit,
// a file or a command line says must not move a terminal's cursor, change its
// colours, ring, turn the reading direction or hide itself, and it must not
// pass for a line that the program wrote.
//
// It is for every door: Text for what stands inside a line, JSON for encoded
// answers, a Writer for all the rest. It judges no content and shortens
// nothing. Everything may be used from several goroutines.
package visible

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Text returns s as it may stand inside a line. Controls of ASCII appear as
// <1D>, bytes that are no UTF-8 as <E4>, every other rune that has no shape of
// its own (controls of Latin-1, format and bidirectional characters, private
// use, line separators, spaces other than the common one) as <U+202E>.
//
// The result is valid UTF-8 of printable runes, without a line break, and
// Text(Text(s)) == Text(s).
func Text(s string) string { return text(s, shown) }

func text(s string, keep func(rune) bool) string {
	if strings.IndexFunc(s, func(r rune) bool { return !keep(r) }) < 0 {
		return s
	}
	var b strings.Builder
	for i, w := 0, 0; i < len(s); i += w {
		var r rune
		r, w = utf8.DecodeRuneInString(s[i:])
		switch {
		case r == utf8.RuneError && w == 1:
			fmt.Fprintf(&b, "<%02X>", s[i])
		case keep(r):
			b.WriteRune(r)
		case r < utf8.RuneSelf:
			fmt.Fprintf(&b, "<%02X>", r)
		default:
			fmt.Fprintf(&b, "<U+%04X>", r)
		}
	}
	return b.String()
}

// JSON returns encoded, which is valid JSON, with the characters escaped that
// encoders leave as they are and a terminal may act upon. It means the same.
func JSON(encoded []byte) []byte {
	from := 0
	var b []byte
	for i, w := 0, 0; i < len(encoded); i += w {
		var r rune
		r, w = rune(encoded[i]), 1
		if r >= utf8.RuneSelf {
			r, w = utf8.DecodeRune(encoded[i:])
		}
		if r == '\n' || r == utf8.RuneError && w > 1 || shown(r) {
			continue
		}
		b = append(b, encoded[from:i]...)
		if r > 0xffff {
			const first, low = 0xd800, 0xdc00 // UTF-16, as JSON wants it
			b = fmt.Appendf(b, `\u%04x\u%04x`, first+(r-0x10000)>>10, low+r&0x3ff)
		} else {
			b = fmt.Appendf(b, `\u%04x`, r)
		}
		from = i + w
	}
	if from == 0 {
		return encoded
	}
	return append(b, encoded[from:]...)
}

// shown tells whether r may reach a terminal as it is. U+FFFD stands for
// bytes that could not be decoded, so it is written out as well.
func shown(r rune) bool {
	if r < utf8.RuneSelf {
		return r >= ' ' && r < 0x7f
	}
	return unicode.IsPrint(r) && r != utf8.RuneError &&
		!unicode.In(r, unicode.Other_Default_Ignorable_Code_Point, unicode.Variation_Selector)
}
