package label

import (
	"regexp/syntax"
	"slices"
	"unicode"
)

// Overlap finds a shortest serial of printable ASCII that both rules' patterns
// take, and false where there is none. Check characters are not asked for: of
// the serials so found some may be refused by them.
func Overlap(a, b *Rules) (serial string, both bool) {
	type pair struct{ a, b uint32 }
	type step struct {
		from *step
		at   pair
		by   byte
	}
	seen := map[pair]bool{}
	var queue []*step
	reach := func(from *step, by byte, sa, sb []uint32) {
		for _, x := range sa {
			for _, y := range sb {
				if from == nil && (a.inst(x).Op == syntax.InstMatch || b.inst(y).Op == syntax.InstMatch) {
					continue // an empty serial is none
				}
				if p := (pair{x, y}); !seen[p] {
					seen[p] = true
					queue = append(queue, &step{from, p, by})
				}
			}
		}
	}
	reach(nil, 0, a.start(), b.start())
	for len(queue) > 0 {
		s := queue[0]
		queue = queue[1:]
		x, y := a.inst(s.at.a), b.inst(s.at.b)
		if x.Op == syntax.InstMatch && y.Op == syntax.InstMatch {
			var text []byte
			for ; s.from != nil; s = s.from {
				text = append(text, s.by)
			}
			slices.Reverse(text)
			return string(text), true
		}
		if x.Op == syntax.InstMatch || y.Op == syntax.InstMatch {
			continue
		}
		for _, c := range []byte(readable) {
			if x.MatchRune(rune(c)) && y.MatchRune(rune(c)) {
				reach(s, c, a.after(x), b.after(y))
				break // every other character leads to the same places
			}
		}
	}
	return "", false
}

// readable is printable ASCII, in the order in which a message prefers it.
const readable = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz-_.:/+#$%&*()[]{}<>=,;!?@'\"`~^|\\ "

// A pattern of "" takes any text: state 0 takes a character and stays, state 1
// ends.
func anyText() []uint32 { return []uint32{0, 1} }

func (r *Rules) start() []uint32 {
	if r.prog == nil {
		return anyText()
	}
	return r.follow(nil, uint32(r.prog.Start), make([]bool, len(r.prog.Inst)))
}

func (r *Rules) after(in *syntax.Inst) []uint32 {
	if r.prog == nil {
		return anyText()
	}
	return r.follow(nil, in.Out, make([]bool, len(r.prog.Inst)))
}

func (r *Rules) inst(s uint32) *syntax.Inst {
	switch {
	case r.prog != nil:
		return &r.prog.Inst[s]
	case s == 0:
		return &syntax.Inst{Op: syntax.InstRuneAny, Rune: []rune{0, unicode.MaxRune}}
	}
	return &syntax.Inst{Op: syntax.InstMatch}
}
