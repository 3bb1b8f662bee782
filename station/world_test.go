package station_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// unit is what lies in a nest.
type unit struct {
	id      protocol.Identity
	block   []byte
	target  bool    // a target stands in front of it
	rate    float64 // what its captures show, counts a shot; 0: as the target decides
	emits   bool
	faults  uint32         // that its status tells
	torn    bool           // its commits leave something else
	unmarks bool           // it does not keep the released mark
	cel     func() float64 // its temperature, nil for 25
	forgets bool           // it keeps constants only until it restarts
}

func newUnit(id, serial string) *unit {
	return &unit{id: protocol.Identity{UnitID: id, Serial: serial, Product: "feeder-2", Firmware: "1.0", ProtoLow: 1, ProtoHigh: 1,
		Rows: 1, Cols: 2, Bins: 32, BinFS: 250_000, FirstBinFS: -1_000_000, CountBits: 32, MaxIn: 512, MaxOut: 512, MaxHeld: 2,
		Kinds: protocol.KindsOf(protocol.Histograms, protocol.Totals, protocol.Ranges), CompensationOff: true, MaxFrames: 16}}
}

func (u *unit) milliCel() int32 {
	if u.cel == nil {
		return 25_000
	}
	return int32(u.cel() * 1000)
}

type world struct {
	t       testing.TB
	machine *station.Machine
	now     time.Time
	units   map[int]*unit
	log     []record.Entry
	saved   int
	pending []station.Effect
	timers  []timer
	events  []station.Event // all that the machine was told
	shown   []station.Verdict
	said    []station.Message
	ignored []string
	fails   map[string][]station.Failure          // by "nest/job"
	faults  map[string][]estimate.FaultCode       // of captures, by name
	values  map[quantity.Name]float64             // what measurements give
	apart   estimate.Apart                        // what tells the target's place from the offset
	denies  string                                // why the gate does not let a unit start
	trace   func(string, ...any)                  // of effects, nil for none
	fail    func(station.Effect) *station.Failure // fails an effect, nil for none
	told    func()                                // after each event, nil for nobody
	effects func(station.Effect)                  // sees each effect, nil for nobody
	// The last of the first nest.
	lastJob, lastTimer station.Effect

	recall  func(serial string) []record.Entry // finds what Recall asks for, nil for going through the log
	awaited func(station.Effect)               // sees each awaited effect, nil for nobody
}

type timer struct {
	at     time.Time
	effect station.Effect
}

func newWorld(t testing.TB, s settings) *world {
	t.Helper()
	m, err := station.New(s.config(t))
	if err != nil {
		t.Fatal(err)
	}
	return &world{t: t, machine: m, now: time.Date(2027, 3, 1, 6, 0, 0, 0, time.UTC), units: map[int]*unit{},
		fails: map[string][]station.Failure{}, faults: map[string][]estimate.FaultCode{}, values: map[quantity.Name]float64{}}
}

// worldOf is newWorld with more of its configuration.
func worldOf(t *testing.T, s settings, change func(*station.Config)) *world {
	t.Helper()
	c := s.config(t)
	change(&c)
	w := newWorld(t, s)
	m, err := station.New(c)
	if err != nil {
		t.Fatal(err)
	}
	w.machine = m
	w.tell(station.NoNest, 0, station.Started{})
	w.pass(time.Second)
	return w
}

// tell steps the machine and takes in what follows.
func (w *world) tell(nest int, token station.Token, f station.Fact) {
	e := station.Event{At: w.now, Nest: nest, Token: token, Fact: f}
	w.events = append(w.events, e)
	for _, effect := range w.machine.Step(e) {
		w.take(effect)
	}
	if w.told != nil {
		w.told()
	}
}

// drop takes an effect off the list of those that are awaited.
func (w *world) drop(e station.Effect) {
	w.pending = slices.DeleteFunc(w.pending, func(p station.Effect) bool { return p.Token == e.Token })
}

// live reports whether an effect still awaits its answer.
func (w *world) live(e station.Effect) bool {
	return slices.ContainsFunc(w.pending, func(p station.Effect) bool { return p.Token == e.Token && e.Token != 0 })
}

