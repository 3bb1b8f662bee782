package station_test

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// watch holds the promises against what really is, after each event:
//
//	N  no acknowledged record is lost
//	S  no unit is shown as released without a durable record whose constants
//	   equal those in the unit, and are its own
//	E  the emitter is off within a second of every way out, and before the
//	   result goes on record, or the operator is told
//	M  people see what happened and what to do now; nothing is stuck
type watch struct {
	d      *day
	broken []string
	doing  deed

	steps       []station.Step // of the nests, at the last look
	lastWritten map[int][]byte
	open        []map[station.Token]bool // by nest: what will be answered
	due         map[uint64]showDue
	seen        map[uint64]bool
	owed        map[int]string // by nest: label to be scanned at the reject box
	told        map[int]bool   // by nest: the emitter may be on
	stale       map[int]bool   // by nest: the computer slept since it was measured
	troubled    bool           // died, or the store failed
	fields      map[station.Code][]string

	tally tally
}

type showDue struct {
	at   time.Time
	nest string
}

// tally counts what was tried.
type tally struct {
	attempts, verdicts, released, events, days, deaths, boxed int
	struck                                                    map[string]int
}

func (t *tally) add(o tally) {
	t.attempts, t.verdicts, t.released = t.attempts+o.attempts, t.verdicts+o.verdicts, t.released+o.released
	t.events, t.days, t.deaths, t.boxed = t.events+o.events, t.days+o.days, t.deaths+o.deaths, t.boxed+o.boxed
	for k, n := range o.struck {
		t.struck[k] += n
	}
}

func (w *watch) begin(d *day) {
	*w = watch{d: d, lastWritten: map[int][]byte{}, due: map[uint64]showDue{}, seen: map[uint64]bool{}, owed: map[int]string{}, told: map[int]bool{}, stale: map[int]bool{},
		fields: meaningFields(), tally: tally{days: 1, struck: map[string]int{}}}
	w.forget()
}

// meaningFields lists the placeholders of each code.
func meaningFields() map[station.Code][]string {
	all := map[station.Code][]string{}
	for _, m := range station.Codes() {
		all[m.Code] = nil
		for _, f := range []string{"nest", "label", "bin", "other", "detail"} {
			if strings.Contains(m.Sentence+m.Action, "{"+f+"}") {
				all[m.Code] = append(all[m.Code], f)
			}
		}
	}
	return all
}

func (w *watch) forget() {
	w.open = nil
	for range w.d.set.nests {
		w.open = append(w.open, map[station.Token]bool{})
	}
	clear(w.due)
	clear(w.owed)
	clear(w.told)
	clear(w.stale)
}

func (w *watch) broke(promise, text string, args ...any) {
	w.broken = append(w.broken, fmt.Sprintf("%s: %s (at %v, during %q)", promise, fmt.Sprintf(text, args...),
		w.d.now.Format("15:04:05.000"), w.doing.what))
}

func (w *watch) struck(what string) { w.tally.struck[what]++ }

func (w *watch) died() {
	w.tally.deaths++
	w.troubled = true
	w.forget()
}

// slept: what was measured before may not be written afterwards.
func (w *watch) slept(span time.Duration) {
	for i, n := range w.steps {
		if span > 4*time.Second && n >= station.EmptyCapture && n <= station.WriteIntending {
			w.stale[i] = true
		}
	}
	for seq, s := range w.due {
		s.at = s.at.Add(span)
		w.due[seq] = s
	}
}

// restarted: everything that was acknowledged is there.
func (w *watch) restarted() {
	l := w.d.ledger
	for _, ref := range l.acked {
		if _, there := l.durable(ref); !there {
			w.broke("N", "record %v was acknowledged and is gone after a restart", ref)
			return
		}
	}
	w.forget()
}

func (w *watch) timer(e station.Effect) { w.open[e.Nest][e.Token] = true }
func (w *watch) ordered(e station.Effect) {
	if e.Token != 0 {
		w.open[e.Nest][e.Token] = true
	}
	w.allowed(e)
}

func (w *watch) answered(e station.Effect) { delete(w.open[e.Nest], e.Token) }

