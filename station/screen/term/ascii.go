package term

import "strings"

// spelt are letters of the languages here that ASCII has no sign for, as they
// are spelt without it.
var spelt = strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "Ä", "Ae", "Ö", "Oe", "Ü", "Ue", "ß", "ss", "ñ", "n", "Ñ", "N",
	"¿", "", "¡", "", "…", "...", "–", "-", "—", "-", "„", "\"", "“", "\"", "”", "\"", "’", "'", "±", "+/-")

// bare are letters without their marks.
var bare = strings.NewReplacer("á", "a", "é", "e", "í", "i", "ó", "o", "ú", "u", "Á", "A", "É", "E", "Í", "I", "Ó", "O", "Ú", "U",
	"ä", "a", "ö", "o", "ü", "u", "Ä", "A", "Ö", "O", "Ü", "U", "ß", "s", "ñ", "n", "Ñ", "N", "×", "x", "°", "o")

// Spell writes a text without the letters that ASCII has not, as far as they
// have a spelling. The result may be longer.
func Spell(s string) string { return spelt.Replace(s) }

// Plainest is the sign of ASCII that stands for a rune where one cell must do,
// '?' where there is none.
func Plainest(r rune) rune {
	if r <= '~' {
		return r
	}
	if s := bare.Replace(string(r)); len(s) == 1 {
		return rune(s[0])
	}
	return '?'
}