func (w *world) take(e station.Effect) {
	if w.trace != nil {
		w.trace("%s", describe(e))
	}
	if w.effects != nil {
		w.effects(e)
	}
	switch j := e.Job.(type) {
	case station.Move:
		w.checkMove(e, j)
		w.pending = append(w.pending, e)
		if w.awaited != nil {
			w.awaited(e)
		}
		if e.Nest == 0 {
			w.lastJob = e
		}
	case station.SetTimer:
		w.timers = append(w.timers, timer{w.now.Add(j.After), e})
		if e.Nest == 0 {
			w.lastTimer = e
		}
	case station.Show:
		w.shown = append(w.shown, j.Verdict)
		w.checkShown(j.Verdict)
	case station.Announce:
		w.said = append(w.said, j.Message)
	case station.Ignore:
		w.ignored = append(w.ignored, j.Why)
	case station.Tell, station.Keep:
	default:
		if w.awaited != nil {
			w.awaited(e)
		}
		w.pending = append(w.pending, e)
		if e.Nest == 0 {
			w.lastJob = e
		}
	}
}

// checkShown is the first promise: a verdict has its record, and a released
// unit holds the constants of that record, with the released mark.
func (w *world) checkShown(v station.Verdict) {
	w.t.Helper()
	var found *record.Attempt
	at := station.Disposition("")
	var stands record.Standing
	for _, e := range w.log {
		switch b := e.Body.(type) {
		case *record.Attempt:
			if b.Run.Serial == v.Serial {
				stands.Verdict(b.Run.Purpose, b.Judgement.Disposition)
			}
			if e.Ref.Sequence == v.Sequence {
				found, at = b, b.Judgement.Disposition
			}
		case *record.DispositionChange:
			if b.Serial == v.Serial {
				stands.Change(b.To, b.Firm)
			}
			if b.Attempt != nil && b.Attempt.Sequence == v.Sequence {
				at = b.To
			}
		}
	}
	if stands.Firm {
		at = stands.At
	}
	if found == nil {
		w.t.Errorf("verdict %+v without a record", v)
		return
	}
	if found.Outcome != v.Outcome || at != v.Disposition {
		w.t.Errorf("shown %s, %s; on record %s, %s", v.Outcome, v.Disposition, found.Outcome, at)
	}
	if !v.Released() || v.Purpose != station.Production {
		return
	}
	for _, u := range w.units {
		if u.id.UnitID == v.UnitID {
			b, err := protocol.ParseBlock(u.block)
			if err != nil || b.State != protocol.Released {
				w.t.Errorf("unit %s released without the mark: %v", v.UnitID, err)
				return
			}
			b.State = protocol.Written
			if raw, _ := b.Marshal(); found.Constants == nil || !bytes.Equal(raw, found.Constants.Written) {
				w.t.Errorf("unit %s released with constants that are not on record", v.UnitID)
			}
		}
	}
}

// run answers what is awaited until nothing is.
func (w *world) run() {
	w.t.Helper()
	for range 10_000 {
		if len(w.pending) == 0 {
			return
		}
		e := w.pending[0]
		w.pending = w.pending[1:]
		w.tell(e.Nest, e.Token, w.answer(e))
	}
	w.t.Fatal("the machine never rests")
}

// through runs a unit to its verdict and out of the nest.
func (w *world) through(label string) {
	w.t.Helper()
	w.calibrate(0, label, newUnit("u"+label, label))
}

// pass lets time go by, timers and all.
func (w *world) pass(d time.Duration) {
	w.t.Helper()
	end := w.now.Add(d)
	w.run()
	for {
		next := -1
		for i, t := range w.timers {
			if !t.at.After(end) && (next < 0 || t.at.Before(w.timers[next].at)) {
				next = i
			}
		}
		if next < 0 {
			break
		}
		t := w.timers[next]
		w.timers = append(w.timers[:next], w.timers[next+1:]...)
		if t.at.After(w.now) {
			w.now = t.at
		}
		w.tell(t.effect.Nest, t.effect.Token, station.Expired{})
		w.run()
	}
	w.now = end
	w.tell(station.NoNest, 0, station.Tick{})
	w.run()
}

// nextTimer lets time go by to the next timer, and no further.
func (w *world) nextTimer() bool {
	w.t.Helper()
	if len(w.timers) == 0 {
		return false
	}
	next := 0
	for i, t := range w.timers {
		if t.at.Before(w.timers[next].at) {
			next = i
		}
	}
	t := w.timers[next]
	w.timers = append(w.timers[:next], w.timers[next+1:]...)
	if t.at.After(w.now) {
		w.now = t.at
	}
	w.tell(t.effect.Nest, t.effect.Token, station.Expired{})
	return true
}

