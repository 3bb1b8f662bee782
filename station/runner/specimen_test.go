package runner_test

import (
	"context"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"example.org/panecal/protocol/simunit"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// implementation is what the rigs' units are: "simulated", or "kit", the C
// firmware kit in lock step with the bubble's time. Nothing but this is chosen
// by it: what is expected of the station is the same. PANECAL_UNIT=kit puts the
// kit into the rigs of every test; for both see TestStationOnKit.
var implementation, both = func(v string) (string, bool) {
	switch v {
	case "", "simulated":
		return "simulated", false
	case "both":
		return "simulated", true
	case "kit":
		return "kit", false
	}
	panic("PANECAL_UNIT=" + v + ": want simulated, kit or both")
}(os.Getenv("PANECAL_UNIT"))

// kitUnit is a unit of the C firmware kit, see firmware.Lockstep.
type kitUnit interface {
	simunit.Speaker
	Do(command string) (string, error)
	EmitterOn() (bool, error)
	Stored() ([]byte, error)
}

// specimen is a unit of either implementation. What lies in front of it, the
// hands around it and its photons are always the simulated unit's; its line,
// sessions, captures, constants and emitter are the kit's if it has one.
type specimen struct {
	*simunit.Unit
	t   testing.TB
	kit kitUnit // nil: the simulated unit is the whole of it
	// Between the kit and its line: the simulated unit has its own.
	trouble *trouble
	lost    sync.Once
}

// fails ends the test as failed. A program that is gone says so once.
func (s *specimen) fails(err error) {
	s.t.Helper()
	s.lost.Do(func() { s.t.Error(err) })
}

func newSpecimen(t testing.TB, m simunit.Model, seed uint64, o simunit.Options) *specimen {
	t.Helper()
	s := &specimen{t: t}
	own := o
	if implementation == "kit" {
		own.Faults, own.Line = nil, simunit.Line{} // they strike the kit's line, not its twin's
	}
	var err error
	if s.Unit, err = simunit.New(m, seed, own); err != nil {
		t.Fatal(err)
	}
	if implementation == "kit" {
		s.kit = startKit(t, s.Unit, m, seed, o)
		s.trouble = &trouble{unit: s, faults: simunit.NewFaults(seed, o.Faults), hit: map[uint32][]simunit.Fault{}, line: o.Line}
	}
	return s
}

// Serve speaks for the unit, whichever it is.
func (s *specimen) Serve(ctx context.Context, line net.Conn) error {
	if s.kit == nil {
		return s.Unit.Serve(ctx, line)
	}
	err := s.kit.Serve(ctx, s.trouble.on(ctx, line))
	if _, lost := s.kit.EmitterOn(); lost != nil {
		s.fails(lost)
		line.Close() // nobody would ever read from it
	}
	return err
}

func (s *specimen) EmitterOn() bool {
	if s.kit == nil {
		return s.Unit.EmitterOn()
	}
	on, err := s.kit.EmitterOn()
	if err != nil {
		s.fails(err)
	}
	return on
}

func (s *specimen) Stored() []byte {
	if s.kit == nil {
		return s.Unit.Stored()
	}
	block, err := s.kit.Stored()
	if err != nil {
		s.fails(err)
	}
	return block
}

// command gives the kit's bench a command.
func (s *specimen) command(text string) {
	if _, err := s.kit.Do(text); err != nil {
		s.fails(err)
	}
}

// Seat puts the unit under power, which a kit notices when it is next spoken
// to: until then nothing is different.
func (s *specimen) Seat(at simunit.Seating) {
	if s.kit != nil && s.Seated() { // it is lifted first
		s.TakeOut()
	}
	s.Unit.Seat(at)
}

func (s *specimen) TakeOut() {
	if s.kit != nil { // it lives up to here, and no further
		s.EmitterOn()
		defer s.EmitterOn()
	}
	s.Unit.TakeOut()
}

func (s *specimen) Reset() {
	s.Unit.Reset()
	if s.kit != nil {
		s.command("reset")
	}
}

func (s *specimen) Break(f simunit.Fault) {
	if s.kit == nil {
		s.Unit.Break(f)
		return
	}
	s.trouble.mu.Lock()
	defer s.trouble.mu.Unlock()
	s.trouble.faults.Add(f)
}

// verdictBook holds how the rigs of each test have ended, by implementation and
// the test's name.
var verdictBook = struct {
	sync.Mutex
	ends     map[string]map[string][]string
	compared int // stations that ran on both
}{ends: map[string]map[string][]string{}}

// agree holds the verdicts and attempts of a rig against those of the same rig of the same
// test on the other implementation, if that has run already.
func agree(t testing.TB, verdicts []station.Verdict, attempts []*record.Attempt) {
	t.Helper()
	var lines []string
	for _, v := range verdicts {
		lines = append(lines, fmt.Sprintf("%s in %s attempt %d: %s %s, bin %s %d, %s", v.Serial, v.Nest, v.Attempt, v.Outcome, v.Code, v.SoftName, v.HardBin, v.Disposition))
	}
	for _, a := range attempts {
		lines = append(lines, fmt.Sprintf("on record %s attempt %d: %s, problems %q", a.Run.Serial, a.Run.AttemptNo, a.Outcome, problems(a)))
	}
	slices.Sort(lines) // of nests that end together, any may be the first
	end := strings.Join(lines, "; ")
	name := t.Name() // from the test's own on, whoever runs it
	if i := strings.LastIndex(name, "/Test"); i >= 0 {
		name = name[i+1:]
	}
	other := map[string]string{"kit": "simulated", "simulated": "kit"}[implementation]
	verdictBook.Lock()
	defer verdictBook.Unlock()
	mine := verdictBook.ends[implementation]
	if mine == nil {
		mine = map[string][]string{}
		verdictBook.ends[implementation] = mine
	}
	mine[name] = append(mine[name], end)
	if theirs := verdictBook.ends[other][name]; len(theirs) >= len(mine[name]) {
		verdictBook.compared++
		if want := theirs[len(mine[name])-1]; want != end {
			t.Errorf("the verdicts differ: %s unit %q, %s unit %q", implementation, end, other, want)
		}
	}
}

func compared() int {
	verdictBook.Lock()
	defer verdictBook.Unlock()
	return verdictBook.compared
}
