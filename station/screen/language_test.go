package screen_test

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	labels "example.org/panecal/station/label"
	"example.org/panecal/station/screen"
	"example.org/panecal/station/screen/term"
)

func lang(t testing.TB, name string) *screen.Language {
	t.Helper()
	l, ok := screen.NewLanguage(name)
	if !ok {
		t.Fatalf("no language %q", name)
	}
	return l
}

// Every text of the English catalogue has one in each other language, with
// the same placeholders; and English has one for all that can be said.
func TestLanguagesAreComplete(t *testing.T) {
	placeholder := regexp.MustCompile(`\{[a-z]+\}`)
	holes := func(s string) []string {
		all := placeholder.FindAllString(s, -1)
		slices.Sort(all)
		return all
	}
	english := lang(t, "en").Texts()
	for _, m := range station.Codes() {
		if english["code "+string(m.Code)] == "" {
			t.Errorf("no sentence for %s", m.Code)
		}
		if m.Class == station.Guide && english["call "+string(m.Code)] == "" {
			t.Errorf("no block letters for %s", m.Code)
		}
	}
	for _, q := range quantity.All() {
		if english["quantity "+string(q.Name)+", high"] == "" {
			t.Errorf("no words for the quantity %s: a line in quantities.go", q.Name)
		}
	}
	for _, s := range station.Steps() {
		if english["step "+s.String()] == "" {
			t.Errorf("no text for step %v", s)
		}
	}
	for _, name := range screen.Languages() {
		other := lang(t, name).Texts()
		t.Logf("%s: %d texts", name, len(other))
		for key, text := range english {
			got, ok := other[key]
			switch {
			case !ok || (got == "") != (text == ""):
				t.Errorf("%s: %s is missing: %q", name, key, text)
			case !slices.Equal(holes(got), holes(text)):
				t.Errorf("%s: %s has other placeholders than %q: %q", name, key, text, got)
			case name != "en" && got == text && strings.HasPrefix(key, "code ") && strings.Trim(placeholder.ReplaceAllString(got, ""), " .:") != "":
				t.Errorf("%s: %s is not translated: %q", name, key, got)
			}
		}
		for key := range other {
			if _, ok := english[key]; !ok {
				t.Errorf("%s: %s is in no other language", name, key)
			}
		}
	}
	if _, ok := screen.NewLanguage("xx"); ok {
		t.Error("there is a language xx")
	}
}

// arguments has one of every type that a sentence may name and that languages
// say differently; of each its English form for records.
func arguments() []station.Arg {
	all := []station.Arg{
		station.Between{Low: 1, High: 2},
		station.BinName{Name: "dirty", Text: limits.Text{Plain: "dirty window", EN: "window dirty", ES: "ventana sucia", DE: "Fenster schmutzig"}},
		station.Seen{Label: "A", UnitID: "u", Nest: "B", Bin: 3, At: noon},
		station.Both{First: station.Vacant, Second: station.Because{Reason: station.ReasonUnknown}},
		station.Misread{Refusal: labels.Refusal{Why: labels.Empty, Text: "ABC", At: 2}},
		station.Misread{Refusal: labels.Refusal{Why: labels.Empty, Text: "ABC", At: 4}},
		station.NestName("B"),
	}
	for _, r := range station.Reasons() {
		all = append(all, station.Because{Reason: r, A: station.Count(1), B: station.Count(2)})
	}
	for _, why := range labels.Whys() {
		all = append(all, station.Misread{Refusal: labels.Refusal{Why: why}})
	}
	for k := screen.TooLong; k <= screen.NoUTF8; k++ {
		all = append(all, screen.Fault{Kind: k, N: 0xE4})
	}
	for _, l := range []labels.Layout{labels.German, labels.French, labels.Spanish} {
		all = append(all, l)
	}
	for _, s := range station.Steps() {
		all = append(all, s)
	}
	for _, q := range quantity.All() {
		for _, side := range []station.Side{station.Unknown, station.NotMeasured, station.TooLow, station.TooHigh} {
			all = append(all, station.OutOfLimits{Name: q.Name, Side: side})
		}
	}
	return all
}

// What a sentence names is said in the operator's language, quantities in
// words, and never by what the English text happens to be.
func TestArgumentsAreSaidInEveryLanguage(t *testing.T) {
	english := lang(t, "en")
	for _, name := range screen.Languages() {
		l := lang(t, name)
		for _, a := range arguments() {
			got := l.Arg(a)
			o, measured := a.(station.OutOfLimits)
			switch {
			case got == "" || strings.ContainsAny(got, "{}"):
				t.Errorf("%s: %#v is said as %q", name, a, got)
			case measured && strings.Contains(got, string(o.Name)) && strings.Contains(string(o.Name), "."):
				t.Errorf("%s: %q names the quantity as engineers do", name, got)
			case name != "en" && got == english.Arg(a):
				t.Errorf("%s: %#v is said in English: %q", name, a, got)
			}
		}
	}
	got := lang(t, "de").Say(station.RefusedLabel, station.Args{Detail: misread(t, "H54-[0-9]{5}", "H54-0001X")})
	want := "Das Etikett ist nicht lesbar: die Seriennummer passt nicht zum Muster des Produkts: Zeichen 9 von H54-0001X ist X."
	if got != want { // and no regular expression
		t.Errorf("got %q, want %q", got, want)
	}
	if got := lang(t, "de").Say(station.FailedLimits, station.Args{Detail: station.OutOfLimits{Name: quantity.LeakageMax, Side: station.TooHigh}}); got != "Leckage zu hoch." {
		t.Errorf("got %q", got)
	}
}

