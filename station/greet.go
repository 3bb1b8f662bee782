package station

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station/estimate"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// begin starts the account of an attempt.
func (m *Machine) begin(n *nest) {
	n.att = attempt{began: m.now, crew: m.crew, tempCel: math.NaN(), quantities: quantity.Set{}}
	if n.next != nil && n.files != n.next {
		n.files, n.stood = n.next, scene{}
		m.announce(n.index, NoticeFiles, Args{Nest: n.sheet.Name})
	}
	n.sheet = n.files.Sheet.Nests[n.index]
}

// greet meets a unit whose label is known: is it what the station is set up
// for?
func (m *Machine) greet(n *nest, id protocol.Identity) {
	m.rest(n)
	n.unit, n.quiet, n.trouble = id, 0, nil
	m.begin(n)
	if due := n.sheet.Due; !due.IsZero() && m.now.After(due) {
		m.stopNest(n, StopDue, Args{Detail: due.Format("2006-01-02")})
		return
	}
	if code, a := n.files.mismatch(id); code != "" {
		m.refuse(n, code, a)
		return
	}
	m.enter(n, Greeting)
	m.ask(n, Report{})
}

// mismatch compares what the unit says of itself with the product file.
func (f *Files) mismatch(id protocol.Identity) (Code, Args) {
	p, s := f.Product, f.Product.Setup
	shape := func(what string, is, want any) (Code, Args) {
		return RefusedShape, Args{Detail: fmt.Sprintf("%s is %v, not %v", what, is, want)}
	}
	switch {
	case id.Product != p.Name:
		return RefusedProduct, Args{Detail: id.Product, Other: p.Name}
	case id.ProtoLow > protocol.Version || id.ProtoHigh < protocol.Version:
		return RefusedVersion, Args{Detail: fmt.Sprintf("%d to %d", id.ProtoLow, id.ProtoHigh), Other: fmt.Sprint(protocol.Version)}
	case !slices.Contains(p.Firmware, id.Firmware):
		return RefusedFirmware, Args{Detail: id.Firmware}
	case id.Rows != s.Grid.Rows || id.Cols != s.Grid.Cols:
		return shape("the grid", fmt.Sprintf("%dx%d", id.Rows, id.Cols), fmt.Sprintf("%dx%d", s.Grid.Rows, s.Grid.Cols))
	}
	if p.Reports == product.ReportsSummary {
		if !id.Kinds.Has(protocol.Ranges) {
			return shape("ranges", "missing", "reported")
		}
		return "", Args{}
	}
	const psPerFS = 1e-3
	switch {
	case !id.Kinds.Has(protocol.Histograms):
		return shape("histograms", "missing", "reported")
	case id.Bins != s.Bins:
		return shape("the number of bins", id.Bins, s.Bins)
	case !near(float64(id.BinFS)*psPerFS, s.BinPS):
		return shape("the bin width in ps", float64(id.BinFS)*psPerFS, s.BinPS)
	case !near(float64(id.FirstBinFS)*psPerFS, s.FirstBinPS):
		return shape("the first bin in ps", float64(id.FirstBinFS)*psPerFS, s.FirstBinPS)
	case pileUp(s.PileUp) != id.PileUp:
		return shape("pile-up", id.PileUp, pileUp(s.PileUp))
	case f.unitRanges() && !id.Kinds.Has(protocol.Ranges):
		return shape("ranges", "missing", "reported")
	}
	return "", Args{}
}

// near: the wire carries whole femtoseconds.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-3 }

// reported: the unit is well, as far as it can tell.
func (m *Machine) reported(n *nest, f Fact) {
	s := f.(Reported).Status
	n.att.tempCel = float64(s.TempMilliCel) / 1000
	// Constants that are no whole block are what the station mends.
	if faults := s.Faults &^ protocol.FaultConstants; faults != 0 {
		m.refuse(n, RefusedUnitFault, Args{Detail: fmt.Sprintf("%#x", faults)})
		return
	}
	m.enter(n, Reading)
	m.ask(n, ReadBlock{})
}

