package screen

import (
	"strconv"
	"strings"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// tones say how urgent a code of class Guide looks in block letters. There is
// one for every such code; a test holds it against the station's table.
var tones = map[station.Code]term.Tone{
	station.HandsScan:     term.Action,
	station.HandsSeat:     term.Action,
	station.HandsSeatHere: term.Action,
	station.HandsReseat:   term.Action,
	station.HandsTakeOut:  term.Action,
	station.HandsClear:    term.Action,
	station.HandsLid:      term.Action,
	station.HandsTarget:   term.Action,
	station.HandsTargetIn: term.Action,
	station.HandsWait:     term.Plain,
	station.HandsConfirm:  term.Hold,
	station.HandsPassed:   term.Passed,
	station.HandsFailed:   term.Failed,
	station.HandsHeld:     term.Hold,
	station.HandsChecked:  term.Passed,
	station.HandsCheckBad: term.Failed,
	station.HandsTurned:   term.Action,
	station.HandsReject:   term.Action,
	station.HandsStopped:  term.Hold,
	station.HandsStarting: term.Plain,
	station.HandsLeaving:  term.Plain,
	station.HandsEmitter:  term.Hold,
	station.HandsNoPorts:  term.Hold,
	station.HandsBoxFull:  term.Action,
	station.HandsBoxOpen:  term.Action,
	station.HandsBoxScan:  term.Action,
	station.HandsStray:    term.Hold,
}

// call is a code as it is called out: block letters, and how urgent it looks.
type call struct {
	lines [2]string
	tone  term.Tone
}

// call says a code in block letters. {nest} stands for the nest as one calls
// it aloud, {bin} for the hard bin, {label} for a label.
func (l *Language) call(code station.Code, nest, bin, label string) call {
	tone, ok := tones[code]
	if !ok {
		tone = term.Action
	}
	if strings.Contains(nest, ", ") {
		nest = l.choice(nest) // of several, the bare names: lines are short
	} else {
		nest = l.aloud(nest)
	}
	c := call{tone: tone}
	for i, line := range l.calls[code] {
		c.lines[i] = capitals(fill(line, "nest", nest, "bin", bin, "label", label))
	}
	return c
}

// capitals writes a text as block letters have it: without marks on letters.
func capitals(s string) string {
	return strings.ToUpper(strings.Map(func(r rune) rune {
		if p := term.Plainest(r); p != '?' {
			return p
		}
		return r // the letters have it, or the words are shown
	}, term.Spell(s)))
}

// captures tells whether a nest in this step captures, so that its progress is
// worth looking at.
func captures(s station.Step) bool {
	switch s {
	case station.EmptyCapture, station.TargetCapture, station.RangesCapture, station.VerifyCapture:
		return true
	}
	return false
}

// mark is a verdict as a word, a sign and a tone.
type mark struct {
	word string
	sign rune
	tone term.Tone
}

// markOf reduces a verdict to what the hands need: on it goes, off it goes, or
// aside it goes. Whatever is on hold is HOLD, also when it measured well.
func (l *Language) mark(v *station.Verdict) mark {
	switch {
	case v.Purpose == station.Check && v.Outcome != station.Passed: // whose fault it is decides nothing here
		return mark{l.words.fail, term.Cross, term.Failed}
	case v.Released():
		return mark{l.words.pass, term.Tick, term.Passed}
	case v.Disposition == station.Hold || v.Outcome != station.Failed && v.Outcome != station.Passed:
		return mark{l.words.hold, term.Bars, term.Hold}
	case v.Outcome == station.Passed:
		return mark{l.words.pass, term.Tick, term.Passed}
	}
	return mark{l.words.fail, term.Cross, term.Failed}
}

// reason says why a nest's verdict is what it is, and what to do about it.
func (v *view) reason(n *station.NestView) string {
	verdict := n.Verdict
	a := argsOf(n)
	if verdict.Purpose == station.Check { // the hands' sentence says what to do
		if verdict.Outcome == station.Passed {
			return ""
		}
		return v.lang.say(verdict.Code, a)
	}
	action := v.lang.instruction(verdict, a)
	if verdict.Released() && !verdict.Again {
		if b := v.snap.Box; verdict.InBox != "" && b.Number == verdict.InBox {
			return action + " " + capital(v.lang.boxFigure(b)) + "."
		}
		return action // the hands' sentence says the rest
	}
	return strings.TrimSpace(v.lang.say(verdict.Code, a) + " " + action)
}

// box says where a unit goes. A check unit goes to no bin.
func (l *Language) box(v *station.Verdict) string {
	if v.Purpose == station.Check {
		return l.words.checkUnit
	}
	return fill(l.words.bin, "bin", v.HardBin)
}

// argsOf are what a verdict's sentence names, in this nest.
func argsOf(n *station.NestView) station.Args {
	a := n.Verdict.Args
	a.Nest, a.Label, a.Bin = n.Name, n.Label, strconv.Itoa(n.Verdict.HardBin)
	return a
}
