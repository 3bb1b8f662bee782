package station

import (
	"slices"
	"strings"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/station/estimate"
	"example.org/panecal/store/record"
)

// run is what is settled when an attempt begins.
func (m *Machine) run(n *nest) record.Run {
	u, s := n.unit, n.sheet
	due := ""
	if !s.Due.IsZero() {
		due = s.Due.UTC().Format("2006-01-02")
	}
	return record.Run{
		Serial: n.serial, Label: n.label, LabelConfirmed: n.att.confirmed, LabelTie: n.att.tie, UnitID: u.UnitID,
		Nest: s.Name, Purpose: n.purpose, AttemptNo: n.att.number,
		Product: n.files.product(), Limits: n.files.limits(), Sheet: n.files.sheet(), Roster: n.att.roster,
		Operator: n.att.crew.Operator, Software: m.cfg.Software, WorkOrder: n.att.crew.WorkOrder, Lot: n.att.crew.Lot, Bridge: m.cfg.Bridge,
		WindowLot: n.att.crew.WindowLot, GasketLot: n.att.crew.GasketLot, EmitterLot: n.att.crew.EmitterLot,
		Identity: record.Identity{Session: u.Session, UnitID: u.UnitID, Serial: u.Serial, Product: u.Product, Firmware: u.Firmware,
			ProtocolLow: u.ProtoLow, ProtocolHigh: u.ProtoHigh, Rows: u.Rows, Cols: u.Cols, Bins: u.Bins,
			BinPS: u.BinFS / 1000, FirstBinPS: u.FirstBinFS / 1000, PileUp: u.PileUp.String(), PulseRepeatNS: u.PulsePeriodNS,
			CountBits: u.CountBits, LargestIn: u.MaxIn, LargestOut: u.MaxOut, Held: u.MaxHeld, LongestCommit: u.CommitMS},
		Target: record.Target{Fixture: s.Fixture, DistanceMM: s.DistanceMM, DistanceUMM: s.DistanceUMM,
			Reflectance: s.Reflectance, Certificate: s.Certificate, Due: due, EndStop: s.EndStop,
			Driver: driverRecord(s), FarMM: s.FarMM, FarUMM: s.FarUMM},
	}
}

// attemptRecord is all that the attempt has brought, whole or not.
func (m *Machine) attemptRecord(n *nest) *record.Attempt {
	a := &n.att
	r := &record.Attempt{
		Run: m.run(n), Intent: a.intent, WriteIntent: a.writeIntent, Outcome: n.outcome(), Problems: m.problemsRecord(n),
		Judgement: JudgementRecord(a.result, n.files.Limits), Captures: a.refs, Wire: a.wire,
		Started: a.began.UTC(), Finished: m.now.UTC(), Stages: slices.Clone(a.stages), UnitTempCel: a.tempCel, Box: a.box, WarmUp: a.warming.done,
	}
	// A quantity without a definition would be a mistake of the estimator; the
	// record then says so.
	if q, err := record.Quantities(a.quantities); err == nil {
		r.Quantities = q
	} else {
		r.Problems = append(r.Problems, record.Problem{Code: string(BrokenInternal), Chain: err.Error(), Time: m.now.UTC()})
	}
	for _, f := range a.faults {
		r.Faults = append(r.Faults, record.Fault{Code: string(f.Code), Capture: f.Capture, Zones: f.Zones})
	}
	r.AddedBack, r.Void = a.addedBack, a.void
	if a.written != nil {
		r.Constants = &record.Constants{Written: a.written, ReadBack: a.readBack, State: a.state, Restart: a.restart}
	}
	r.Zones = n.zonesRecord()
	if o := a.offsets; o != nil {
		for _, l := range o.Budget {
			r.Budget = append(r.Budget, record.Budget{Line: l.Line, MM: l.MM})
		}
	}
	if s := n.files.Product.Setup; len(a.projection) > 0 {
		r.Projection = &record.Projection{Change: s.LeakageChangeStated, DistanceMM: s.WorkingMM, ErrorMM: a.projection}
	}
	return r
}

// problemsRecord is all that went wrong; why the attempt ended is among it.
func (m *Machine) problemsRecord(n *nest) []record.Problem {
	a := &n.att
	list := slices.Clone(a.problems)
	told := slices.ContainsFunc(list, func(p record.Problem) bool { return p.Code == string(a.code) })
	if a.code == NoticePassed || told {
		return list
	}
	chain := said(a.detail)
	if a.other != nil {
		chain = strings.TrimPrefix(chain+"; the other: "+a.other.String(), "; ")
	}
	return append(list, record.Problem{Code: string(a.code), Step: n.step.String(), Chain: chain, Time: m.now.UTC()})
}

// zonesRecord is what was found in each zone.
func (n *nest) zonesRecord() record.Zones {
	a := &n.att
	var verified []quantity.Value
	if a.verification != nil {
		verified = a.quantities[quantity.VerifyError].Zones
	}
	return ZonesRecord(n.unit.Rows, n.unit.Cols, a.leakage, a.offsets, a.unitRanges, verified)
}

