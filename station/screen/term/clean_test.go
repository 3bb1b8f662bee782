package term_test

import (
	"testing"
	"unicode"

	"example.org/panecal/station/screen/term"
)

func TestClean(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"plain", "HP54-000017 ok", "HP54-000017 ok"},
		{"umlaut", "Gerät ß €", "Gerät ß €"},
		{"escape sequence", "\x1b[2Jgone", "<1B>[2Jgone"},
		{"controls", "a\x00b\tc\nd\x7f", "a<00>b<09>c<0A>d<7F>"},
		{"no UTF-8", "Ger\xe4t", "Ger<E4>t"},
		{"marks", "A" + string(term.Mark(0x1D)) + "B", "A<1D>B"},
		{"control of Latin-1", "a\u009bm", "a<U+009B>m"},
		{"right to left", "a\u202eb", "a<U+202E>b"},
		{"zero width", "a\u200bb", "a<U+200B>b"},
		{"hard space", "a\u00a0b", "a<U+00A0>b"},
		{"beyond 16 bits", "\U000E0041", "<U+E0041>"},
		{"replacement rune", "\ufffd", "<U+FFFD>"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := term.Clean(c.in); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func FuzzClean(f *testing.F) {
	f.Add("\x1b[2J\xe4\u202e")
	f.Fuzz(func(t *testing.T, s string) {
		clean := term.Clean(s)
		for _, r := range clean {
			if unicode.IsControl(r) || r == unicode.ReplacementChar || !unicode.IsGraphic(r) {
				t.Fatalf("%U in %q", r, clean)
			}
		}
		if again := term.Clean(clean); again != clean {
			t.Fatalf("cleaned twice: %q, once: %q", again, clean)
		}
	})
}
