package station

import (
	"bytes"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/protocol"
	"example.org/panecal/store/record"
)

// broken ends an attempt that cannot be finished: emitter off first, then on
// record.
func (m *Machine) broken(n *nest, c Code, why string) {
	m.rest(n)
	n.problem(m.now, c, why)
	n.att.code, n.att.detail = c, why
	m.halt(n, func() { m.finish(n) })
}

// halt switches the emitter off on a way out, then goes on.
func (m *Machine) halt(n *nest, after func()) { m.haltBy(n, Halt{}, after) }

func (m *Machine) haltBy(n *nest, how Halt, after func()) {
	m.rest(n)
	m.enter(n, Halting)
	n.after = after
	m.ask(n, how)
}

func (m *Machine) halted(n *nest, _ Fact) { m.proceed(n) }

// watchdog is how long after the last valid request a unit switches its
// emitter off by itself.
const watchdog = time.Second

// notHalted: the unit did not say that its emitter is off. The operator is
// told so, and until the unit's own watchdog must have acted nothing follows
// and no other nest of the light group emits. On the way out there is no time.
func (m *Machine) notHalted(n *nest, f Failure) {
	n.problem(m.now, BrokenEmitter, f.Why)
	m.announce(n.index, BrokenEmitter, Args{Nest: n.sheet.Name, Label: n.label})
	if m.closing {
		m.darkened(n)
		return
	}
	m.sleep(n, watchdog)
}

func (m *Machine) darkened(n *nest) {
	m.dim(n)
	m.proceed(n)
}

func (m *Machine) proceed(n *nest) {
	after := n.after
	n.after = nil
	after()
}

// deviceTrouble is trouble with the unit within an attempt.
func (m *Machine) deviceTrouble(n *nest, f Failure) {
	code := BrokenLost
	switch f.Trouble {
	case Reset:
		code = BrokenReset
	case Denied:
		code = BrokenRefused
	}
	m.broken(n, code, f.Why)
}

// captureTrouble: a capture that ended early is taken again.
func (m *Machine) captureTrouble(n *nest, f Failure) {
	if f.Trouble == Short {
		m.bad(n, BadEnd, f.Why, nil)
		return
	}
	m.deviceTrouble(n, f)
}

// lookTrouble is captureTrouble while the field is watched: a look that ended
// early is one look less.
func (m *Machine) lookTrouble(n *nest, f Failure) {
	if f.Trouble == Short {
		m.sleep(n, lookEvery)
		return
	}
	m.deviceTrouble(n, f)
}

// voidTrouble: what the unit holds now is not known.
func (m *Machine) voidTrouble(n *nest, f Failure) {
	if f.Trouble == Denied {
		m.broken(n, BrokenRefused, f.Why)
		return
	}
	m.broken(n, BrokenContents, f.Why)
}

func (m *Machine) estimateTrouble(n *nest, f Failure) { m.broken(n, BrokenEstimate, f.Why) }

// fixtureTrouble ends the attempt and stops the nest.
func (m *Machine) fixtureTrouble(n *nest, f Failure) {
	n.stop = &Stop{Nest: n.index, Code: StopFixture, Args: Args{Nest: n.sheet.Name, Detail: f.Why}, Since: m.now}
	m.broken(n, BrokenFixture, f.Why)
}

// skip ends an attempt on the operator's word.
func (m *Machine) skip(n *nest) { m.broken(n, BrokenSkipped, "") }

// leaveAttempt ends an attempt at shutdown. Constants that are being written
// leave a unit of which nobody knows what it holds.
func (m *Machine) leaveAttempt(n *nest) {
	if n.step == Writing || n.step == Voiding {
		n.problem(m.now, BrokenContents, "closed while the unit's constants were changed")
	}
	m.broken(n, BrokenShutdown, m.closeWhy)
}

// leaveIdle ends a nest in which no attempt runs. A unit that is there is
// told to keep its emitter off.
func (m *Machine) leaveIdle(n *nest) {
	if n.unit.UnitID != "" {
		m.halt(n, func() { m.end(n) })
		return
	}
	m.end(n)
}

// finish judges what there is and makes it durable, captures first.
func (m *Machine) finish(n *nest) {
	m.rest(n)
	m.conclude(n)
	if len(n.att.captures) > 0 {
		m.enter(n, Saving)
		m.ask(n, Save{Captures: n.att.captures})
		return
	}
	m.putOnRecord(n)
}

func (m *Machine) saved(n *nest, f Fact) {
	n.att.refs = f.(Saved).Refs
	m.putOnRecord(n)
}

