package screen

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.org/panecal/station"
	"example.org/panecal/station/screen/term"
)

// call is how the screen says one code of class Guide in block letters: two
// short lines, and how urgent it looks. {nest} stands for the nest as one
// calls it aloud, {bin} for the hard bin.
type call struct {
	lines [2]string
	tone  term.Tone
}

// calls has an entry for every code of class Guide; a test holds it against
// the station's table.
var calls = map[station.Code]call{
	station.HandsScan:     {[2]string{"SCAN THE", "NEXT LABEL"}, term.Action},
	station.HandsSeat:     {[2]string{"PUT THE UNIT", "INTO {nest}"}, term.Action},
	station.HandsSeatHere: {[2]string{"PUT THE UNIT", "INTO {nest}"}, term.Action},
	station.HandsReseat:   {[2]string{"RESEAT UNIT", "IN {nest}"}, term.Action},
	station.HandsTakeOut:  {[2]string{"EMPTY {nest}", "SCAN, PUT BACK"}, term.Action},
	station.HandsClear:    {[2]string{"TARGET AWAY", "FROM {nest}"}, term.Action},
	station.HandsTarget:   {[2]string{"BRING TARGET", "TO {nest}"}, term.Action},
	station.HandsWait:     {[2]string{"HANDS OFF", "MEASURING"}, term.Plain},
	station.HandsConfirm:  {[2]string{"PASSED BEFORE", "SCAN TO RERUN"}, term.Hold},
	station.HandsPassed:   {[2]string{"✓ PASS  BIN {bin}", "EMPTY {nest}"}, term.Passed},
	station.HandsFailed:   {[2]string{"✗ FAIL  BIN {bin}", "EMPTY {nest}"}, term.Failed},
	station.HandsHeld:     {[2]string{"‖ HOLD  BIN {bin}", "EMPTY {nest}"}, term.Hold},
	station.HandsTurned:   {[2]string{"TAKE UNIT OUT", "OF {nest}"}, term.Action},
	station.HandsReject:   {[2]string{"SCAN LABEL", "AT BIN {bin}"}, term.Action},
	station.HandsStopped:  {[2]string{"STOPPED", "CALL FOR HELP"}, term.Hold},
	station.HandsStarting: {[2]string{"STARTING", "PLEASE WAIT"}, term.Plain},
	station.HandsLeaving:  {[2]string{"CLOSING", "PLEASE WAIT"}, term.Plain},
}

// say fills the lines of a call.
func (c call) say(nest, bin string) [2]string {
	if strings.Contains(nest, ", ") {
		nest = choice(nest) // of several, the bare names: lines are short
	} else {
		nest = aloud(nest)
	}
	fill := strings.NewReplacer("{nest}", strings.ToUpper(nest), "{bin}", bin)
	return [2]string{fill.Replace(c.lines[0]), fill.Replace(c.lines[1])}
}

// aloud is a nest's name as one says it: a bare letter or number gets the
// word before it. Several names are told apart by commas.
func aloud(name string) string {
	if names := strings.Split(name, ", "); len(names) > 1 {
		return aloud(names[0]) + strings.TrimPrefix(choice(name), names[0])
	}
	if n := len([]rune(name)); n == 1 || n == 2 {
		return "nest " + name
	}
	return name
}

// choice says several names as a choice.
func choice(names string) string {
	if i := strings.LastIndex(names, ", "); i >= 0 {
		return names[:i] + " or " + names[i+2:]
	}
	return names
}

