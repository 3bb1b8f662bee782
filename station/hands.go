package station

import (
	"slices"
	"strconv"
	"strings"
	"time"
)

// Hands is the one thing the operator's hands do now: a code of [Codes] with
// what its sentence names. Nest is the index of the nest it speaks of, or
// NoNest.
type Hands struct {
	Nest int
	Code Code
	Args Args
}

// hands picks the one thing to do now. A unit in the hand comes first, then
// what frees a unit or a nest that failed, then what lets a nest work on.
func (m *Machine) hands() Hands {
	if m.closing {
		return Hands{NoNest, HandsLeaving, Args{}}
	}
	for _, n := range m.nests { // what may hurt comes before all
		if n.lit != nil {
			return Hands{n.index, HandsEmitter, m.emitterArgs(n)}
		}
	}
	// A unit without a label comes first: it may be the one whose label is open.
	// Where no nest can take the label now, the hands free one first.
	if m.open.text != "" {
		for _, n := range m.nests {
			if n.step == Unlabelled {
				return Hands{n.index, HandsTakeOut, m.handsArgs(n)}
			}
		}
		if names := m.mayNames(); names != "" {
			return Hands{NoNest, HandsSeat, Args{Label: m.open.text, Nest: names}}
		}
	}
	best, bestRank := Hands{NoNest, "", Args{}}, len(handsOrder)
	for _, n := range m.nests {
		code := m.handsFor(n)
		rank := slices.Index(handsOrder, code)
		if code == HandsTargetIn && m.now.Sub(n.since) >= inHandsTime {
			rank = slices.Index(handsOrder, HandsWait) // it is in, as far as anybody can tell
		}
		if code != "" && rank < bestRank {
			best, bestRank = Hands{n.index, code, m.handsArgs(n)}, rank
		}
	}
	if b := m.box(); b.Wanted() && m.stop == nil && (best.Code == HandsScan || best.Code == HandsWait || best.Code == HandsPassed && m.nests[best.Nest].att.box == "") {
		if b.Number == "" {
			return Hands{NoNest, HandsBoxOpen, Args{}}
		}
		return Hands{NoNest, HandsBoxFull, Args{Detail: Verbatim(b.Number)}}
	}
	if best.Code == HandsScan {
		best = Hands{NoNest, HandsScan, Args{}}
	}
	if m.stop != nil && (best.Code == HandsScan || best.Code == "") {
		return Hands{NoNest, HandsStopped, Args{}}
	}
	if ports := m.lostPorts(); ports != "" {
		return Hands{NoNest, HandsNoPorts, Args{Detail: Verbatim(ports)}}
	}
	if best.Code == "" {
		return Hands{NoNest, HandsStarting, Args{}}
	}
	return best
}

// lostPorts lists the ports of all nests where none of them is there, "" else.
func (m *Machine) lostPorts() string {
	var ports []string
	for _, n := range m.nests {
		if n.step != Opening || n.trouble == nil {
			return ""
		}
		ports = append(ports, n.sheet.Port)
	}
	return strings.Join(ports, ", ")
}

// inHandsTime is how long hands need to bring a target that cannot be seen yet.
const inHandsTime = 4 * time.Second

var handsOrder = []Code{HandsSeatHere, HandsReseat, HandsFailed, HandsCheckBad, HandsHeld, HandsReject, HandsBoxScan, HandsConfirm, HandsClear, HandsLid, HandsTarget,
	HandsPassed, HandsChecked, HandsStray, HandsTurned, HandsTakeOut, HandsTargetIn, HandsScan, HandsWait, HandsStopped, HandsStarting}

// handsFor says what the hands could do for one nest, "" for nothing.
func (m *Machine) handsFor(n *nest) Code {
	switch n.step {
	case Opening:
		return HandsStarting
	case Vacant:
		if !n.empty { // a unit may lie there already
			return HandsStarting
		}
		return HandsScan
	case Unlabelled:
		return HandsTakeOut
	case Expected:
		if n.reseated {
			return HandsReseat
		}
		return HandsSeatHere
	case Confirming:
		return HandsConfirm
	case Clearing:
		if n.att.looks.change {
			return HandsClear
		}
		return HandsWait
	case Guarded:
		return HandsLid
	case Targeting:
		return m.handsForTarget(n)
	case Showing:
		return handsForVerdict(n.verdict)
	case Turned:
		if n.trouble != nil && n.trouble.Code == RefusedUnreadable {
			return HandsStray
		}
		return HandsTurned
	case Rejecting:
		if n.verdict.InBox != "" {
			return HandsBoxScan
		}
		return HandsReject
	case Stopped:
		return HandsStopped
	case Ended:
		return ""
	}
	return HandsWait
}

func (m *Machine) handsForTarget(n *nest) Code {
	w := &n.att.looks
	switch {
	case !w.change || w.seen():
		return HandsWait
	case m.waiting(n): // nobody sees the target come
		return HandsTargetIn
	}
	return HandsTarget
}

func handsForVerdict(v *Verdict) Code {
	switch {
	case v.Purpose == Check:
		return handsForCheckUnit(v)
	case v.Released():
		return HandsPassed
	case v.Disposition == Hold:
		return HandsHeld
	}
	return HandsFailed
}

func (m *Machine) handsArgs(n *nest) Args {
	a := Args{Nest: n.sheet.Name, Label: n.label}
	if n.verdict != nil {
		a.Bin = strconv.Itoa(n.verdict.HardBin)
		if n.verdict.InBox != "" {
			a.Detail = Verbatim(n.verdict.InBox)
		}
	}
	return a
}

// mayNames lists the nests that may take the open label.
func (m *Machine) mayNames() string {
	var names []string
	for _, n := range m.nests {
		if n.step == Vacant {
			names = append(names, n.sheet.Name)
		}
	}
	return strings.Join(names, ", ")
}