// conclude finds bin and disposition.
func (m *Machine) conclude(n *nest) {
	a, lim := &n.att, n.files.Limits
	// Nothing is released on trust: what passed must have been written, and
	// have come back the same.
	if a.code == "" && writes(n.purpose) && lim.Judge(a.quantities).Passed &&
		(a.readBack == nil || !bytes.Equal(a.readBack, a.written)) {
		a.code, a.detail = BrokenInternal, "passed without constants read back"
	}
	switch a.code {
	case "":
		a.result = lim.Judge(a.quantities)
	case FailedNoAnswer:
		a.result, _ = lim.JudgeAs(limits.NoAnswer, a.quantities)
	case FailedWrite, FailedReadBack, FailedVerify:
		a.result, _ = lim.JudgeAs(limits.Verify, a.quantities)
	case FailedLabel:
		a.result, _ = lim.JudgeAs(limits.Label, a.quantities)
	case BrokenSkipped, BrokenShutdown, BrokenPaused:
		a.result, _ = lim.JudgeAs(limits.Aborted, a.quantities)
	default:
		a.result, _ = lim.JudgeAs(limits.Capture, a.quantities)
	}
	switch {
	case a.code != "":
	case a.result.Passed && n.purpose == Engineering:
		m.holdBack(n, BrokenHold)
	case a.result.Passed && n.purpose == Audit && !n.bearsMark():
		m.holdBack(n, BrokenUnmarked)
	case a.result.Passed:
		a.code = NoticePassed
	case a.result.SoftName == limits.Verify:
		a.code, a.detail = FailedVerify, string(a.result.Decided)
	default:
		a.code, a.detail = FailedLimits, string(a.result.Decided)
	}
}

// holdBack keeps a unit that passed from going on.
func (m *Machine) holdBack(n *nest, c Code) {
	hold, _ := n.files.Limits.Bin(limits.Capture)
	n.att.code = c
	n.att.result.Disposition, n.att.result.HardBin = limits.Hold, hold.Hard.Number
	n.att.result.Instruction = c.Do(Args{Nest: n.sheet.Name, Label: n.label, Bin: itoa(hold.Hard.Number)})
}

// bearsMark reports whether the unit was found with released constants.
func (n *nest) bearsMark() bool {
	b := n.adjusted()
	return b != nil && b.State == protocol.Released
}

func (m *Machine) putOnRecord(n *nest) {
	m.enter(n, Recording)
	m.ask(n, Append{Body: m.attemptRecord(n)})
}

// recorded: the result is durable. Only now may anybody be told, and only
// now may the unit be marked.
func (m *Machine) recorded(n *nest, f Fact) {
	n.att.record = f.(Stored).Ref
	n.att.result.Outcome = string(n.outcome())
	m.count(n)
	m.noteHold(n.purpose, n.serial, Disposition(n.att.result.Disposition))
	m.noteCheck(n.purpose, n.outcome(), m.now)
	delete(m.unseen, n.serial)
	v := m.verdictNow(n)
	n.verdict = &v
	switch {
	case v.Released() && n.purpose == Production:
		m.mark(n)
	case len(n.queue) > 0:
		m.change(n, func() { m.show(n) })
	default:
		m.show(n)
	}
}

func (n *nest) outcome() Outcome { return Outcome(n.att.result.Outcome) }

// mark puts the released mark into the unit.
func (m *Machine) mark(n *nest) {
	raw, err := releasedForm(n.att.written)
	if err != nil {
		m.notMarked(n, Failure{Broke, err.Error()})
		return
	}
	m.enter(n, Releasing)
	m.ask(n, Mark{Block: raw})
}

// releasedForm is a block with nothing changed but its state.
func releasedForm(written []byte) ([]byte, error) {
	b, err := protocol.ParseBlock(written)
	if err != nil {
		return nil, err
	}
	b.State = protocol.Released
	return b.Marshal()
}

func (m *Machine) marked(n *nest, f Fact) {
	want, err := releasedForm(n.att.written)
	if got := f.(BlockRead).Raw; err != nil || !bytes.Equal(got, want) {
		m.notMarked(n, Failure{Broke, "the block read back does not bear the released mark"})
		return
	}
	if n.verdict.Again { // the mark was all that was missing
		ref := n.att.record
		n.queue = append(n.queue, &record.DispositionChange{Attempt: &ref, Serial: n.serial, UnitID: n.unit.UnitID,
			From: Hold, To: Release, Code: string(NoticeResolved), Why: "released mark confirmed", By: "station"})
		m.announce(n.index, NoticeResolved, Args{Nest: n.sheet.Name, Label: n.label})
		m.change(n, func() { m.show(n) })
		return
	}
	m.show(n)
}

