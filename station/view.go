package station

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
)

var nan = math.NaN()

func itoa(i int) string { return strconv.Itoa(i) }

func abs(x float64) float64 { return math.Abs(x) }

// Snapshot is what may be shown now.
func (m *Machine) Snapshot() Snapshot {
	s := Snapshot{
		At: m.now, Station: m.cfg.Station, Operator: m.crew.Operator, Order: m.crew.WorkOrder, Purpose: m.cfg.Purpose,
		Product: m.files.Product.Name, Signed: m.files.Signed(),
		Hands: m.hands(), Label: m.open.text, Nests: make([]NestView, len(m.nests)), Counters: m.counters,
		Messages: slices.Clone(m.messages), Closing: m.closing, Closed: m.closing,
	}
	s.Counters.PerHour, s.Counters.OpenHolds = m.perHour(), len(m.holds)
	s.Counters.Bins = slices.Clone(m.counters.Bins)
	s.Standing = m.standing()
	if m.stop != nil {
		s.Stops = append(s.Stops, *m.stop)
	}
	for i, n := range m.nests {
		s.Nests[i] = m.view(n)
		s.Closed = s.Closed && n.step == Ended
		if n.stop != nil {
			s.Stops = append(s.Stops, *n.stop)
		} else if n.step == Opening && n.trouble != nil {
			s.Stops = append(s.Stops, Stop{Nest: i, Code: n.trouble.Code, Args: n.trouble.Args, Since: n.trouble.At})
		}
	}
	return s
}

func (m *Machine) view(n *nest) NestView {
	v := NestView{
		Name: n.sheet.Name, Step: n.step, Label: n.label, Serial: n.serial, Purpose: n.purpose, UnitID: n.unit.UnitID, Attempt: n.att.number,
		Done: n.shotsDone, Total: n.shotsTotal, Waiting: m.waiting(n), Remaining: m.remaining(n),
	}
	if n.att.intent != nil {
		v.Try = n.att.tries + 1
	}
	if n.trouble != nil {
		t := *n.trouble
		v.Trouble = &t
	}
	if n.verdict != nil && (n.step == Showing || n.step == Rejecting) {
		d := *n.verdict
		v.Verdict = &d
	}
	return v
}

// The steps between two times that the hands are needed.
var (
	untilTarget  = []Step{Greeting, Reading, Recalling, Intending, Voiding, EmptyCapture, EmptyEstimate}
	untilVerdict = []Step{TargetCapture, RangesCapture, TargetEstimate, WriteIntending, Writing, ReadingBack, VerifyCapture,
		VerifyEstimate, Saving, Recording, Releasing}
)

// remaining adds up what the steps that are left took lately.
func (m *Machine) remaining(n *nest) time.Duration {
	const unknown = -time.Second
	if !machineStep[n.step] {
		return unknown
	}
	stretches := [][]Step{untilTarget, untilVerdict}
	if m.cfg.Fixture {
		stretches = [][]Step{append(slices.Concat(untilTarget, []Step{Emptying, Moving}), untilVerdict...)}
	}
	for _, stretch := range stretches {
		at := slices.Index(stretch, n.step)
		if at < 0 {
			continue
		}
		if _, known := m.pace[n.step]; !known {
			return unknown
		}
		left := max(0, m.pace[n.step]-m.now.Sub(n.since))
		for _, s := range stretch[at+1:] {
			left += m.pace[s]
		}
		return left
	}
	return unknown
}

// hands picks the one thing to do now. A unit in the hand comes first, then
// what frees a unit or a nest that failed, then what lets a nest work on.
func (m *Machine) hands() Hands {
	if m.closing {
		return Hands{NoNest, HandsLeaving, Args{}}
	}
	// Where no nest can take the label now, the hands free one first.
	if m.open.text != "" {
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
	if best.Code == HandsScan {
		best = Hands{NoNest, HandsScan, Args{}}
	}
	if m.stop != nil && (best.Code == HandsScan || best.Code == "") {
		return Hands{NoNest, HandsStopped, Args{}}
	}
	if best.Code == "" {
		return Hands{NoNest, HandsStarting, Args{}}
	}
	return best
}

// inHandsTime is how long hands need to bring a target that cannot be seen yet.
const inHandsTime = 4 * time.Second

var handsOrder = []Code{HandsSeatHere, HandsReseat, HandsFailed, HandsCheckBad, HandsHeld, HandsReject, HandsConfirm, HandsClear, HandsTarget,
	HandsPassed, HandsChecked, HandsTurned, HandsTakeOut, HandsTargetIn, HandsScan, HandsWait, HandsStopped, HandsStarting}

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
	case Targeting:
		w := &n.att.looks
		switch {
		case !w.change || w.seen():
			return HandsWait
		case m.waiting(n): // nobody sees the target come
			return HandsTargetIn
		}
		return HandsTarget
	case Showing:
		switch {
		case n.verdict.Purpose == Check && n.verdict.Outcome == Passed:
			return HandsChecked
		case n.verdict.Purpose == Check:
			return HandsCheckBad
		case n.verdict.Released(), n.verdict.Outcome == Passed && n.verdict.Disposition == Release:
			return HandsPassed
		case n.verdict.Disposition == Hold:
			return HandsHeld
		}
		return HandsFailed
	case Turned:
		return HandsTurned
	case Rejecting:
		return HandsReject
	case Stopped:
		return HandsStopped
	case Ended:
		return ""
	}
	return HandsWait
}

func (m *Machine) handsArgs(n *nest) Args {
	a := Args{Nest: n.sheet.Name, Label: n.label}
	if n.verdict != nil {
		a.Bin = itoa(n.verdict.HardBin)
	}
	return a
}

// mayNames lists the nests that may take the open label.
func (m *Machine) mayNames() string {
	var names []string
	for i, n := range m.nests {
		if m.open.may[i] && n.step == Vacant {
			names = append(names, n.sheet.Name)
		}
	}
	return strings.Join(names, ", ")
}