// read: the block found in the unit is known.
func (m *Machine) read(n *nest, f Fact) {
	n.att.found = f.(BlockRead).Raw
	m.enter(n, Recalling)
	m.ask(n, Recall{Serial: n.serial, UnitID: n.unit.UnitID})
}

// earlyTries is how often a unit may say who it is and then fall silent.
const earlyTries = 3

// early is trouble before the attempt began: nothing has been done to the
// unit, so it gets its time to answer again.
func (m *Machine) early(n *nest, f Failure) {
	switch {
	case f.Trouble == Broke:
		m.lostPort(n, f)
	case f.Trouble == Denied:
		m.refuse(n, BrokenRefused, Args{Detail: f.Why})
	case n.early+1 >= earlyTries:
		m.noAnswer(n)
	default:
		n.early++
		m.rest(n)
		m.enter(n, Expected)
		m.sleep(n, probeEvery)
	}
}

// recalled decides, from all that is known of label and unit, whether an
// attempt may begin.
func (m *Machine) recalled(n *nest, f Fact) {
	if m.closing {
		m.end(n)
		return
	}
	h := newHistory(f.(Recalled), n.serial, n.unit.UnitID, n.purpose)
	n.att.number = h.judged + 1
	tie := n.files.tie(n.serial, n.unit)
	n.att.tie, n.att.confirmed = tie.how, tie.confirmed
	if n.mute {
		m.intend(n)
		return
	}
	if tie.unlisted {
		m.refuse(n, RefusedUnlisted, Args{})
		return
	}
	if tie.wrong || len(h.conflicts) > 0 {
		m.contradiction(n, h, tie)
		return
	}
	if h.unfinished {
		m.announce(n.index, NoticeUnfinished, Args{Nest: n.sheet.Name, Label: n.label})
	}
	if n.inForce() != nil && !writes(n.purpose) && n.files.Product.Setup.Ranging != estimate.RangingMean {
		m.refuse(n, RefusedShape, Args{Detail: "it cannot range without its constants, and they cannot be added back"})
		return
	}
	if !counted(n.purpose) {
		m.admit(n)
		return
	}
	most := n.files.Product.Retest.MaxAttempts
	switch e, unseen := m.unseen[n.serial]; {
	case h.resolvable(n.att.found):
		m.resolve(n, h)
	case unseen && mayShow(e, h.dispositionOf(e), n.att.found):
		m.again(n, e, h.dispositionOf(e))
	case h.released(n.att.found) && !n.files.Product.Retest.AfterPass:
		m.refuse(n, RefusedPassed, Args{})
	case most > 0 && h.judged >= most:
		m.refuse(n, RefusedCap, Args{Detail: fmt.Sprint(most)})
	case h.released(n.att.found):
		m.enter(n, Confirming)
		m.sleep(n, probeEvery)
	default:
		m.admit(n)
	}
}

// mayShow reports whether a result that nobody has seen still holds for the
// unit: one that passed must bear what was released.
func mayShow(e record.Entry, at Disposition, found []byte) bool {
	a := e.Body.(*record.Attempt)
	return a.Outcome != Passed || at != Release || bears(found, a)
}

// admit lets the unit begin, if the gate agrees.
func (m *Machine) admit(n *nest) {
	if m.cfg.Gate {
		m.enter(n, Asking)
		m.ask(n, Ask{Serial: n.serial, UnitID: n.unit.UnitID})
		return
	}
	m.intend(n)
}

func (m *Machine) allowed(n *nest, _ Fact) { m.intend(n) }

func (m *Machine) notAllowed(n *nest, f Failure) { m.refuse(n, RefusedGate, Args{Detail: f.Why}) }

// stillConfirming watches a unit whose rerun nobody has confirmed yet. What
// is confirmed is this unit, and no other that has taken its place.
func (m *Machine) stillConfirming(n *nest, f Fact) {
	if f.(Identified).Identity.UnitID != n.unit.UnitID {
		n.quiet = 0
		m.left(n)
		return
	}
	n.quiet = 0
	m.sleep(n, probeEvery)
}