// allowed is the promised order: what is done to a unit has its record.
func (w *watch) allowed(e station.Effect) {
	switch e.Job.(type) {
	case station.Void, station.Write, station.Mark:
		if w.d.set.purpose != station.Production {
			w.broke("S", "%s in a run that writes nothing", jobName(e.Job))
		}
	}
	var block []byte
	kind := record.KindWriteIntent
	switch j := e.Job.(type) {
	case station.Write:
		block = j.Block
	case station.Mark:
		block, kind = j.Block, record.KindAttempt
	default:
		return
	}
	if kind == record.KindWriteIntent && w.stale[e.Nest] {
		w.broke("S", "%s of what was measured before the computer slept", jobName(e.Job))
	}
	b, err := protocol.ParseBlock(block)
	if err != nil {
		w.broke("S", "a block is written that is none: %v", err)
		return
	}
	b.State = protocol.Written
	raw, _ := b.Marshal()
	body, _ := b.Body()
	for _, x := range slices.Backward(w.d.ledger.entries[:w.d.ledger.synced]) {
		switch r := x.Body.(type) {
		case *record.WriteIntent:
			if kind == record.KindWriteIntent && bytes.Equal(r.Body, body) && x.Ref.Sequence == b.Witness.Sequence {
				return
			}
		case *record.Attempt:
			if kind == record.KindAttempt && r.Outcome == station.Passed && r.Constants != nil && bytes.Equal(r.Constants.Written, raw) {
				return
			}
		}
	}
	if w.d.bug != dropSync {
		w.broke("S", "%s without the record that allows it", jobName(e.Job))
	}
}

func (w *watch) appending(b record.Body) {
	switch r := b.(type) {
	case *record.AttemptIntent:
		w.tally.attempts++
		delete(w.stale, w.nestOf(r.Run.Nest))
		if nest := w.nestOf(r.Run.Nest); w.owed[nest] != "" {
			w.broke("M", "%s starts before %q was scanned at the reject box", r.Run.Nest, w.owed[nest])
		}
		if r.Run.Purpose == station.Production {
			w.unseen(r)
		}
	case *record.Attempt:
		w.ending(r)
	case *record.Refusal:
		if r.Code == string(station.RefusedPassed) {
			w.passedBefore(r)
		}
	}
}

// passedBefore: a unit that is sent to the passed ones holds what was
// released.
func (w *watch) passedBefore(r *record.Refusal) {
	for _, e := range slices.Backward(w.d.ledger.bySerial[r.Serial]) {
		if a, ok := e.Body.(*record.Attempt); ok {
			w.releasable(station.Verdict{Serial: r.Serial, UnitID: r.UnitID}, a)
			return
		}
	}
	w.broke("S", "%s is said to have passed before, and did not", r.Serial)
}

func (w *watch) nestOf(name string) int {
	return slices.IndexFunc(w.d.files.Sheet.Nests, func(n product.Nest) bool { return n.Name == name })
}

// unseen: a result that nobody has seen is shown again, not measured again.
func (w *watch) unseen(r *record.AttemptIntent) {
	list := w.d.ledger.bySerial[r.Run.Serial]
	for _, e := range slices.Backward(list) {
		a, ok := e.Body.(*record.Attempt)
		if !ok || a.Intent == nil {
			continue
		}
		if !w.seen[e.Ref.Sequence] {
			w.broke("M", "%s runs again, and nobody has seen result %v", r.Run.Serial, e.Ref)
		}
		return
	}
}

// ending is asked when a result is about to go on record.
func (w *watch) ending(a *record.Attempt) {
	codes := map[string]bool{}
	for _, p := range a.Problems {
		codes[p.Code] = true
	}
	if a.Outcome != station.Passed && len(codes) == 0 {
		w.broke("M", "%s %s, and the record does not say why", a.Run.Serial, a.Outcome)
	}
	nest := w.nestOf(a.Run.Nest)
	if u := w.d.places[nest].piece; u != nil && w.d.emitting(nest) && !codes[string(station.BrokenEmitter)] {
		w.broke("E", "the unit in %s still emits when its result goes on record, and nobody is told", a.Run.Nest)
	}
}

