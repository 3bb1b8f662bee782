package conform

import (
	"regexp"
	"strings"

	"example.org/panecal/protocol"
)

// Clause is one numbered clause of SPEC.md.
type Clause struct {
	Number string
	Text   string
	Inside bool // cannot be tried through the line alone
	Note   bool // asks for nothing
}

const (
	insideMark = "⟨inside⟩"
	noteMark   = "⟨note⟩"
)

// Clauses returns the clauses of the specification in their order.
func Clauses() []Clause {
	number := regexp.MustCompile(`^\*\*(\d+(?:\.\d+)+)\*\* (.*)$`)
	var all []Clause
	for line := range strings.Lines(protocol.Specification()) {
		m := number.FindStringSubmatch(strings.TrimRight(line, "\r\n"))
		if m == nil {
			continue
		}
		c := Clause{Number: m[1], Text: m[2]}
		c.Text, c.Inside = strings.CutSuffix(c.Text, " "+insideMark)
		c.Text, c.Note = strings.CutSuffix(c.Text, " "+noteMark)
		all = append(all, c)
	}
	return all
}

// title is the beginning of the clause, short enough for a line.
func (c Clause) title() string {
	const most = 64
	text := strings.NewReplacer("*", "", "`", "").Replace(c.Text)
	if first, _, ok := strings.Cut(text, ". "); ok && len(first) > 24 && !strings.HasSuffix(first, "(S") {
		text = first
	}
	if len([]rune(text)) <= most {
		return strings.TrimSuffix(text, ".")
	}
	cut := string([]rune(text)[:most])
	if i := strings.LastIndexByte(cut, ' '); i > most/2 {
		cut = cut[:i]
	}
	return strings.TrimRight(cut, " ,:;") + " …"
}
