package history

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"example.org/panecal/limits"
	"example.org/panecal/limits/quantity"
	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// attempt is one attempt while it is put on record.
type attempt struct {
	u       *unit
	files   *station.Files
	nest    int
	purpose record.Purpose
	at      time.Time
	room    time.Duration // that it may take
	scene   scene
	r       *rand.Rand
	real    *bench // nil: numbers of the population
}

// stages are the steps of an attempt, and how long each takes of it.
var stages = [...]struct {
	name  string
	share float64
}{
	{"intending", 0.0003}, {"empty capture", 0.21}, {"empty estimate", 0.004}, {"targeting", 0.37}, {"target capture", 0.14}, {"ranges capture", 0.08},
	{"target estimate", 0.006}, {"write intending", 0.005}, {"writing", 0.06}, {"reading back", 0.025}, {"verify capture", 0.08}, {"verify estimate", 0.001}, {"saving", 0.0001},
}

// afterWrite is the first stage of an attempt that writes.
const afterWrite = 7

func (l *line) run(a *attempt) record.Run {
	n := a.files.Sheet.Nests[a.nest]
	p, lim, sheet := a.files.Revisions()
	u := a.u
	return record.Run{
		Serial: u.serial, Label: u.serial, LabelConfirmed: true, LabelTie: a.files.Product.Label.Tie, UnitID: u.id,
		Nest: n.Name, Purpose: a.purpose, AttemptNo: u.judged[a.purpose] + 1,
		Product: p, Limits: lim, Sheet: sheet, Operator: l.operator, Software: l.o.Software, WorkOrder: u.order, Lot: u.lots.unit,
		WindowLot: u.lots.window, GasketLot: u.lots.gasket, EmitterLot: u.lots.emitter,
		Identity: record.Identity{Session: a.r.Uint32() | 1, UnitID: u.id, Serial: u.serial, Product: u.of.product, Firmware: u.of.firmware,
			ProtocolLow: protocol.Version, ProtocolHigh: protocol.Version, Rows: u.of.rows, Cols: u.of.cols, Bins: 96, BinPS: 240, FirstBinPS: -2880,
			PileUp: "none", PulseRepeatNS: 100, CountBits: 32, LargestIn: 1024, LargestOut: 4096, Held: 4, LongestCommit: 120},
		Target: a.scene.target,
	}
}

