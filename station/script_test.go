package station_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// TestScripts plays testdata/scripts: lines that begin with ">" are what
// happens, the lines below are what follows. Timers, quick probes and looks
// are left out.
func TestScripts(t *testing.T) {
	files, err := filepath.Glob("testdata/scripts/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatal("no scripts", err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txt"), func(t *testing.T) {
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			got := play(t, string(want))
			if got == string(want) {
				return
			}
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			t.Errorf("the script went otherwise:\n%s", difference(string(want), got))
		})
	}
}

// difference shows where two texts part.
func difference(want, got string) string {
	a, b := strings.Split(want, "\n"), strings.Split(got, "\n")
	for i := range max(len(a), len(b)) {
		var x, y string
		if i < len(a) {
			x = a[i]
		}
		if i < len(b) {
			y = b[i]
		}
		if x != y {
			return fmt.Sprintf("line %d\nwant %s\ngot  %s", i+1, x, y)
		}
	}
	return ""
}

type player struct {
	*world
	set   settings
	lot   map[string]*unit
	lines []string
}

func play(t *testing.T, script string) string {
	p := &player{set: usual(), lot: map[string]*unit{}}
	for _, line := range strings.Split(script, "\n") {
		switch {
		case strings.HasPrefix(line, "#"), strings.TrimSpace(line) == "":
			p.lines = append(p.lines, line)
		case strings.HasPrefix(line, ">"):
			p.lines = append(p.lines, line)
			p.do(t, strings.Fields(line[1:]))
		}
	}
	return strings.Join(p.lines, "\n")
}

func (p *player) say(format string, a ...any) {
	line := "  " + fmt.Sprintf(format, a...)
	for _, quiet := range []string{" settimer ", " identify", " capture look ", " ignore: timer that"} {
		if strings.Contains(line, quiet) {
			return
		}
	}
	p.lines = append(p.lines, line)
}

