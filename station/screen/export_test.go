package screen

import (
	"context"
	"fmt"
	"reflect"
	"strings"

	tea "github.com/charmbracelet/bubbletea"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
	"example.org/panecal/station/shift"
)

// Picture is one drawn screen, for tests.
type Picture struct {
	Text string
	Cut  int // texts shortened, rows left out
}

// Draw draws a snapshot without colour.
func Draw(s station.Snapshot, w, h int, ascii bool, typed, own string, hints ...Hint) Picture {
	return DrawIn(english(), s, w, h, ascii, typed, own, hints...)
}

// DrawIn is Draw in a language.
func DrawIn(l *Language, s station.Snapshot, w, h int, ascii bool, typed, own string, hints ...Hint) Picture {
	v := view{snap: s, ready: true, ascii: ascii, typed: typed, own: said{text: own}, hints: hints, lang: l}
	return v.picture(w, h)
}

func (v *view) picture(w, h int) Picture {
	p := v.draw(term.Renderer(term.Colourless), w, h)
	return Picture{p.text, p.cut}
}

// Easel draws one picture after the other, as a screen does: what it drew last is
// not drawn again where it has not changed.
type Easel struct {
	*Language
	fields map[[2]int]*field
}

// NewEasel returns an easel.
func NewEasel(l *Language) Easel { return Easel{l, map[[2]int]*field{}} }

// Draw draws a snapshot without colour.
func (e Easel) Draw(s station.Snapshot, w, h int) Picture {
	if e.fields[[2]int{w, h}] == nil {
		e.fields[[2]int{w, h}] = new(field)
	}
	v := view{snap: s, ready: true, lang: e.Language, last: e.fields[[2]int{w, h}]}
	return v.picture(w, h)
}

// Pace is pace.
func Pace(ctx context.Context, changed <-chan struct{}, draw func()) { pace(ctx, changed, draw) }

// Token is token.
func Token(c chan<- struct{}) { token(c) }

// DrawNothing draws the screen before the first snapshot.
func DrawNothing(w, h int) Picture {
	return (&view{lang: english()}).picture(w, h)
}

// Phase is phase.
func Phase(l *Language, s station.Step) string { return l.phase(s) }

// Called tells whether a code has block letters of its own.
func Called(code station.Code) bool { _, ok := tones[code]; return ok }

// Width is width.
func Width(s string) int { return width(s) }

// RunesOf is runesOf.
func RunesOf(k tea.KeyMsg) []rune { return runesOf(k) }

// Texts returns every text of a language by a name, to be held against
// those of another.
func (l *Language) Texts() map[string]string {
	all := map[string]string{}
	for c, s := range l.codes {
		all["code "+string(c)], all["code "+string(c)+", action"] = s.say, s.do
	}
	for c, s := range l.calls {
		all["call "+string(c)] = s[0] + " / " + s[1]
	}
	for s, text := range l.steps {
		all["step "+s.String()] = text
	}
	for k, p := range l.pages {
		name := fmt.Sprintf("page %d", k)
		all[name+", call"], all[name] = p.call[0]+" / "+p.call[1], p.say
		for i, line := range p.more {
			all[fmt.Sprintf("%s, line %d", name, i)] = line
		}
	}
	for q, o := range l.quantities {
		all["quantity "+string(q)] = o.name
		all["quantity "+string(q)+", low"], all["quantity "+string(q)+", high"] = o.low, o.high
	}
	for c, s := range l.retorts {
		all["retort "+string(c)] = s[0] + " / " + s[1]
	}
	for r, text := range l.because {
		all["reason "+string(r)] = text
	}
	for why, text := range l.whys {
		all["why "+string(why)] = text
	}
	for k, text := range l.faults {
		all[fmt.Sprintf("fault %d", k)] = text
	}
	for layout, text := range l.layouts {
		all["layout "+string(layout)] = text
	}
	w := reflect.ValueOf(l.words)
	for i := range w.NumField() {
		all["word "+w.Type().Field(i).Name] = w.Field(i).String()
	}
	return all
}

// Instruction is instruction.
func (l *Language) Instruction(v *station.Verdict, a station.Args) string { return l.instruction(v, a) }

// Arg is arg.
func (l *Language) Arg(a station.Arg) string { return l.arg(a) }