// carryOut puts an attempt on record, from its intent to what becomes of the
// unit, and says how it ended.
func (l *line) carryOut(a *attempt) (record.Outcome, record.Disposition, error) {
	u := a.u
	run := l.run(a)
	spoilt := Cause("")
	for _, c := range a.scene.causes {
		if c == HandInField || c == UnitSilent || c == OperatorSkip {
			spoilt = c
		}
	}
	at := a.at
	rec := &record.Attempt{Run: run, Started: at, UnitTempCel: math.NaN()}
	var m *measurement
	if a.real != nil {
		var err error
		if m, err = a.real.measure(l, a, at); err != nil {
			return "", "", err
		}
	} else {
		m = u.measure(&a.scene, a.r)
	}
	set := m.set
	if spoilt == UnitSilent {
		set = quantity.Set{}
	} else {
		intent, err := l.b.Append(at.Add(time.Millisecond), &record.AttemptIntent{Run: run, BlockFound: u.block})
		if err != nil {
			return "", "", err
		}
		rec.Intent = &intent
		if a.purpose == record.Production {
			u.block, rec.Void = protocol.VoidBlock(station.WitnessTo(intent).Bytes()), record.VoidBears
		}
	}
	if spoilt == HandInField { // the empty capture was good, the target's never
		set = emptyOnly(set)
	}
	fails := spoilt != "" || failsBefore(a.files.Limits, set)
	writes := a.purpose == record.Production && !fails
	verified := writes || a.purpose != record.Production && !fails && u.adjusted()
	used, took := 0, time.Duration(0)
	for i, s := range stages {
		if spoilt == UnitSilent || i >= afterWrite && i < 10 && !writes || i >= 10 && i < 12 && !verified || s.name == "ranges capture" && !u.of.histograms {
			continue
		}
		t := time.Duration(s.share * float64(a.room) * (0.95 + 0.1*a.r.Float64()))
		took += t
		used++
		rec.Stages = append(rec.Stages, record.Stage{Name: s.name, TookUS: t.Microseconds()})
	}
	if writes {
		if err := l.write(a, rec, m, at.Add(took*6/10)); err != nil {
			return "", "", err
		}
	}
	if writes && a.real != nil {
		if err := a.real.verify(l, a, at.Add(took*7/10), u.block, m); err != nil {
			return "", "", err
		}
	}
	truth := m.truth
	if verified {
		if m.verify.Zones != nil {
			set[quantity.VerifyError] = m.verify
			if m.verifyTrue.Zones != nil {
				truth[quantity.VerifyError] = m.verifyTrue
			}
			for _, v := range m.verify.Zones {
				m.zones.VerifyMM = append(m.zones.VerifyMM, v.V)
			}
		}
	}
	rec.Finished = at.Add(took)
	if spoilt != UnitSilent {
		rec.Zones, rec.Budget, rec.UnitTempCel, rec.Captures = m.zones, m.budget, m.tempCel, m.captures
		if spoilt == HandInField {
			z := &rec.Zones
			*z = record.Zones{Rows: z.Rows, Cols: z.Cols, Leakage: z.Leakage, LeakageU: z.LeakageU, Ambient: z.Ambient, AmbientU: z.AmbientU, LeakageDistanceMM: z.LeakageDistanceMM, Flags: z.Flags}
			rec.Budget = nil
		} else if s := &a.files.Product.Setup; len(s.WorkingMM) == len(m.projection) {
			rec.Projection = &record.Projection{Change: s.LeakageChangeStated, DistanceMM: s.WorkingMM, ErrorMM: m.projection}
		}
	}
	q, err := record.Quantities(set)
	if err != nil {
		return "", "", err
	}
	rec.Quantities = q
	rec.Wire = record.Wire{Requests: uint64(6*used + a.r.IntN(6)), BytesOut: uint64(5000 + a.r.IntN(300)), BytesIn: uint64(35000 + a.r.IntN(900))}
	if a.r.IntN(300) == 0 {
		rec.Wire.Retries, rec.Wire.BadPackets = 1, 1
	}
	return l.conclude(a, rec, set, truth, spoilt)
}

// write is the write intent and the block that bears its witness.
func (l *line) write(a *attempt, rec *record.Attempt, m *measurement, at time.Time) error {
	u := a.u
	block, err := a.files.Block(u.serial, u.of.rows, u.of.cols, m.constants)
	if err != nil {
		return err
	}
	body, err := block.Body()
	if err != nil {
		return err
	}
	ref, err := l.b.Append(at, &record.WriteIntent{Attempt: *rec.Intent, Serial: u.serial, UnitID: u.id, Body: body, BodyHash: record.HashOf(body)})
	if err != nil {
		return err
	}
	block.Witness = station.WitnessTo(ref)
	raw, err := block.Marshal()
	if err != nil {
		return err
	}
	rec.WriteIntent = &ref
	rec.Constants = &record.Constants{Written: raw, ReadBack: raw, State: protocol.Written.String(), Restart: l.restart(a.files)}
	u.block = raw
	return nil
}

// restart is what the product wants of this unit.
func (l *line) restart(f *station.Files) string {
	every := f.Product.RestartEvery
	l.written++
	switch {
	case every == 0:
		return "never"
	case (l.written-1)%every != 0:
		return "not this unit"
	}
	return "restarted"
}

