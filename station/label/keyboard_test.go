package label_test

import (
	"testing"
	"unicode/utf8"

	"example.org/panecal/station/label"
)

func TestKeyboard(t *testing.T) {
	check, err := label.Mod37_36.Compute("ZQY-00417-")
	if err != nil {
		t.Fatal(err)
	}
	good := "ZQY-00417-" + check
	rules, err := label.NewRules("ZQY-[0-9]{5}-[0-9A-Z]", label.Mod37_36)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := rules.Parse(good); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, scan string
		want       label.Keyboard
		known      bool
	}{
		{"as it should be", good, label.Keyboard{}, false},
		{"Caps Lock", "zqy-00417-" + lower(check), label.Keyboard{CapsLock: true}, true},
		{"German", "YQZß00417ß" + german(check), label.Keyboard{Layout: "German"}, true},
		{"German and Caps Lock", "yqzß00417ß" + lower(german(check)), label.Keyboard{CapsLock: true, Layout: "German"}, true},
		{"French", "WAY)àà'&è)" + french(check), label.Keyboard{Layout: "French"}, true},
		{"Spanish", "ZQY'00417'" + check, label.Keyboard{Layout: "Spanish"}, true},
		{"simply wrong", "ZQY-00418-" + check, label.Keyboard{}, false},
		{"nothing", "", label.Keyboard{}, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, known := rules.Keyboard(c.scan)
			if got != c.want || known != c.known {
				t.Errorf("%q: got %+v, %v; want %+v, %v", c.scan, got, known, c.want, c.known)
			}
		})
	}
	anything, err := label.NewRules("", label.NoCheck)
	if err != nil {
		t.Fatal(err)
	}
	if k, known := anything.Keyboard("zqy"); known {
		t.Errorf("rules that take anything suspect %+v", k)
	}
}

// What a computer of another layout types for one character of a US keyboard.
func german(s string) string { return swap(s, map[rune]rune{'Y': 'Z', 'Z': 'Y', '-': 'ß'}) }
func french(s string) string {
	return swap(s, map[rune]rune{'A': 'Q', 'Q': 'A', 'Z': 'W', 'W': 'Z', 'M': '?', '1': '&', '2': 'é', '3': '"', '4': '\'', '5': '(', '6': '-',
		'7': 'è', '8': '_', '9': 'ç', '0': 'à', '-': ')'})
}

func swap(s string, m map[rune]rune) string {
	r, _ := utf8.DecodeRuneInString(s)
	if to, ok := m[r]; ok {
		return string(to)
	}
	return s
}

func lower(s string) string {
	if s >= "A" && s <= "Z" {
		return string(s[0] + 'a' - 'A')
	}
	return s
}

// What is right is never suspected, and nothing else makes it fail.
func FuzzKeyboard(f *testing.F) {
	rules, err := label.NewRules("[A-Z]{3}-[0-9]{5}", label.NoCheck)
	if err != nil {
		f.Fatal(err)
	}
	f.Add("wasß\x1d'é")
	f.Fuzz(func(t *testing.T, scan string) {
		if _, known := rules.Keyboard(scan); known {
			if _, err := rules.Parse(scan); err == nil {
				t.Errorf("%q is right and suspected", scan)
			}
		}
	})
}