// notMarked: the unit stays on hold until the mark is confirmed, which its
// next contact does. That too is put on record before it is shown.
func (m *Machine) notMarked(n *nest, f Failure) {
	m.rest(n)
	hold, _ := n.files.Limits.Bin(limits.Capture)
	v := n.verdict
	v.Disposition, v.HardBin, v.Code, v.Detail = Hold, hold.Hard.Number, BrokenMark, f.Why
	v.Instruction = BrokenMark.Do(Args{Label: n.label, Nest: n.sheet.Name})
	m.counters.Held++
	ref := n.att.record
	n.queue = append(n.queue, &record.DispositionChange{Attempt: &ref, Serial: n.serial, UnitID: n.unit.UnitID,
		From: Release, To: Hold, Code: string(BrokenMark), Why: f.Why, By: "station"})
	m.change(n, func() { m.show(n) })
}

// change makes the queued records durable, then goes on.
func (m *Machine) change(n *nest, after func()) {
	m.enter(n, Changing)
	n.after = after
	m.ask(n, Append{Body: n.queue[0]})
}

func (m *Machine) changed(n *nest, _ Fact) {
	if c, ok := n.queue[0].(*record.DispositionChange); ok {
		m.noteHold(m.cfg.Purpose, c.Serial, c.To)
	}
	n.queue = n.queue[1:]
	if len(n.queue) > 0 {
		m.ask(n, Append{Body: n.queue[0]})
		return
	}
	m.proceed(n)
}

// show tells the verdict. Everything it says is on record.
func (m *Machine) show(n *nest) {
	m.rest(n)
	n.trouble = nil
	m.enter(n, Showing)
	m.emit(n.index, 0, Show{Verdict: *n.verdict})
	if m.cfg.Gate {
		m.emit(n.index, 0, Tell{Verdict: *n.verdict})
	}
	m.followUp(n)
	if m.closing {
		m.end(n)
		return
	}
	m.probe(n)
}

// resolve gives a unit that passed the mark that it lacks.
func (m *Machine) resolve(n *nest, h history) {
	n.att.written = h.lastAttempt().Constants.Written
	m.recallVerdict(n, *h.last, Release)
	m.mark(n)
}

// again shows a result that nobody may have seen, instead of a new attempt.
func (m *Machine) again(n *nest, e record.Entry, at Disposition) {
	m.announce(n.index, NoticeAgain, Args{Nest: n.sheet.Name, Label: n.label})
	m.recallVerdict(n, e, at)
	m.show(n)
}

// showAgain: the unit that is still there is the one whose result nobody may
// have seen before the station was started.
func (m *Machine) showAgain(n *nest, id protocol.Identity) bool {
	for serial, e := range m.unseen {
		a := e.Body.(*record.Attempt)
		if id.UnitID == "" || a.Run.UnitID != id.UnitID || a.Run.Nest != n.sheet.Name {
			continue
		}
		n.unit = id
		m.expect(n, openLabel{text: a.Run.Label, serial: serial, files: m.files})
		return true
	}
	return false
}

// recallVerdict makes a recorded result the nest's verdict.
func (m *Machine) recallVerdict(n *nest, e record.Entry, at Disposition) {
	a := e.Body.(*record.Attempt)
	n.att.record, n.att.number = e.Ref, a.Run.AttemptNo
	code, detail := NoticePassed, ""
	if k := len(a.Problems); k > 0 && a.Outcome != Passed {
		code, detail = Code(a.Problems[k-1].Code), a.Problems[k-1].Chain
	}
	n.verdict = &Verdict{Schema: VerdictSchema, Serial: a.Run.Serial, Outcome: a.Outcome, SoftBin: a.Judgement.SoftBin,
		SoftName: a.Judgement.SoftName, HardBin: a.Judgement.HardBin, Disposition: at, Sequence: e.Ref.Sequence,
		Generation: e.Ref.Generation, Station: e.Ref.Station, Nest: n.sheet.Name, Purpose: a.Run.Purpose,
		Attempt: a.Run.AttemptNo, Code: code, Detail: detail, Other: detail, Instruction: a.Judgement.Instruction, UnitID: a.Run.UnitID,
		Signed: a.Run.Limits.Signed && a.Run.Product.Signed && a.Run.Sheet.Signed, At: e.Time, Again: true}
}