// Call returns the block letters of a code.
func (l *Language) Call(code station.Code, nest, bin string) [2]string {
	return l.call(code, nest, bin, "X-line3-cal-12").lines
}

// Verdicts returns the words for passed, failed and on hold.
func (l *Language) Verdicts() [3]string { return [3]string{l.words.pass, l.words.fail, l.words.hold} }

// Pseudo is English put through change: every text but block letters, which
// have their own alphabet.
func Pseudo(change func(string) string) *Language {
	l := english()
	l.name = "pseudo"
	for c, s := range l.codes {
		l.codes[c] = saying{change(s.say), change(s.do)}
	}
	for s, text := range l.steps {
		l.steps[s] = change(text)
	}
	for k, p := range l.pages {
		p.say = change(p.say)
		for i, line := range p.more {
			p.more[i] = change(line)
		}
		l.pages[k] = p
	}
	w := reflect.ValueOf(&l.words).Elem()
	for i := range w.NumField() {
		f := w.Field(i)
		reflect.NewAt(f.Type(), f.Addr().UnsafePointer()).Elem().SetString(change(f.String()))
	}
	return l
}

// Sentence is sentence.
func (l *Language) Sentence(code station.Code, a station.Args) string { return l.sentence(code, a) }

// Say is say.
func (l *Language) Say(code station.Code, a station.Args) string { return l.say(code, a) }

// Bin is how a bin is called.
func (l *Language) Bin(n int) string { return fill(l.words.bin, "bin", n) }

// DrawPage draws a page.
func DrawPage(l *Language, s station.Snapshot, p shift.Page, w, h int, own string) Picture {
	v := view{snap: s, ready: true, own: said{text: own}, lang: l, page: &p}
	return v.picture(w, h)
}

// DrawTyped draws a page on which something was typed.
func DrawTyped(l *Language, s station.Snapshot, p shift.Page, w, h int, typed string) Picture {
	v := view{snap: s, ready: true, typed: typed, lang: l, page: &p}
	return v.picture(w, h)
}

// Replied is replied.
func (l *Language) Replied(r shift.Reply) string { return l.replied(r) }

// Kinds returns every kind of page.
func Kinds() []shift.PageKind {
	var all []shift.PageKind
	for k := shift.BadgePage; k <= shift.NewLabelPage; k++ {
		all = append(all, k)
	}
	return all
}

// OwnTexts are the longest things that the screen itself has to say.
func (l *Language) OwnTexts() []string {
	w := &l.words
	return []string{w.leaveHow, fill(w.manyRun, "n", 3) + " " + w.leaveAgain, w.nothingToSkip, fill(w.skipAgain, "nest", l.aloud("3")), w.busy,
		l.unreadable(shift.Input{Fault: Fault{HoldsEscape, esc}, Text: "ABCDEFGHIJKLMNOPQRSTUVWXYZ"}, false),
		l.unreadable(shift.Input{Fault: Fault{NoUTF8, 0xE4}, Text: "ABCDEFGHIJKLMNOPQRSTUVWXYZ"}, false),
		w.scannerLost, w.scannerBack, w.noLabelOpen, w.noted,
		l.settings(shift.Settings{WorkOrder: "WO-2026-00417", Quantity: 300, WindowLot: "W-2025-11", GasketLot: "G-2025-08", EmitterLot: "E-2025-31"})}
}

// Refusals are the block letters of what is not taken.
func (l *Language) Refusals(nest, bin string) map[string][2]string {
	all := map[string][2]string{}
	for _, m := range station.Codes() {
		if c, ok := l.refusal(station.Message{Code: m.Code, Args: station.Args{Nest: nest, Bin: bin}}); ok {
			all[string(m.Code)] = c.lines
		}
	}
	for code, lines := range l.retorts {
		all[string(code)] = [2]string{capitals(lines[0]), capitals(lines[1])}
	}
	return all
}

// Questions are the block letters of questions.
func (l *Language) Questions() []string {
	return strings.Split(l.words.leaveCall+" / "+strings.ToUpper(fill(l.words.skipCall, "nest", l.aloud("3"))), " / ")
}

// Name is the language's name.
func (l *Language) Name() string { return l.name }

// Guarded is a model whose panics are told and end ctx.
func Guarded(m tea.Model, told func(any, []byte), end context.CancelCauseFunc) tea.Model {
	return guardedModel{m, guard{told, end}}
}
