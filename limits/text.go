package limits

import "cmp"

// Text is what a limits file says to people: as it stands there, which is
// what goes on record, and in the languages that the file gives besides.
type Text struct{ Plain, EN, ES, DE string }

// In is the text in a language (ISO 639-1), as it stands in the file where
// that language is not given.
func (t Text) In(language string) string {
	switch language {
	case "en":
		return cmp.Or(t.EN, t.Plain)
	case "es":
		return cmp.Or(t.ES, t.Plain)
	case "de":
		return cmp.Or(t.DE, t.Plain)
	}
	return t.Plain
}

// IsZero reports whether there is no text.
func (t Text) IsZero() bool { return t == Text{} }

// fits reports what the screens have no room for, with the keys that lead to
// it.
func (t Text) fits(key string, room int, report func(problem, mend string, keys ...string)) {
	for _, w := range []struct{ language, text string }{{"", t.Plain}, {"en", t.EN}, {"es", t.ES}, {"de", t.DE}} {
		fits(key, w.text, room, func(key, problem, mend string) {
			if w.language == "" {
				report(problem, mend, key)
				return
			}
			report(problem, mend, w.language, key)
		})
	}
}

// The tables of a language, such as [bin.dirty_window.de].
type (
	binWords struct {
		Text        string `toml:"text"`
		Instruction string `toml:"instruction"`
	}
	limitWords struct {
		Instruction string `toml:"instruction"`
	}
	hardBinWords struct {
		Text string `toml:"text"`
	}
)

func (t *binTable) instruction() Text {
	return Text{t.Instruction, t.EN.Instruction, t.ES.Instruction, t.DE.Instruction}
}

func (t *binTable) text() Text { return Text{t.Text, t.EN.Text, t.ES.Text, t.DE.Text} }

func (t *limitTable) instruction() Text {
	return Text{t.Instruction, t.EN.Instruction, t.ES.Instruction, t.DE.Instruction}
}

func (t *hardBinTable) text() Text { return Text{t.Text, t.EN.Text, t.ES.Text, t.DE.Text} }

// inherit gives a bin the words of a reserved bin where the file gives none:
// an instruction of the file's own is not mixed with ours.
func (t *binTable) inherit(base binTable, text, instruction bool) {
	for _, w := range []struct{ to, from *binWords }{{&t.EN, &base.EN}, {&t.ES, &base.ES}, {&t.DE, &base.DE}} {
		if text {
			w.to.Text = cmp.Or(w.to.Text, w.from.Text)
		}
		if instruction {
			w.to.Instruction = cmp.Or(w.to.Instruction, w.from.Instruction)
		}
	}
}