func (w *world) view(nest int) station.NestView { return w.machine.Snapshot().Nests[nest] }

func (w *world) step(nest int) station.Step { return w.view(nest).Step }

// jobName names a job for faults and scripts.
func jobName(j station.Job) string {
	name := strings.ToLower(strings.TrimPrefix(fmt.Sprintf("%T", j), "station."))
	switch j := j.(type) {
	case station.Capture:
		return name + " " + j.Name
	case station.Append:
		return name + " " + j.Body.Kind().String()
	}
	return name
}

var silent = station.Failure{Trouble: station.Silent, Why: "no answer"}

func (w *world) failure(e station.Effect) (station.Failure, bool) {
	if w.fail != nil {
		if f := w.fail(e); f != nil {
			return *f, true
		}
	}
	if len(w.fails) == 0 {
		return station.Failure{}, false
	}
	for _, key := range []string{fmt.Sprintf("%d/%s", e.Nest, jobName(e.Job)), jobName(e.Job)} {
		if list := w.fails[key]; len(list) > 0 {
			w.fails[key] = list[1:]
			return list[0], true
		}
	}
	return station.Failure{}, false
}

// append makes a record durable: it must be one that can be.
func (w *world) append(b record.Body) record.Ref {
	w.t.Helper()
	e := record.Entry{Ref: record.Ref{Station: "cal-1", Generation: 1, Sequence: uint64(len(w.log) + 1)}, Time: w.now, Body: b}
	raw, ref, err := record.Encode(e)
	if err != nil {
		w.t.Fatal(err)
	}
	back, err := record.Decode(raw)
	if err != nil {
		w.t.Fatal(err)
	}
	w.log = append(w.log, back)
	return ref
}

func (w *world) about(is func(record.Subject) bool) (list []record.Entry) {
	for _, e := range w.log {
		if is(e.Body.Subject()) {
			list = append(list, e)
		}
	}
	return list
}

// attempts lists the results on record.
func (w *world) attempts() (list []*record.Attempt) {
	for _, e := range w.log {
		if a, ok := e.Body.(*record.Attempt); ok {
			list = append(list, a)
		}
	}
	return list
}

// problems lists the codes of an attempt.
func problems(a *record.Attempt) string {
	var list []string
	for _, p := range a.Problems {
		list = append(list, p.Code)
	}
	return strings.Join(list, " ")
}

// describe puts an effect in one line.
func describe(e station.Effect) string {
	who := "station"
	if e.Nest != station.NoNest {
		who = fmt.Sprintf("nest-%d", e.Nest+1)
	}
	text := ""
	switch j := e.Job.(type) {
	case station.Capture:
		text = fmt.Sprintf(" %v %d x %d", j.Request.Kind, j.Request.Frames, j.Request.Shots)
		if j.Request.Compensated {
			text += " compensated"
		}
	case station.Show:
		v := j.Verdict
		text = fmt.Sprintf(" %s %s bin %d (%s) %s #%d attempt %d code %s", v.Serial, v.Outcome, v.HardBin, v.SoftName, v.Disposition, v.Sequence, v.Attempt, v.Code)
		if v.Again {
			text += " again"
		}
	case station.Announce:
		text = fmt.Sprintf(" %s: %s", j.Message.Code, j.Message.Code.Say(j.Message.Args))
	case station.Ignore:
		text = ": " + j.Why
	case station.SetTimer:
		text = " " + j.After.String()
	case station.Append:
		switch b := j.Body.(type) {
		case *record.Attempt:
			text = fmt.Sprintf(": %s %s, %d captures", b.Outcome, b.Judgement.Disposition, len(b.Captures))
		case *record.DispositionChange:
			text = fmt.Sprintf(": %s to %s (%s)", b.Serial, b.To, b.Code)
		case *record.Refusal:
			text = ": " + b.Code
		case *record.Stop:
			text = ": " + b.Code
		}
	case station.Identify:
		if j.Quick {
			text = " quick"
		}
	}
	return fmt.Sprintf("%s %s%s", who, jobName(e.Job), text)
}
