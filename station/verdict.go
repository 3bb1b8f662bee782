package station

import (
	"slices"
	"strconv"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/store/record"
)

// VerdictSchema names the form of a [Verdict] as a JSON line.
const VerdictSchema = "panecal.verdict/1"

// Outcome is how an attempt ended.
type Outcome = record.Outcome

// The outcomes.
const (
	Passed  = record.Passed
	Failed  = record.Failed  // the unit's fault
	Errored = record.Error   // the capture's, the line's or the station's fault: says nothing about the unit
	Aborted = record.Aborted // ended by a person or by shutdown
)

// Disposition is what happens with the unit.
type Disposition = record.Disposition

// The dispositions.
const (
	Release = record.Release
	Rework  = record.Rework
	Hold    = record.Hold
	Scrap   = record.Scrap
)

// Verdict is what a person, or a script, is told about one unit. It exists
// only for what is durably on record: Station, Generation and Sequence name
// that record. Its JSON form is stable.
type Verdict struct {
	Schema      string      `json:"schema"` // VerdictSchema
	Serial      string      `json:"serial"`
	Outcome     Outcome     `json:"outcome"`
	SoftBin     int         `json:"soft_bin"`
	SoftName    string      `json:"soft_bin_name"`
	HardBin     int         `json:"hard_bin"`
	Disposition Disposition `json:"disposition"`
	Sequence    uint64      `json:"sequence"`
	Generation  uint32      `json:"generation"`
	Station     string      `json:"station"`
	Nest        string      `json:"nest"`
	Purpose     Purpose     `json:"purpose"`
	Attempt     int         `json:"attempt"`         // 1 for the first judged attempt of this serial
	Code        Code        `json:"code"`            // see Codes
	Detail      string      `json:"detail"`          // the quantity out of limits, or what else the code's sentence names
	Other       string      `json:"other,omitempty"` // where the other unit of a contradiction was seen
	Instruction string      `json:"instruction"`     // one sentence
	// Args are what the code's sentence names, and Instructions the
	// instruction in the languages of the limits file; without one it is the
	// code's action.
	Args         Args        `json:"-"`
	Instructions limits.Text `json:"-"`
	Box          limits.Text `json:"-"` // what stands on the hard bin, in the languages of the limits file
	UnitID       string      `json:"unit_id"`
	InBox        string      `json:"box,omitempty"` // number of the box that a released unit goes into
	Signed       bool        `json:"signed"`        // limits, product and station sheet were signed
	At           time.Time   `json:"time"`          // when the record was made, UTC
	Again        bool        `json:"again"`         // shown again: the unit was not measured anew
	Marked       bool        `json:"released"`      // the released mark was read back from the unit
}

// Result is what was shown of a unit that has left its nest.
type Result struct {
	Verdict Verdict       // its Args name the label
	Gone    time.Time     // when it had left
	Shown   time.Duration // for how long it was shown before
}

// Released reports whether the unit may go on down the line.
func (v Verdict) Released() bool { return v.Outcome == Passed && v.Disposition == Release }

// show tells the verdict. Everything it says is on record.
func (m *Machine) show(n *nest) {
	m.rest(n)
	m.holdDecided(n)
	n.trouble, n.shown = nil, m.now
	m.enter(n, Showing)
	m.keepRecent(*n.verdict)
	m.emit(n.index, 0, Show{Verdict: *n.verdict})
	if m.gated(n.verdict.Purpose) {
		m.emit(n.index, 0, Tell{Verdict: *n.verdict})
	}
	m.followUp(n)
	if m.closing {
		m.end(n)
		return
	}
	m.probe(n)
}

// keepRecent keeps account of the newest results, each once.
func (m *Machine) keepRecent(v Verdict) {
	m.recent = slices.DeleteFunc(m.recent, func(o Verdict) bool { return o.Sequence == v.Sequence && o.Generation == v.Generation })
	m.recent = append([]Verdict{v}, m.recent[:min(len(m.recent), MaxRecent-1)]...)
}

// again shows a result that nobody may have seen, instead of a new attempt.
func (m *Machine) again(n *nest, e record.Entry, at Disposition) {
	m.announce(n.index, NoticeAgain, Args{Nest: n.sheet.Name, Label: n.label})
	m.recallVerdict(n, e, at)
	m.show(n)
}

