package label

import (
	"strings"
	"unicode"
)

// Keyboard says how a keyboard scanner and the computer misunderstand each
// other: such a scanner presses keys, and which characters come of them is
// the computer's affair.
type Keyboard struct {
	CapsLock bool   // capitals and small letters are exchanged
	Layout   Layout // what the computer's layout is taken for, "" where that is not it
}

// Layout is a keyboard layout by its English name.
type Layout string

// The layouts that are told from a US one.
const (
	German  Layout = "German"
	French  Layout = "French"
	Spanish Layout = "Spanish"
)

func (l Layout) String() string { return string(l) }

// layouts give, for each layout that a computer may be set to, the character
// of a US keyboard that the same key has. Keys with the same character in both
// are left out.
var layouts = []struct {
	name        Layout
	seen, meant string
}{
	{German, `yzYZßüöäÜÖÄ?=)(/&"§-_;:+*#'`, `zyZY-[;'{:"_)(*&^@#/?<>]}\|`},
	{French, `aqzwAQZWmM,?;:!&é"'(-è_çà)1234567890°`, `qawzQAWZ;:mM,./1234567890-!@#$%^&*()_`},
	{Spanish, `'?-_;:ñÑ)(/&"=`, `-_/?<>;:(*&^@)`},
}

// Keyboard tells whether the scan would be one of ours had Caps Lock been off,
// or had the computer the layout that the scanner presses its keys for. It
// only explains: a scan is never mended. Rules with neither
// pattern nor check character cannot tell.
func (r *Rules) Keyboard(scan string) (Keyboard, bool) {
	if r.whole == nil && r.check == NoCheck {
		return Keyboard{}, false
	}
	fits := func(s string) bool {
		_, err := r.Parse(s)
		return err == nil
	}
	switch {
	case fits(scan):
		return Keyboard{}, false
	case fits(exchanged(scan)):
		return Keyboard{CapsLock: true}, true
	}
	for _, l := range layouts {
		seen, meant := []rune(l.seen), []rune(l.meant)
		undo := strings.Map(func(c rune) rune {
			for i, s := range seen {
				if s == c {
					return meant[i]
				}
			}
			return c
		}, scan)
		switch {
		case fits(undo):
			return Keyboard{Layout: l.name}, true
		case fits(exchanged(undo)):
			return Keyboard{CapsLock: true, Layout: l.name}, true
		}
	}
	return Keyboard{}, false
}

// exchanged has capitals for small letters and small letters for capitals.
func exchanged(s string) string {
	return strings.Map(func(c rune) rune {
		if unicode.IsUpper(c) {
			return unicode.ToLower(c)
		}
		return unicode.ToUpper(c)
	}, s)
}