// phase says a step to the operator, in at most 16 cells: what the nest does,
// or what it waits for.
func phase(s station.Step) string {
	switch s {
	case station.Opening:
		return "opening its port"
	case station.Vacant:
		return "empty"
	case station.Unlabelled:
		return "no label yet"
	case station.Expected:
		return "waits for unit"
	case station.Greeting, station.Reading:
		return "reading the unit"
	case station.Recalling:
		return "looking it up"
	case station.Confirming:
		return "passed before"
	case station.Asking:
		return "asking to start"
	case station.Saving, station.Intending, station.WriteIntending, station.Recording, station.Refusing, station.Changing:
		return "writing record"
	case station.Voiding:
		return "voiding old data"
	case station.Emptying:
		return "target moves out"
	case station.Clearing:
		return "field not empty"
	case station.EmptyCapture:
		return "1/4 empty field"
	case station.EmptyEstimate, station.TargetEstimate, station.VerifyEstimate:
		return "computing"
	case station.Moving:
		return "target moves in"
	case station.Targeting:
		return "waits for target"
	case station.TargetCapture, station.RangesCapture:
		return "2/4 target"
	case station.Writing:
		return "3/4 write"
	case station.ReadingBack:
		return "3/4 read back"
	case station.VerifyCapture:
		return "4/4 verify"
	case station.Halting:
		return "emitter off"
	case station.Releasing:
		return "marking the unit"
	case station.Showing, station.Turned:
		return "take it out"
	case station.Rejecting:
		return "scan at its bin"
	case station.Stopped:
		return "stopped"
	case station.Ended:
		return "closed"
	}
	return s.String()
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
func markOf(v *station.Verdict) mark {
	switch {
	case v.Released():
		return mark{"PASS", term.Tick, term.Passed}
	case v.Disposition == station.Hold || v.Outcome != station.Failed && v.Outcome != station.Passed:
		return mark{"HOLD", term.Bars, term.Hold}
	case v.Outcome == station.Passed:
		return mark{"PASS", term.Tick, term.Passed}
	}
	return mark{"FAIL", term.Cross, term.Failed}
}

// sentence is a code as a whole sentence with its action.
func sentence(code station.Code, a station.Args) string {
	return strings.TrimSpace(say(code, a) + " " + do(code, a))
}

// say is a code's sentence, with the nest as one calls it. Labels and names of
// quantities stay as they are, also where a sentence begins with one.
func say(code station.Code, a station.Args) string {
	a.Nest = aloud(a.Nest)
	if strings.HasPrefix(code.Meaning().Sentence, "{nest}") {
		return capital(code.Say(a))
	}
	return code.Say(a)
}

// do is a code's action, with the nest as one calls it.
func do(code station.Code, a station.Args) string {
	a.Nest = aloud(a.Nest)
	return code.Do(a)
}

func capital(s string) string {
	r, w := utf8.DecodeRuneInString(s)
	if w == 0 {
		return ""
	}
	return string(unicode.ToUpper(r)) + s[w:]
}

// reason says why a nest's verdict is what it is, and what to do about it. A
// verdict does not hold all that its sentence may name; the message that came
// with it does.
func (v *view) reason(n *station.NestView) string {
	verdict := n.Verdict
	a := station.Args{Nest: n.Name, Label: n.Label, Bin: fmt.Sprint(verdict.HardBin), Detail: verdict.Detail}
	for i := len(v.snap.Messages) - 1; i >= 0; i-- {
		if m := v.snap.Messages[i]; m.Code == verdict.Code && m.Nest >= 0 && m.Nest < len(v.snap.Nests) && &v.snap.Nests[m.Nest] == n {
			a = m.Args
			break
		}
	}
	action := verdict.Instruction
	if action == "" {
		action = do(verdict.Code, a)
	}
	if verdict.Released() && !verdict.Again {
		return action // the hands' sentence says the rest
	}
	return strings.TrimSpace(say(verdict.Code, a) + " " + action)
}

// counted says the counters in one line.
func counted(c station.Counters) string {
	parts := []string{plural(c.Units, "unit")}
	if y, ok := c.FirstPassYield(); ok {
		parts = append(parts, fmt.Sprintf("first pass %.0f %%", 100*y))
	}
	if c.PerHour > 0 { // false for NaN
		parts = append(parts, fmt.Sprintf("%.0f/h", c.PerHour))
	}
	parts = append(parts, fmt.Sprintf("%d failed", c.Failed), fmt.Sprintf("%d on hold", c.Held))
	return strings.Join(parts, "  ")
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
