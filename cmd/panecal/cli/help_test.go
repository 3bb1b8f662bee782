package cli

import (
	"strings"
	"testing"
)

func TestFit(t *testing.T) {
	long := strings.Repeat("word ", 20)
	for _, c := range []struct{ in, want string }{
		{"short\n\n  short", "short\n\n  short"},
		{"      --flag string   " + strings.TrimSpace(long), "      --flag string   " + strings.TrimSpace(strings.Repeat("word ", 11)) + "\n" + strings.Repeat(" ", 22) + strings.TrimSpace(strings.Repeat("word ", 9))},
		{"  panecal " + strings.TrimSpace(long), "  panecal " + strings.TrimSpace(strings.Repeat("word ", 13)) + " \\\n      " + strings.TrimSpace(strings.Repeat("word ", 7))},
		{"one\n" + strings.TrimSpace(long) + "\ntwo", "one " + strings.TrimSpace(strings.Repeat("word ", 15)) + "\n" + strings.TrimSpace(strings.Repeat("word ", 5)) + " two"},
		{strings.Repeat("x", 99), strings.Repeat("x", 99)},
	} {
		if got := fit(c.in); got != c.want {
			t.Errorf("%q:\n%s\nwant\n%s", c.in, got, c.want)
		}
	}
}

func TestQuoted(t *testing.T) {
	for word, want := range map[string]string{"/srv/cal-1": "/srv/cal-1", "a b": "'a b'", "": "''", "it's": `'it'\''s'`, "$x": "'$x'"} {
		if got := Quoted(word); got != want {
			t.Errorf("%q: %s, want %s", word, got, want)
		}
	}
}