func misread(t *testing.T, pattern, scan string) station.Arg {
	t.Helper()
	rules, err := labels.NewRules(pattern, labels.NoCheck)
	if err != nil {
		t.Fatal(err)
	}
	_, err = rules.Parse(scan)
	r, ok := errors.AsType[*labels.Refusal](err)
	if !ok {
		t.Fatalf("%q is read: %v", scan, err)
	}
	return station.Misread{Refusal: *r}
}

// An instruction is said in the operator's language where the limits file has
// it, else as it stands there; without one the code's action is.
func TestInstructionsOfTheLimitsFile(t *testing.T) {
	for _, c := range []struct {
		language string
		text     limits.Text
		want     string
	}{
		{"de", wipe, "Fenster wischen, wiederholen."}, {"es", wipe, "Wipe the window, run again."}, {"de", limits.Text{}, "Gerät in Box 9 legen."},
	} {
		v := station.Verdict{Code: station.FailedNoAnswer, Outcome: station.Failed, HardBin: 9, Instructions: c.text}
		if got := lang(t, c.language).Instruction(&v, station.Args{Bin: "9"}); got != c.want {
			t.Errorf("%s: %q, want %q", c.language, got, c.want)
		}
	}
}

// Sentences are found by their code alone: nothing here looks at a text to find
// what it says in another language. So no expression of ours is a part of what is
// said in English but in the English words themselves: a table with a sentence as
// its key would stand still when that sentence changes.
func TestNoTextIsMatched(t *testing.T) {
	var english []string
	for _, m := range station.Codes() {
		english = append(english, m.Sentence, m.Action)
	}
	for _, r := range station.Reasons() {
		english = append(english, r.Text())
	}
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) == 0 || len(english) < 200 {
		t.Fatal(files, len(english), err)
	}
	place, word := regexp.MustCompile(`{[a-z]*}`), regexp.MustCompile(`\pL{2,}`)
	said := func(text string) string {
		if len(word.FindAllString(place.ReplaceAllString(text, " "), 2)) < 2 {
			return "" // too little to tell
		}
		for _, e := range english {
			if strings.Contains(e, strings.TrimSpace(text)) {
				return e
			}
		}
		return ""
	}
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") || name == "english.go" {
			continue
		}
		source, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(source, func(n ast.Node) bool {
			if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
				text, err := strconv.Unquote(l.Value)
				if e := said(text); err != nil || e != "" {
					t.Errorf("%s: %q is looked for in %q (%v)", name, text, e, err)
				}
				if text == "regexp" {
					t.Errorf("%s matches texts", name)
				}
			}
			return true
		})
	}
	found := 0
	for _, e := range english {
		if said(e) != "" {
			found++
		}
	}
	if found < 150 {
		t.Errorf("%d of %d texts would be found", found, len(english))
	}
}

// Block letters fit at the sizes they are made for, in half blocks and in full
// cells, with every usual nest and bin: what the hands do in six rows of
// 80x24, the rest in four. Verdicts tell each other apart by more than one
// letter.
func TestBlockLettersFit(t *testing.T) {
	for _, name := range screen.Languages() {
		l := lang(t, name)
		all := map[string][2]string{}
		for _, nest := range []string{"1", "nest 4", "C"} {
			for _, m := range station.Codes() {
				if m.Class == station.Guide {
					all[string(m.Code)+" "+nest] = l.Call(m.Code, nest, "12")
				}
			}
			maps.Copy(all, l.Refusals(nest, "12"))
		}
		for i, line := range l.Questions() {
			all[fmt.Sprint("question ", i)] = [2]string{line, line}
		}
		for what, lines := range all {
			for i, rows := range []int{6, 4} {
				if _, ok := term.HalfBlocks.Fitting(lines[i], 76, rows); !ok {
					t.Errorf("%s: %s: %q does not fit into %d rows of 76", name, what, lines[i], rows)
				}
				if _, ok := term.FullCells.Fitting(lines[i], 76, 5); !ok {
					t.Errorf("%s: %s: %q does not fit in full cells", name, what, lines[i])
				}
			}
		}
		words := l.Verdicts()
		for i, a := range words {
			if w := term.Five().Width(a); w > 18 { // its sign is drawn, and the words under it say what it is
				four := screen.DrawIn(l, judged(bench(4), 1, givenUp, station.HandsHeld), 80, 24, false, "", "")
				if what := map[string]string{"de": "gesperrt", "es": "retenida"}[name]; a != words[2] || what == "" || !strings.Contains(four.Text, what+", ") {
					t.Errorf("%s: %s takes %d columns of a nest's 18, and is not said\n%s", name, a, w, four.Text)
				}
			}
			for _, b := range words[i+1:] {
				if a[0] == b[0] {
					t.Errorf("%s: %s and %s begin alike", name, a, b)
				}
			}
		}
	}
}

