package station

import (
	"cmp"
	"slices"
	"time"

	"example.org/panecal/store/record"
)

// cutOff is an attempt that did not come to its end before the start: by a
// power cut, or by the way out.
type cutOff struct {
	nest, label string
	at          time.Time
	dark        bool // the unit confirmed that its emitter is off
}

// noteCutOff keeps account of attempts that have no end, by serial.
func (m *Machine) noteCutOff(e record.Entry) {
	switch b := e.Body.(type) {
	case *record.AttemptIntent:
		m.cutOff[b.Run.Serial] = cutOff{nest: b.Run.Nest, label: b.Run.Label, at: e.Time}
	case *record.Attempt:
		delete(m.cutOff, b.Run.Serial)
		if b.Outcome == Aborted && b.Intent != nil {
			lit := slices.ContainsFunc(b.Problems, func(p record.Problem) bool { return p.Code == string(BrokenEmitter) })
			m.cutOff[b.Run.Serial] = cutOff{nest: b.Run.Nest, label: b.Run.Label, at: e.Time, dark: !lit}
		}
	case *record.DispositionChange:
		delete(m.cutOff, b.Serial)
	}
}

// mostCutOff is how many of them are told: more nests than that have no room.
const mostCutOff = 6

// cutOffs says which units wait to be run anew, newest first.
func (m *Machine) cutOffs() []Message {
	var all []Message
	for _, c := range m.cutOff {
		code := NoticeCutLit
		if c.dark {
			code = NoticeCutDark
		}
		all = append(all, Message{At: c.at, Nest: NoNest, Code: code, Args: Args{Nest: c.nest, Label: c.label}})
	}
	slices.SortFunc(all, func(a, b Message) int { return cmp.Or(b.At.Compare(a.At), cmp.Compare(a.Args.Label, b.Args.Label)) })
	return all[:min(len(all), mostCutOff)]
}
