package label

import (
	"fmt"
	"regexp"
	"regexp/syntax"
)

// Rules say which serials are ours.
type Rules struct {
	pattern string
	whole   *regexp.Regexp
	prog    *syntax.Prog
	check   Check
}

// NewRules makes rules from a pattern (a regular expression of Go's syntax
// that the whole serial must match; "" takes any) and a check system ("" is
// NoCheck).
func NewRules(pattern string, check Check) (*Rules, error) {
	if check == "" {
		check = NoCheck
	}
	if !check.Known() {
		return nil, fmt.Errorf("making label rules: no check system %q", string(check))
	}
	r := &Rules{pattern: pattern, check: check}
	if pattern == "" {
		return r, nil
	}
	const max = 500
	if len(pattern) > max {
		return nil, fmt.Errorf("making label rules: the pattern has %d characters, more than %d", len(pattern), max)
	}
	if _, err := syntax.Parse(pattern, syntax.Perl); err != nil {
		return nil, fmt.Errorf("making label rules: %w", err)
	}
	anchored := `\A(?:` + pattern + `)\z`
	parsed, err := syntax.Parse(anchored, syntax.Perl)
	if err != nil {
		return nil, fmt.Errorf("making label rules: %w", err)
	}
	if r.prog, err = syntax.Compile(parsed.Simplify()); err != nil {
		return nil, fmt.Errorf("making label rules: %w", err)
	}
	r.whole, err = regexp.Compile(anchored)
	if err != nil {
		return nil, fmt.Errorf("making label rules: %w", err)
	}
	return r, nil
}

// Parse reads a scan and holds its serial against the rules. A scan that is
// not taken gives a *Refusal.
func (r *Rules) Parse(scan string) (Label, error) {
	l, err := Read(scan)
	if err != nil {
		return Label{}, err
	}
	if r.whole != nil && !r.whole.MatchString(l.Serial) {
		return Label{}, &Refusal{Why: NoFit, Text: l.Serial, At: r.misfit(l.Serial), Detail: r.pattern}
	}
	if err := r.check.Verify(l.Serial); err != nil {
		return Label{}, err
	}
	return l, nil
}

// misfit gives the place, from 1, of the first character with which text
// cannot be the beginning of a match any more; one past the end where text is
// only too short. It steps the compiled pattern as a nondeterministic
// automaton; the pattern's anchors at its ends are taken as met.
func (r *Rules) misfit(text string) int {
	states := r.follow(nil, uint32(r.prog.Start), make([]bool, len(r.prog.Inst)))
	for i := range len(text) {
		var next []uint32
		seen := make([]bool, len(r.prog.Inst))
		for _, s := range states {
			in := &r.prog.Inst[s]
			if in.Op != syntax.InstMatch && in.MatchRune(rune(text[i])) {
				next = r.follow(next, in.Out, seen)
			}
		}
		if len(next) == 0 {
			return i + 1
		}
		states = next
	}
	return len(text) + 1
}

// follow adds to states those that can be reached from s without a character.
func (r *Rules) follow(states []uint32, s uint32, seen []bool) []uint32 {
	if seen[s] {
		return states
	}
	seen[s] = true
	switch in := &r.prog.Inst[s]; in.Op {
	case syntax.InstAlt, syntax.InstAltMatch:
		return r.follow(r.follow(states, in.Out, seen), in.Arg, seen)
	case syntax.InstCapture, syntax.InstNop, syntax.InstEmptyWidth:
		return r.follow(states, in.Out, seen)
	case syntax.InstFail:
		return states
	default:
		return append(states, s)
	}
}