// stored: the machine is told that a record is durable.
func (w *watch) stored(ref record.Ref, b record.Body) {
	if a, ok := b.(*record.Attempt); ok {
		w.due[ref.Sequence] = showDue{w.d.now.Add(time.Minute), a.Run.Nest}
	}
}

// shown holds a verdict against the log and the unit.
func (w *watch) shown(v station.Verdict) {
	w.tally.verdicts++
	w.seen[v.Sequence] = true
	delete(w.due, v.Sequence)
	w.speaks(v.Code, station.Args{Nest: "n", Label: v.Serial, Bin: "0", Other: v.Args.Other, Detail: v.Args.Detail})
	if v.Instruction == "" || strings.Contains(v.Instruction, "{") || strings.Contains(v.Instruction, "bin .") {
		w.broke("M", "verdict %s of %s tells nothing to do: %q", v.Code, v.Serial, v.Instruction)
	}
	l := w.d.ledger
	i := int(v.Sequence) - 1
	var a *record.Attempt
	if i >= 0 && i < len(l.entries) && l.entries[i].Ref.Generation == v.Generation && l.entries[i].Ref.Station == v.Station {
		a, _ = l.entries[i].Body.(*record.Attempt)
	}
	if a == nil || !slices.Contains(l.acked, l.entries[i].Ref) && !v.Again {
		w.broke("S", "verdict on %s without a record", v.Serial)
		return
	}
	at := a.Judgement.Disposition
	for _, e := range l.entries[i:] {
		if c, ok := e.Body.(*record.DispositionChange); ok && c.Attempt != nil && c.Attempt.Sequence == v.Sequence {
			at = c.To
		}
	}
	if a.Outcome != v.Outcome || at != v.Disposition || a.Run.Serial != v.Serial || a.Run.UnitID != v.UnitID {
		w.broke("S", "%s %s %s is shown, on record is %s %s %s", v.Serial, v.Outcome, v.Disposition, a.Run.Serial, a.Outcome, at)
		return
	}
	if nest := w.nestOf(v.Nest); !v.Released() && !v.Again && w.d.set.reject && nest >= 0 {
		w.owed[nest] = a.Run.Label
	}
	if v.Released() && v.Purpose == station.Production {
		w.tally.released++
		w.releasable(v, a)
	}
}

// releasable: the unit holds what the record says, marked, and it is its own.
func (w *watch) releasable(v station.Verdict, a *record.Attempt) {
	i := slices.IndexFunc(w.d.lot, func(u *piece) bool { return u.id.UnitID == v.UnitID })
	if i < 0 {
		w.broke("S", "%s is released, and no unit says %q", v.Serial, v.UnitID)
		return
	}
	u := w.d.lot[i]
	b, err := protocol.ParseBlock(u.block)
	if err != nil || b.State != protocol.Released {
		if v.Again && u.in < 0 {
			return // shown again from the record before the unit was met
		}
		w.broke("S", "%s is released, and its unit holds no released constants: %v", v.Serial, err)
		return
	}
	b.State = protocol.Written
	raw, _ := b.Marshal()
	if a.Constants == nil || !bytes.Equal(raw, a.Constants.Written) || !bytes.Equal(raw, a.Constants.ReadBack) {
		w.broke("S", "%s is released with constants that are not on record", v.Serial)
	}
	if math.Abs(b.LeakageRate(0)-u.leak) > 1e-5 || math.Abs(b.OffsetMillimetres(0)-u.offset) > 0.01 {
		w.broke("S", "%s is released with the constants of another unit: leakage %v, is %v; offset %v, is %v",
			v.Serial, b.LeakageRate(0), u.leak, b.OffsetMillimetres(0), u.offset)
	}
	intent, ok := w.d.ledger.durable(*a.WriteIntent)
	if wi, is := intent.Body.(*record.WriteIntent); w.d.bug != dropSync && (!ok || !is || wi.UnitID != v.UnitID) {
		w.broke("S", "%s is released without a write intent", v.Serial)
	}
	switch {
	case a.Run.LabelConfirmed && a.Run.Serial != u.serial:
		w.broke("S", "unit %s is released as %s, confirmed", u.serial, v.Serial)
	case !a.Run.LabelConfirmed && a.Run.Serial != u.sticker && !u.blamed && !u.flickered:
		w.broke("S", "the unit that carries label %s is released as %s", u.sticker, v.Serial)
	}
}