func (p *player) do(t *testing.T, args []string) {
	t.Helper()
	cmd, args := args[0], args[1:]
	if p.world == nil && cmd != "setup" {
		p.world = newWorld(t, p.set)
		p.trace = p.say
	}
	nest := func(i int) int {
		n, err := strconv.Atoi(args[i])
		if err != nil {
			t.Fatalf("%s %v: %v", cmd, args, err)
		}
		return n - 1
	}
	switch cmd {
	case "setup":
		p.setup(t, args)
	case "start":
		p.tell(station.NoNest, 0, station.Started{})
		p.pass(time.Second)
	case "scan":
		at := station.NoNest
		if len(args) > 1 {
			at = nest(1)
		}
		p.tell(at, 0, station.Scanned{Text: args[0]})
		p.run()
	case "seat":
		u := p.lot[args[1]]
		if u == nil {
			u = newUnit(args[1], args[2])
			p.lot[args[1]] = u
		}
		for _, a := range args[3:] {
			switch key, value, _ := strings.Cut(a, "="); key {
			case "product":
				u.id.Product = value
			case "firmware":
				u.id.Firmware = value
			case "torn":
				u.torn = true
			case "unmarks":
				u.unmarks = true
			case "marks":
				u.unmarks = false
			}
		}
		p.units[nest(0)] = u
	case "take":
		delete(p.units, nest(0))
	case "target":
		p.units[nest(0)].target = args[1] == "in"
	case "pass":
		d, err := time.ParseDuration(args[0])
		if err != nil {
			t.Fatal(err)
		}
		p.pass(d)
	case "until":
		if s := strings.Join(args[1:], " "); !p.untilName(nest(0), s) {
			p.say("never: %v", p.step(nest(0)))
		}
	case "fail":
		key := strings.ReplaceAll(args[0], "_", " ")
		trouble := map[string]station.Trouble{"silent": station.Silent, "reset": station.Reset, "denied": station.Denied,
			"short": station.Short, "broke": station.Broke}[args[1]]
		p.fails[key] = append(p.fails[key], station.Failure{Trouble: trouble, Why: args[1]})
	case "fault":
		p.faults[args[0]] = append(p.faults[args[0]], estimate.FaultCode(args[1]))
	case "value":
		v, err := strconv.ParseFloat(args[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		p.values[quantity.Name(args[0])] = v
	case "apart": // HOW [MM]: what tells the target's place from the offset, and how far it is off
		p.apart = estimate.Apart{How: strings.ReplaceAll(args[0], "_", " ")}
		if len(args) > 1 {
			v, err := strconv.ParseFloat(args[1], 64)
			if err != nil {
				t.Fatal(err)
			}
			p.apart.MM, p.apart.U, p.apart.Doubt = v, 1.5, true
		}
	case "mend": // a rework of a serial goes on record
		p.append(&record.ReworkDone{Serial: args[0], Action: args[1]})
	case "deny":
		p.denies = strings.Join(args, " ")
	case "go":
		p.tell(nest(0), 0, station.Go{})
		p.run()
	case "skip":
		p.tell(nest(0), 0, station.Skip{})
		p.run()
	case "crash":
		p.tell(nest(0), 0, station.Crashed{Why: "a bug"})
		p.run()
	case "lift":
		p.tell(nest(0), 0, station.LiftStop{By: "lead-1", Method: "badge"})
		p.run()
	case "takeup":
		f := p.set.files(t)
		revised := *f.Limits
		f.Limits = &revised
		f.Limits.Revision = strings.Repeat("cd", 32)
		p.tell(station.NoNest, 0, station.TakeUp{Files: f})
		p.run()
	case "shutdown":
		p.tell(station.NoNest, 0, station.Shutdown{Why: "terminate"})
		p.run()
		p.say("closed: %v", p.machine.Snapshot().Closed)
	case "finish":
		// What is awaited is done, and its answer reaches nobody: the process
		// ends first.
		for _, e := range p.pending {
			p.answer(e)
		}
	case "restart":
		p.set.recent = p.log
		old := p.world
		p.world = newWorld(t, p.set)
		p.now, p.units, p.log, p.trace = old.now.Add(time.Minute), old.units, old.log, p.say
		p.tell(station.NoNest, 0, station.Started{})
		p.pass(time.Second)
	case "view":
		p.show()
	case "log":
		for _, e := range p.log {
			p.say("#%d %v %s", e.Ref.Sequence, e.Body.Kind(), about(e.Body))
		}
	default:
		t.Fatalf("unknown command %q", cmd)
	}
}

// untilName is until with a step's name; "append attempt" and its like stop
// before that effect is answered.
func (p *player) untilName(nest int, name string) bool {
	for range 6000 {
		if p.step(nest).String() == name {
			return true
		}
		if len(p.pending) > 0 {
			e := p.pending[0]
			p.pending = p.pending[1:]
			p.tell(e.Nest, e.Token, p.answer(e))
			continue
		}
		if !p.nextTimer() {
			return false
		}
	}
	return false
}

func (p *player) setup(t *testing.T, args []string) {
	t.Helper()
	for _, a := range args {
		key, value, _ := strings.Cut(a, "=")
		number := func() int {
			n, err := strconv.Atoi(value)
			if err != nil {
				t.Fatal(err)
			}
			return n
		}
		switch key {
		case "purpose":
			p.set.purpose = station.Purpose(value)
		case "tie":
			p.set.tie = value
		case "pair":
			if p.set.pairs == nil {
				p.set.pairs = map[string]string{}
			}
			s, id, _ := strings.Cut(value, ":")
			p.set.pairs[s] = id
		case "nests":
			p.set.nests = number()
		case "max":
			p.set.max = number()
		case "fixture":
			p.set.fixture = true
		case "gate":
			p.set.gate = true
		case "reject":
			p.set.reject = true
		case "light":
			p.set.one = value
		case "after-pass":
			p.set.afterPass = value == "yes"
		case "measure":
			p.set.measure = value == "yes"
		case "summary":
			p.set.summary = true
		case "unit-range":
			p.set.unit = true
		case "overdue":
			p.set.due = time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)
		case "hands":
			d, err := time.ParseDuration(value)
			if err != nil {
				t.Fatal(err)
			}
			p.set.hands = d
		default:
			t.Fatalf("unknown setting %q", key)
		}
	}
}

func (p *player) show() {
	s := p.machine.Snapshot()
	h := s.Hands
	p.say("hands: %s %s", h.Code.Say(h.Args), h.Code.Do(h.Args))
	for _, n := range s.Nests {
		text := fmt.Sprintf("%s: %s", n.Name, n.Step)
		if n.Label != "" {
			text += " " + n.Label
		}
		if n.Waiting {
			text += " (waits for the light)"
		}
		if n.Trouble != nil {
			text += fmt.Sprintf(" [%s]", n.Trouble.Code)
		}
		if n.Verdict != nil {
			text += fmt.Sprintf(" %s %s: %s", n.Verdict.Outcome, n.Verdict.Disposition, n.Verdict.Instruction)
		}
		p.say("%s", text)
	}
	for _, stop := range s.Stops {
		p.say("stop: %s", stop.Code.Say(stop.Args))
	}
	c := s.Counters
	p.say("units %d passed %d failed %d held %d first %d of %d", c.Units, c.Passed, c.Failed, c.Held, c.FirstPassed, c.First)
}

func about(b record.Body) string {
	s := b.Subject()
	text := strings.TrimSpace(s.Serial + " " + s.UnitID)
	switch b := b.(type) {
	case *record.AttemptIntent:
		text += fmt.Sprintf(" no %d, tie %s, confirmed %v", b.Run.AttemptNo, b.Run.LabelTie, b.Run.LabelConfirmed)
	case *record.Attempt:
		var codes []string
		for _, q := range b.Problems {
			codes = append(codes, q.Code)
		}
		text += fmt.Sprintf(" no %d %s %s, problems %v, %d quantities", b.Run.AttemptNo, b.Outcome, b.Judgement.Disposition, slices.Compact(codes), len(b.Quantities))
	case *record.DispositionChange:
		text += fmt.Sprintf(" to %s: %s", b.To, b.Code)
	case *record.Refusal:
		text += " " + b.Code
	case *record.Stop:
		text += b.Code
	case *record.StopLifted:
		text += fmt.Sprintf("%s by %s, %s", b.Code, b.By, b.Method)
	}
	return text
}