// conclude judges, and makes the result and the unit's next state.
func (l *line) conclude(a *attempt, rec *record.Attempt, set, truth quantity.Set, spoilt Cause) (record.Outcome, record.Disposition, error) {
	u, lim := a.u, a.files.Limits
	if a.purpose != record.Production && !u.adjusted() {
		lim = lim.Excusing(quantity.VerifyError, quantity.VerifyErrorFar)
	}
	var j limits.Judgement
	code, step := station.NoticePassed, "recording"
	switch spoilt {
	case HandInField:
		j, _ = lim.JudgeAs(limits.Capture, set)
		code, step = station.BrokenCapture, "target estimate"
		rec.Faults = []record.Fault{{Code: "target_missing", Capture: "target", Zones: []int{}}}
	case UnitSilent:
		j, _ = lim.JudgeAs(limits.NoAnswer, set)
		code, step = station.FailedNoAnswer, "greeting"
	case OperatorSkip:
		j, _ = lim.JudgeAs(limits.Aborted, set)
		code, step = station.BrokenSkipped, "targeting"
	default:
		j = lim.Judge(set)
		if !j.Passed {
			code = station.FailedLimits
			if j.SoftName == limits.Verify {
				code = station.FailedVerify
			}
		}
	}
	rec.Judgement = station.JudgementRecord(j, lim)
	rec.Outcome = record.Outcome(j.Outcome)
	if code != station.NoticePassed {
		rec.Problems = []record.Problem{{Code: string(code), Step: step, Chain: why(j, spoilt), Time: rec.Finished}}
	}
	ref, err := l.b.Append(rec.Finished.Add(written), rec)
	if err != nil {
		return "", "", err
	}
	if rec.Outcome == record.Passed || rec.Outcome == record.Failed {
		u.judged[a.purpose]++
	}
	l.attempts++
	d := record.Disposition(j.Disposition)
	if a.purpose == record.Production {
		u.last, u.lastAt, u.released = &ref, d, rec.Outcome == record.Passed
		if u.released {
			if u.block, err = released(u.block); err != nil {
				return "", "", err
			}
		}
	}
	l.b.Shown(rec.Finished.Add(written))
	return rec.Outcome, d, l.tell(a, rec, ref, truth)
}

// released is a block with the released mark.
func released(raw []byte) ([]byte, error) {
	b, err := protocol.ParseBlock(raw)
	if err != nil {
		return nil, err
	}
	b.State = protocol.Released
	return b.Marshal()
}

// why names what failed.
func why(j limits.Judgement, spoilt Cause) string {
	if spoilt != "" {
		return strings.ReplaceAll(string(spoilt), "_", " ")
	}
	var names []string
	for _, l := range j.Lines {
		if l.Measured && !l.Passed {
			names = append(names, string(l.Name))
		}
	}
	return strings.Join(names, ", ")
}

// failsBefore says whether a limit fails on what has been measured before
// anything is written.
func failsBefore(f *limits.File, s quantity.Set) bool {
	for i := range f.Limits {
		l := &f.Limits[i]
		m, ok := s[l.Name]
		if !ok || math.IsNaN(m.V) || l.Name == quantity.VerifyError {
			continue
		}
		if l.High != nil && !(m.High(l.K) <= *l.High) || l.Low != nil && !(m.Low(l.K) >= *l.Low) {
			return true
		}
	}
	return false
}

// emptyOnly is what the empty field alone tells.
func emptyOnly(s quantity.Set) quantity.Set {
	out := quantity.Set{}
	for n, m := range s {
		if name := string(n); strings.HasPrefix(name, "leakage.") && n != quantity.LeakageChange || strings.HasPrefix(name, "pulse.") ||
			slices.Contains([]quantity.Name{quantity.AmbientMax, quantity.RateMax, quantity.StraySignificance, quantity.Temperature, quantity.ZonesDead, quantity.ZonesHot}, n) {
			out[n] = m
		}
	}
	return out
}

// refuse puts a label that was not taken on record.
func (l *line) refuse(a *attempt) error {
	p, _, _ := a.files.Revisions()
	_, err := l.b.Append(a.at, &record.Refusal{Label: a.u.serial[:len(a.u.serial)-1], Nest: a.files.Sheet.Nests[a.nest].Name, Purpose: record.Production,
		Code: string(station.RefusedLabel), Chain: fmt.Sprintf("%q: it ends before its check character", a.u.serial[:len(a.u.serial)-1]), Operator: l.operator, Software: l.o.Software, Product: p})
	return err
}