// boxed: a person puts a unit where the screen says.
func (w *watch) boxed(u *piece, v station.Verdict) {
	w.tally.boxed++
	if v.Released() && v.UnitID != u.id.UnitID && !u.flickered {
		since := w.d.now.Sub(u.seated)
		if since > 2*time.Second {
			w.broke("S", "unit %s lies in the nest for %v, and the release of %s is shown", u.serial, since, v.Serial)
		}
	}
}

func (w *watch) said(m station.Message) {
	w.speaks(m.Code, m.Args)
	if m.Code == station.BrokenEmitter {
		w.told[m.Nest] = true
	}
}

func text(a station.Arg) string {
	if a == nil {
		return ""
	}
	return a.String()
}

// speaks: what is said names everything that its sentence names.
func (w *watch) speaks(c station.Code, a station.Args) {
	fields, known := w.fields[c]
	if !known {
		w.broke("M", "%q has no sentence", c)
	}
	for _, f := range fields {
		if v := map[string]string{"nest": a.Nest, "label": a.Label, "bin": a.Bin, "other": text(a.Other), "detail": text(a.Detail)}[f]; v == "" {
			w.broke("M", "%q is said without its %s: %q", c, f, c.Say(a)+" "+c.Do(a))
		}
	}
}

// look is asked after each event.
func (w *watch) look() {
	w.tally.events++
	d := w.d
	s := d.machine.Snapshot()
	if s.Hands.Code == "" && !s.Closed {
		w.broke("M", "the screen tells the hands nothing: %v", stepsOf(s))
	} else if !s.Closed {
		w.speaks(s.Hands.Code, s.Hands.Args)
	}
	w.steps = w.steps[:0]
	for i, v := range s.Nests {
		w.steps = append(w.steps, v.Step)
		if len(w.open[i]) == 0 && v.Step != station.Rejecting && v.Step != station.Stopped && v.Step != station.Ended && !v.Waiting {
			w.broke("M", "%s is stuck in %v: nothing is awaited", v.Name, v.Step)
		}
	}
	for seq, due := range w.due {
		n := s.Nests[w.nestOf(due.nest)]
		if d.now.After(due.at) && n.Step != station.Stopped && !s.Closing && len(d.slow) == 0 {
			w.broke("M", "result %d is on record, and %s has shown no verdict: %v", seq, due.nest, n.Step)
		}
	}
	w.together()
}

// together: lasers of one light group do not fire at once.
func (w *watch) together() {
	if w.d.set.one == "" {
		return
	}
	var lit []int
	for i := range w.d.places {
		if w.d.emitting(i) {
			lit = append(lit, i)
		}
	}
	if len(lit) > 1 {
		w.broke("E", "nests %v of one light group emit together", lit)
	}
}

// dark: on the way out every emitter is off, or its nest is named.
func (w *watch) dark(when string) {
	for i := range w.d.places {
		if w.d.emitting(i) && !w.told[i] {
			w.broke("E", "%s the unit in nest %d emits, and nobody is told", when, i+1)
		}
	}
}

// over is asked at the end of a day: an attempt that began has its result,
// unless the program died or the log failed meanwhile.
func (w *watch) over() {
	w.restarted()
	results := map[record.Ref]bool{}
	for _, e := range w.d.ledger.entries {
		if a, ok := e.Body.(*record.Attempt); ok && a.Intent != nil {
			results[*a.Intent] = true
		}
	}
	for _, e := range w.d.ledger.entries {
		if _, ok := e.Body.(*record.AttemptIntent); ok && !results[e.Ref] && !w.troubled && w.tally.deaths <= 1 {
			w.broke("N", "attempt %v began and has no result", e.Ref)
		}
	}
}