// stretched is English that is 40 % longer, as translations often are, in
// letters outside ASCII.
func stretched(s string) string {
	if s == "" {
		return ""
	}
	accents := strings.NewReplacer("a", "å", "e", "é", "i", "î", "o", "ö", "u", "ü")
	var b strings.Builder
	for i, part := range splitHoles(s) {
		if i%2 == 0 {
			part = accents.Replace(part)
		}
		b.WriteString(part)
	}
	for want := utf8.RuneCountInString(s) * 14 / 10; utf8.RuneCountInString(b.String()) < want; {
		if utf8.RuneCountInString(b.String())%7 == 6 {
			b.WriteByte(' ')
		}
		b.WriteRune('ñ')
	}
	return b.String()
}

// wide is English in characters of two cells.
func wide(s string) string {
	var b strings.Builder
	for i, part := range splitHoles(s) {
		if i%2 == 0 {
			part = strings.Map(func(r rune) rune {
				if r > ' ' && r <= '~' {
					return r - '!' + '！'
				}
				return r
			}, part)
		}
		b.WriteString(part)
	}
	return b.String()
}

// splitHoles parts a text from its placeholders: every second part is one.
func splitHoles(s string) []string {
	hole := regexp.MustCompile(`\{[a-z]+\}`)
	var parts []string
	at := 0
	for _, h := range hole.FindAllStringIndex(s, -1) {
		parts = append(parts, s[at:h[0]], s[h[0]:h[1]])
		at = h[1]
	}
	return append(parts, s[at:])
}

// A language that is 40 % longer, or twice as wide, is drawn without one thing
// over another and within the screen; longer ones still say the whole
// sentence for the hands.
func TestPseudoLanguages(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(string) string
		whole  int // columns from which the sentence must be whole
	}{{"40 % longer", stretched, 40}, {"wide characters", wide, 80}} {
		t.Run(c.name, func(t *testing.T) {
			l := screen.Pseudo(c.change)
			tried, cut := 0, 0
			for _, pic := range gallery() {
				for _, size := range sizes {
					tried++
					p := screen.DrawIn(l, pic.snap, size[0], size[1], false, pic.typed, pic.own, pic.hints...)
					lines := strings.Split(p.Text, "\n")
					for i, line := range lines {
						if screen.Width(line) > size[0] {
							t.Errorf("%s at %v: line %d is %d wide", pic.name, size, i, screen.Width(line))
						}
					}
					if len(lines) != size[1] {
						t.Errorf("%s at %v: %d lines\n%s", pic.name, size, len(lines), p.Text)
					}
					if p.Cut > 0 {
						cut++
					}
					say := c.change(pic.snap.Hands.Code.Meaning().Sentence)
					for i, part := range splitHoles(say) { // the parts between what is filled in
						if words := strings.Fields(part); i%2 == 0 && size[0] >= c.whole && len(words) > 0 &&
							!strings.Contains(squashed(p.Text), squashed(strings.ToLower(strings.Join(words, "")))) {
							t.Errorf("%s at %v: %q is not on the screen\n%s", pic.name, size, part, p.Text)
						}
					}
				}
			}
			t.Logf("%d pictures, in %d something less important was shortened", tried, cut)
		})
	}
}

// squashed is s in small letters and without spaces, so that a wrapped text is
// found.
func squashed(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), "")) }

// Every state and code is drawn in every language at every size.
func TestGalleryInEveryLanguage(t *testing.T) {
	for _, name := range screen.Languages()[1:] {
		l := lang(t, name)
		var all strings.Builder
		for _, pic := range gallery() {
			for _, size := range sizes {
				p := screen.DrawIn(l, pic.snap, size[0], size[1], pic.ascii, pic.typed, pic.own, pic.hints...)
				t.Run(fmt.Sprintf("%s, %s", name, pic.name), func(t *testing.T) { fits(t, p, size[0], size[1]) })
				if size[0] == 80 || pic.name == "failed" {
					fmt.Fprintf(&all, "%s %dx%d\n%s\n\n", pic.name, size[0], size[1], p.Text)
				}
			}
		}
		golden(t, "language-"+name, all.String())
	}
}

// What the screen itself has to say is whole, whatever stands beside it.
func TestOwnTextsFit(t *testing.T) {
	for _, name := range screen.Languages() {
		l := lang(t, name)
		for _, text := range l.OwnTexts() {
			for _, size := range sizes {
				s := judged(judged(bench(3), 0, passed, station.HandsPassed), 1, dirty, station.HandsFailed)
				p := screen.DrawIn(l, s, size[0], size[1], false, "", text, screen.Hint{Label: label})
				if !strings.Contains(squashed(p.Text), squashed(text)) {
					t.Errorf("%s at %v: %q is not whole\n%s", name, size, text, p.Text)
				}
			}
		}
	}
}