// verdictNow makes the verdict of the attempt just recorded.
func (m *Machine) verdictNow(n *nest) Verdict {
	a := &n.att
	r := a.result
	args := Args{Nest: n.sheet.Name, Label: n.label, Bin: itoa(r.HardBin), Detail: a.detail, Other: a.other}
	v := Verdict{Schema: VerdictSchema, Serial: n.serial, Outcome: n.outcome(), SoftBin: r.SoftBin, SoftName: r.SoftName,
		HardBin: r.HardBin, Disposition: Disposition(r.Disposition), Sequence: a.record.Sequence,
		Generation: a.record.Generation, Station: a.record.Station, Nest: n.sheet.Name, Purpose: n.purpose,
		Attempt: a.number, Code: a.code, Detail: a.detail, Instruction: r.Instruction, UnitID: n.unit.UnitID,
		Signed: n.files.Signed(), At: m.now}
	if a.other != "" {
		v.Detail, v.Other = a.other, a.other
	}
	if n.purpose == Check && v.Outcome == Passed { // it is never anybody's product
		v.Instruction = HandsChecked.Do(args)
	}
	if v.Instruction == "" {
		v.Instruction = a.code.Do(args)
	}
	return v
}

// count enters the attempt into the figures.
func (m *Machine) count(n *nest) {
	r := &n.att.result
	if Disposition(r.Disposition) == Hold {
		m.counters.Held++
	}
	if !counted(n.purpose) || n.outcome() != Passed && n.outcome() != Failed {
		return
	}
	c := &m.counters
	c.Units++
	if n.outcome() == Passed {
		c.Passed++
	} else {
		c.Failed++
		c.tally(r.SoftBin, r.SoftName)
	}
	if n.att.number == 1 {
		c.First++
		if n.outcome() == Passed {
			c.FirstPassed++
		}
	}
	m.judged = append(m.judged, m.now)
}

// perHour is the rate over the last hour, or since the first unit in it. A few
// units in a few minutes say nothing about an hour.
func (m *Machine) perHour() float64 {
	const units, minutes = 5, 10
	if len(m.judged) < 2 {
		return nan
	}
	span := m.judged[len(m.judged)-1].Sub(m.judged[0])
	if span <= 0 || len(m.judged) < units && span < minutes*time.Minute {
		return nan
	}
	return float64(len(m.judged)-1) / span.Hours()
}

const shiftWithinMM = 1.0 // offsets that far apart count as the same distance

// followUp stops a nest whose results in a row speak against the nest rather
// than against the units.
func (m *Machine) followUp(n *nest) {
	if n.verdict.Again {
		return
	}
	n.silentRow++
	if n.att.code != FailedNoAnswer {
		n.silentRow = 0
	}
	if n.silentRow >= m.cfg.InARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopNoAnswer, Since: m.now,
			Args: Args{Nest: n.sheet.Name, Detail: itoa(n.silentRow)}}
	}
	if n.purpose == Check {
		m.followCheck(n)
		return
	}
	m.followShift(n)
	m.followSame(n)
}

// followShift watches for units that are all off by the same distance, where
// no end stop tells the target's place from the units' offsets.
func (m *Machine) followShift(n *nest) {
	o, measured := n.att.quantities["offset.mean"]
	if n.att.code != FailedLimits || n.att.detail != "offset.mean" || !measured || n.sheet.EndStop {
		if n.outcome() == Passed {
			n.shifts = nil
		}
		return
	}
	if k := len(n.shifts); k > 0 && abs(n.shifts[k-1]-o.V) > shiftWithinMM {
		n.shifts = nil
	}
	n.shifts = append(n.shifts, o.V)
	if len(n.shifts) >= m.cfg.InARow && n.stop == nil {
		n.stop = &Stop{Nest: n.index, Code: StopShift, Since: m.now,
			Args: Args{Nest: n.sheet.Name, Detail: itoa(len(n.shifts))}}
	}
}

// learn notes how long a step took.
func (m *Machine) learn(n *nest) {
	took := m.now.Sub(n.since)
	if n.att.intent != nil && !n.since.IsZero() {
		n.att.stages = append(n.att.stages, record.Stage{Name: n.step.String(), TookUS: took.Microseconds()})
	}
	if !machineStep[n.step] || n.since.IsZero() {
		return
	}
	// A slow mean: one odd unit does not make the screen promise nonsense.
	if old, known := m.pace[n.step]; known {
		took = old + (took-old)/4
	}
	m.pace[n.step] = max(took, time.Duration(0))
}