// intend makes the attempt's intent durable before anything is done to the
// unit.
func (m *Machine) intend(n *nest) {
	m.rest(n)
	m.enter(n, Intending)
	m.ask(n, Append{Body: &record.AttemptIntent{Run: m.run(n), BlockFound: n.att.found}})
}

// intended: the attempt has begun.
func (m *Machine) intended(n *nest, f Fact) {
	ref := f.(Stored).Ref
	n.att.intent = &ref
	block, err := protocol.ParseBlock(n.att.found)
	switch {
	case m.closing:
		m.broken(n, BrokenShutdown, m.closeWhy)
	case n.mute:
		n.att.code = FailedNoAnswer
		m.finish(n)
	case writes(n.purpose) && len(n.att.found) > 0 && (err != nil || block.State != protocol.Voided):
		m.enter(n, Voiding)
		m.ask(n, Void{})
	default:
		m.beginEmpty(n)
	}
}

func (m *Machine) voided(n *nest, _ Fact) {
	n.att.state = protocol.Voided.String()
	m.beginEmpty(n)
}

// refuse puts a unit that the station does not take on record.
func (m *Machine) refuse(n *nest, c Code, a Args) {
	hold, _ := n.files.Limits.Bin(limits.Capture)
	a.Nest, a.Label, a.Bin = n.sheet.Name, n.label, itoa(hold.Hard.Number)
	m.rest(n)
	m.trouble(n, c, a)
	m.enter(n, Refusing)
	m.ask(n, Append{Body: &record.Refusal{
		Serial: n.serial, Label: n.label, UnitID: n.unit.UnitID, Nest: n.sheet.Name, Purpose: n.purpose,
		Code: string(c), Chain: c.Say(a), Operator: m.crew.Operator, Software: m.cfg.Software,
		Product: n.files.product(),
	}})
}

func (m *Machine) refused(n *nest, _ Fact) {
	if m.closing {
		m.end(n)
		return
	}
	m.enter(n, Turned)
	m.sleep(n, probeEvery)
}

// contradiction puts this unit and every other that the contradiction names
// on hold.
func (m *Machine) contradiction(n *nest, h history, tie tie) {
	n.att.code, n.att.detail = FailedLabel, tie.why
	var others []string
	serials := map[string]bool{n.serial: true}
	for _, e := range h.conflicts {
		a := e.Body.(*record.Attempt)
		serials[a.Run.Serial] = true
		others = append(others, describe(e))
		ref := e.Ref
		n.queue = append(n.queue, &record.DispositionChange{Attempt: &ref, Serial: a.Run.Serial, UnitID: a.Run.UnitID,
			From: a.Judgement.Disposition, To: Hold, Code: string(FailedLabel), Why: "label and unit contradict each other", By: "station"})
	}
	if s := tie.belongs; s != "" && !serials[s] {
		others = append(others, "label "+s)
		n.queue = append(n.queue, &record.DispositionChange{Serial: s, UnitID: n.unit.UnitID, To: Hold,
			Code: string(FailedLabel), Why: "its unit carries another label", By: "station"})
	}
	n.att.other = strings.Join(others, "; ")
	m.finish(n)
}

// describe says where the other unit of a contradiction was seen: time, nest
// and bin.
func describe(e record.Entry) string {
	a := e.Body.(*record.Attempt)
	return fmt.Sprintf("label %s, unit %s, %s, %s, bin %d", a.Run.Label, a.Run.UnitID,
		e.Time.UTC().Format("2006-01-02T15:04:05Z"), a.Run.Nest, a.Judgement.HardBin)
}

// turnAway: the operator does not want the unit to run again.
func (m *Machine) turnAway(n *nest) {
	m.rest(n)
	m.enter(n, Turned)
	m.sleep(n, probeEvery)
}