// mayShow reports whether a result that nobody has seen still holds for the
// unit: one that passed must bear what was released.
func mayShow(e record.Entry, at Disposition, found []byte) bool {
	a := e.Body.(*record.Attempt)
	return a.Outcome != Passed || at != Release || bears(found, a)
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
	marked := at == Release && a.Outcome == Passed && bears(n.att.found, a)
	about := onRecord(detail)
	n.verdict = &Verdict{Schema: VerdictSchema, Serial: a.Run.Serial, Outcome: a.Outcome, SoftBin: a.Judgement.SoftBin,
		SoftName: a.Judgement.SoftName, HardBin: a.Judgement.HardBin, Disposition: at, Sequence: e.Ref.Sequence,
		Generation: e.Ref.Generation, Station: e.Ref.Station, Nest: n.sheet.Name, Purpose: a.Run.Purpose,
		Attempt: a.Run.AttemptNo, Code: code, Detail: detail, Other: detail, Instruction: a.Judgement.Instruction,
		Args:         Args{Nest: n.sheet.Name, Label: n.label, Bin: strconv.Itoa(a.Judgement.HardBin), Detail: about, Other: about},
		Instructions: m.files.instructions(code, a), Box: m.files.Limits.Box(a.Judgement.HardBin), InBox: a.Box, UnitID: a.Run.UnitID,
		Signed: a.Run.Limits.Signed && a.Run.Product.Signed && a.Run.Sheet.Signed, At: e.Time, Again: true, Marked: marked}
}

// onRecord is what a record says of a problem: a quantity by its name, else
// as it stands there.
func onRecord(detail string) Arg {
	if q, ok := quantity.Lookup(quantity.Name(detail)); ok {
		return OutOfLimits{Name: q.Name, Side: Unknown}
	}
	if detail == "" {
		return nil
	}
	return Verbatim(detail)
}

// actsByCode tells the codes whose action stands for the limits file's
// instruction.
func actsByCode(c Code) bool {
	return c == BrokenHold || c == BrokenUnmarked || c == BrokenMark || c == FailedReworks || c == BrokenDecided
}

// instructions finds the languages of an instruction on record: the files in
// force may be others than those that it was made by.
func (f *Files) instructions(c Code, a *record.Attempt) limits.Text {
	if actsByCode(c) {
		return limits.Text{}
	}
	plain := limits.Text{Plain: a.Judgement.Instruction}
	if a.Run.Limits.Rev != f.Limits.Revision {
		return plain
	}
	for _, l := range f.Limits.Limits {
		if l.Instruction.Plain == plain.Plain {
			return l.Instruction
		}
	}
	if b, ok := f.Limits.Bin(a.Judgement.SoftName); ok && b.Instruction.Plain == plain.Plain {
		return b.Instruction
	}
	return plain
}

// verdictNow makes the verdict of the attempt just recorded.
func (m *Machine) verdictNow(n *nest) Verdict {
	a := &n.att
	r := a.result
	args := Args{Nest: n.sheet.Name, Label: n.label, Bin: strconv.Itoa(r.HardBin), Detail: a.detail, Other: a.other}
	v := Verdict{Schema: VerdictSchema, Serial: n.serial, Outcome: n.outcome(), SoftBin: r.SoftBin, SoftName: r.SoftName,
		HardBin: r.HardBin, Disposition: Disposition(r.Disposition), Sequence: a.record.Sequence,
		Generation: a.record.Generation, Station: a.record.Station, Nest: n.sheet.Name, Purpose: n.purpose,
		Attempt: a.number, Code: a.code, Detail: said(a.detail), Args: args, Instruction: r.Instruction.Plain, Instructions: r.Instruction, Box: n.files.Limits.Box(r.HardBin), UnitID: n.unit.UnitID, InBox: a.box,
		Signed: n.files.Signed(), At: m.now}
	// What nothing is written into may bear the mark of an earlier attempt.
	v.Marked = !writes(n.purpose) && v.Released() && n.bearsMark()
	if a.other != nil {
		v.Detail, v.Other = said(a.other), said(a.other)
	}
	if actsByCode(v.Code) {
		v.Instructions = limits.Text{}
	}
	if n.purpose == Check && v.Outcome == Passed { // it is never anybody's product
		v.Instruction, v.Instructions = HandsChecked.Do(args), limits.Text{}
	}
	if v.Instruction == "" {
		v.Instruction = a.code.Do(args)
	}
	return v
}
