package visible_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"testing/iotest"
	"unicode"
	"unicode/utf8"

	"example.org/panecal/limits/visible"
)

func TestText(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"plain", "HP54-000017 ok", "HP54-000017 ok"},
		{"umlaut", "Gerät ß €", "Gerät ß €"},
		{"escape sequence", "\x1b[2Jgone", "<1B>[2Jgone"},
		{"controls", "a\x00b\tc\nd\x7f", "a<00>b<09>c<0A>d<7F>"},
		{"no UTF-8", "Ger\xe4t", "Ger<E4>t"},
		{"control of Latin-1", "a\u009bm", "a<U+009B>m"},
		{"the same control, one byte", "a\x9bm", "a<9B>m"},
		{"right to left", "a\u202eb", "a<U+202E>b"},
		{"isolate", "a\u2067b", "a<U+2067>b"},
		{"zero width", "a\u200bb", "a<U+200B>b"},
		{"hard space", "a\u00a0b", "a<U+00A0>b"},
		{"variation", "a\ufe0fb", "a<U+FE0F>b"},
		{"filler", "a\u3164b", "a<U+3164>b"},
		{"private use", "a\ue01db", "a<U+E01D>b"},
		{"line separator", "a\u2028b", "a<U+2028>b"},
		{"beyond 16 bits", "\U000E0041", "<U+E0041>"},
		{"replacement rune", "\ufffd", "<U+FFFD>"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := visible.Text(c.in); got != c.want {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

// fit fails the test where s holds what a terminal may act upon.
func fit(t *testing.T, s, besides string) {
	t.Helper()
	if !utf8.ValidString(s) {
		t.Fatalf("no UTF-8: %q", s)
	}
	for _, r := range s {
		if !unicode.IsPrint(r) && !strings.ContainsRune(besides, r) {
			t.Fatalf("%U in %q", r, s)
		}
	}
}

func FuzzText(f *testing.F) {
	f.Add("\x1b[2J\xe4\u202e")
	f.Fuzz(func(t *testing.T, s string) {
		once := visible.Text(s)
		fit(t, once, "")
		if again := visible.Text(once); again != once {
			t.Fatalf("twice: %q, once: %q", again, once)
		}

		// However the text is cut, the writer lets the same through.
		var whole, pieces bytes.Buffer
		for to, from := range map[*bytes.Buffer]interface{ Read([]byte) (int, error) }{
			&whole: strings.NewReader(s), &pieces: iotest.OneByteReader(strings.NewReader(s)),
		} {
			w := visible.NewWriter(to)
			buf := make([]byte, len(s)+1)
			for {
				n, err := from.Read(buf)
				if m, err := w.Write(buf[:n]); m != n || err != nil {
					t.Fatalf("%d of %d written: %v", m, n, err)
				}
				if err != nil {
					break
				}
			}
			if err := w.Flush(); err != nil {
				t.Fatal(err)
			}
		}
		if whole.String() != pieces.String() {
			t.Fatalf("at once %q, in pieces %q", whole.String(), pieces.String())
		}
		fit(t, whole.String(), "\n\t")

		encoded, err := json.Marshal(s)
		if err != nil {
			t.Fatal(err)
		}
		safe := visible.JSON(encoded)
		fit(t, string(safe), "\ufffd")
		var before, after string
		if json.Unmarshal(encoded, &before) != nil || json.Unmarshal(safe, &after) != nil || before != after {
			t.Fatalf("%s means %q, %s %q", encoded, before, safe, after)
		}
	})
}