// ZonesRecord is what was found in each zone, as a record has it: of the empty
// field, of the target, of the unit's own ranges and after writing; each may be
// nil.
func ZonesRecord(rows, cols int, leakage *estimate.Leakage, offsets *estimate.Offsets, unitRanges *estimate.Summary, verified []quantity.Value) record.Zones {
	z := record.Zones{Rows: rows, Cols: cols}
	if leakage != nil {
		for _, l := range leakage.Zones {
			z.Leakage, z.LeakageU = append(z.Leakage, l.Leakage), append(z.LeakageU, l.LeakageU)
			z.Ambient, z.AmbientU = append(z.Ambient, l.Ambient), append(z.AmbientU, l.AmbientU)
			z.LeakageDistanceMM = append(z.LeakageDistanceMM, l.DistanceMM)
			z.Flags = append(z.Flags, l.Flags.Names())
		}
	}
	if offsets != nil {
		for i, o := range offsets.Zones {
			z.RangeMM, z.RangeUMM = append(z.RangeMM, o.RangeMM), append(z.RangeUMM, o.RangeUMM)
			z.OffsetMM, z.OffsetUMM = append(z.OffsetMM, o.OffsetMM), append(z.OffsetUMM, o.OffsetUMM)
			z.Signal, z.SignalU = append(z.Signal, o.Signal), append(z.SignalU, o.SignalU)
			z.AmbientTarget = append(z.AmbientTarget, o.Ambient)
			if i < len(z.Flags) {
				z.Flags[i] = o.Flags.Names() // of both captures
			}
		}
	}
	if unitRanges != nil {
		for _, u := range unitRanges.Zones {
			z.UnitRangeMM = append(z.UnitRangeMM, u.RangeMM)
		}
	}
	for _, v := range verified {
		z.VerifyMM = append(z.VerifyMM, v.V)
	}
	return z
}

// JudgementRecord is a judgement by the limits f, as a record has it.
func JudgementRecord(j limits.Judgement, f *limits.File) record.Judgement {
	r := record.Judgement{Passed: j.Passed, SoftBin: j.SoftBin, SoftName: j.SoftName, Code: j.Code, HardBin: j.HardBin,
		Disposition: Disposition(j.Disposition), Instruction: j.Instruction.Plain}
	for _, l := range j.Lines {
		line := record.Line{Name: l.Name, Unit: l.Unit, V: l.V, U: l.U, Lower: l.Low, Upper: l.High, K: l.K,
			Passed: l.Passed, PConforming: l.PConforming}
		if b, ok := f.Bin(l.Bin); ok {
			line.SoftBin = b.Number
		}
		r.Lines = append(r.Lines, line)
	}
	return r
}

func (m *Machine) saved(n *nest, f Fact) {
	n.att.refs = f.(Saved).Refs
	m.putOnRecord(n)
}

func (m *Machine) putOnRecord(n *nest) {
	n.att.box = m.boxFor(n)
	n.att.body = m.attemptRecord(n)
	m.enter(n, Recording)
	m.ask(n, Append{Body: n.att.body})
}

// recorded: the result is durable. Only now may anybody be told, and only
// now may the unit be marked.
func (m *Machine) recorded(n *nest, f Fact) {
	n.att.record = f.(Stored).Ref
	n.att.result.Outcome = string(n.outcome())
	m.count(n.att.body, m.now, true)
	m.awaitBox(n)
	at := Disposition(n.att.result.Disposition)
	if n.purpose.Decides() {
		m.holds.stands(at, OnHold{Serial: n.serial, Since: m.now, Why: n.att.code})
	}
	m.putAside(n)
	m.noteMade(n.purpose, n.att.crew.WorkOrder, n.att.box, n.serial, m.holds.at(n.serial, at))
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

// putAside puts on record that an audit's unit goes on hold: its verdict alone
// decides nothing.
func (m *Machine) putAside(n *nest) {
	if n.purpose != Audit || n.att.result.Disposition != limits.Hold || m.onHold(n.serial) {
		return
	}
	ref := n.att.record
	n.queue = append(n.queue, &record.DispositionChange{Attempt: &ref, Serial: n.serial, UnitID: n.unit.UnitID, To: Hold,
		Code: string(n.att.code), Why: "an audit put it on hold", By: byStation})
}

// change makes the queued records durable, then goes on.
func (m *Machine) change(n *nest, after func()) {
	m.enter(n, Changing)
	n.after = after
	m.ask(n, Append{Body: n.queue[0]})
}

func (m *Machine) changed(n *nest, _ Fact) {
	if c, ok := n.queue[0].(*record.DispositionChange); ok {
		m.holds.stands(c.To, changedBy(c, m.now))
		at := m.holds.at(c.Serial, c.To)
		m.noteMade(m.cfg.Purpose, "", "", c.Serial, at)
		m.figures.stands(c.Serial, at, m.now)
		if c.To == Hold && c.Attempt != nil && *c.Attempt == n.att.record && n.verdict != nil { // it never came to its box
			n.verdict.InBox = ""
			m.noteBox(c.Serial, "")
		}
		m.heldInBox(c.Serial, c.To)
		delete(m.cutOff, c.Serial)
	}
	n.queue = n.queue[1:]
	if len(n.queue) > 0 {
		m.ask(n, Append{Body: n.queue[0]})
		return
	}
	m.proceed(n)
}
