package query

import (
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"example.org/panecal/store/record"
)

// Schema names the JSON form of Unit.
const Schema = "panecal.unit/1"

// Unit is all that the log knows about one serial number.
type Unit struct {
	Schema      string             `json:"schema"`
	Serial      string             `json:"serial"`
	Found       bool               `json:"found"`
	Disposition record.Disposition `json:"disposition"` // as it stands, "" before any verdict
	UnitIDs     []string           `json:"unit_ids"`    // identities that answered under this serial
	AlsoSeenAs  []string           `json:"also_seen_as"`
	Attempts    []Attempt          `json:"attempts"`
	Events      []Event            `json:"events"`              // everything else, in log order
	Simulated   bool               `json:"simulated,omitempty"` // an invented history: nobody measured anything
	Timeline    []Moment           `json:"timeline"`            // all of it in log order, and what happened to its units under other labels
}

// Ref names a record.
type Ref struct {
	Station    string `json:"station"`
	Generation uint32 `json:"generation"`
	Sequence   uint64 `json:"sequence"`
	Hash       string `json:"hash"`
}

// Revision names a released file.
type Revision struct {
	Name   string `json:"name"`
	Rev    string `json:"rev"`
	Signed bool   `json:"signed"`
}

// Attempt is one attempt with all that was recorded of it.
type Attempt struct {
	Record         Ref                 `json:"record"`
	Time           time.Time           `json:"time"`
	Started        time.Time           `json:"started"`
	Finished       time.Time           `json:"finished"`
	Purpose        record.Purpose      `json:"purpose"`
	AttemptNo      int                 `json:"attempt_no"`
	Outcome        record.Outcome      `json:"outcome"`
	Passed         bool                `json:"passed"`
	SoftBin        int                 `json:"soft_bin"`
	SoftName       string              `json:"soft_name"`
	Code           string              `json:"code"`
	HardBin        int                 `json:"hard_bin"`
	Disposition    record.Disposition  `json:"disposition"`
	Instruction    string              `json:"instruction"`
	Label          string              `json:"label"`
	LabelConfirmed bool                `json:"label_confirmed"`
	LabelTie       string              `json:"label_tie"`
	UnitID         string              `json:"unit_id"`
	Nest           string              `json:"nest"`
	Operator       string              `json:"operator"`
	Software       string              `json:"software"`
	Bridge         string              `json:"bridge"`
	WorkOrder      string              `json:"work_order"`
	Lot            string              `json:"lot"`
	WindowLot      string              `json:"window_lot,omitempty"`
	GasketLot      string              `json:"gasket_lot,omitempty"`
	EmitterLot     string              `json:"emitter_lot,omitempty"`
	Product        Revision            `json:"product"`
	Limits         Revision            `json:"limits"`
	Sheet          Revision            `json:"sheet"`
	Roster         Revision            `json:"roster"`
	Firmware       string              `json:"firmware"`
	Protocol       [2]int              `json:"protocol"` // lowest and highest version the unit speaks
	Target         Target              `json:"target"`
	UnitTempCel    Number              `json:"unit_temp_cel"`
	Intent         *Ref                `json:"intent"`
	WriteIntent    *Ref                `json:"write_intent"`
	Problems       []Problem           `json:"problems"`
	Quantities     map[string]Quantity `json:"quantities"`
	Lines          []Line              `json:"lines"`
	Zones          []Zone              `json:"zones"` // row-major
	Rows           int                 `json:"rows"`
	Cols           int                 `json:"cols"`
	Budget         []Budget            `json:"budget"`
	CaptureFaults  []Fault             `json:"capture_faults"`
	Constants      *Constants          `json:"constants"`
	Void           string              `json:"void"`       // what it was found to bear once it was void: "intent", "bare", "" for not voided
	AddedBack      string              `json:"added_back"` // block in force during the captures, hexadecimal
	Captures       []Capture           `json:"captures"`
	Wire           Wire                `json:"wire"`
	Stages         []Stage             `json:"stages"`
	Projection     *Projection         `json:"projection"`
	Later          bool                `json:"later,omitempty"` // the record holds more, of a later program
	CheckUnits     []Check             `json:"check_units"`     // how the station's check units stood then; see [Unit.AddChecks]
}

// Target is the nest's reference.
type Target struct {
	Fixture     string `json:"fixture"`
	DistanceMM  Number `json:"distance_mm"`
	DistanceUMM Number `json:"distance_u_mm"`
	Reflectance Number `json:"reflectance"`
	Certificate string `json:"certificate"`
	Due         string `json:"due"`
	EndStop     bool   `json:"end_stop"`
}

// Problem is one thing that went wrong.
type Problem struct {
	Time  time.Time `json:"time"`
	Code  string    `json:"code"`
	Step  string    `json:"step"`
	Chain string    `json:"chain"`
}

// Quantity is one measured quantity.
type Quantity struct {
	Value  Number  `json:"value"`
	U      Number  `json:"u"`
	Common Number  `json:"u_common,omitempty"` // the part of u that all units of a nest or a product have alike
	Unit   string  `json:"unit"`
	Zones  []Value `json:"zones,omitempty"`
}

// Value is a number with its standard uncertainty.
type Value struct {
	Value  Number `json:"value"`
	U      Number `json:"u"`
	Common Number `json:"u_common,omitempty"`
}

// Line is the judgement of one quantity.
type Line struct {
	Name        string `json:"name"`
	Unit        string `json:"unit"`
	Value       Number `json:"value"`
	U           Number `json:"u"`
	Lower       Number `json:"lower"`
	Upper       Number `json:"upper"`
	K           Number `json:"k"`
	Passed      bool   `json:"passed"`
	PConforming Number `json:"p_conforming"`
	SoftBin     int    `json:"soft_bin"`
}

// Zone is what was found in one zone; what was not measured is null.
type Zone struct {
	Leakage           Number   `json:"leakage"`
	LeakageU          Number   `json:"leakage_u"`
	LeakageDistanceMM Number   `json:"leakage_distance_mm"`
	RangeMM           Number   `json:"range_mm"`
	RangeUMM          Number   `json:"range_u_mm"`
	OffsetMM          Number   `json:"offset_mm"`
	OffsetUMM         Number   `json:"offset_u_mm"`
	Signal            Number   `json:"signal"`
	SignalU           Number   `json:"signal_u"`
	Ambient           Number   `json:"ambient"`
	AmbientU          Number   `json:"ambient_u"`
	AmbientTarget     Number   `json:"ambient_target"`
	UnitRangeMM       Number   `json:"unit_range_mm"`
	VerifyMM          Number   `json:"verify_mm"`
	Flags             []string `json:"flags"`
}

// Budget is one line of the offset's uncertainty budget.
type Budget struct {
	Line string `json:"line"`
	MM   Number `json:"mm"`
}

// Fault is a reason to distrust a capture.
type Fault struct {
	Code    string `json:"code"`
	Capture string `json:"capture"`
	Zones   []int  `json:"zones"`
}

// Constants is the block written and read back, hexadecimal.
type Constants struct {
	Written  string `json:"written"`
	ReadBack string `json:"read_back"`
	State    string `json:"state"`
	Equal    bool   `json:"equal"`
}

// Capture says where a raw capture is kept.
type Capture struct {
	Name    string `json:"name"`
	Hash    string `json:"hash"`
	Segment uint32 `json:"segment"`
	Offset  int64  `json:"offset"`
	Length  int64  `json:"length"`
}

// Wire counts what happened on the line.
type Wire struct {
	Requests   uint64 `json:"requests"`
	Retries    uint64 `json:"retries"`
	BadPackets uint64 `json:"bad_packets"`
	Dropped    uint64 `json:"dropped"`
	BytesOut   uint64 `json:"bytes_out"`
	BytesIn    uint64 `json:"bytes_in"`
}

// Stage is one step and how long it took.
type Stage struct {
	Name   string `json:"name"`
	TookUS int64  `json:"took_us"`
}

// Projection is the range error that a change of leakage would cause.
type Projection struct {
	Change     Number   `json:"change"`
	DistanceMM []Number `json:"distance_mm"`
	ErrorMM    []Number `json:"error_mm"`
}

// Event is any other record about the unit, in words.
type Event struct {
	Record     Ref       `json:"record"`
	Time       time.Time `json:"time"`
	Kind       string    `json:"kind"`
	Text       string    `json:"text"`
	Unfinished bool      `json:"unfinished"` // an attempt was begun and has no result
	Later      bool      `json:"later,omitempty"`
}

// Source is what History reads: a store or a follower.
type Source interface {
	BySerial(serial string) ([]record.Entry, error)
	ByUnitID(id string) ([]record.Entry, error)
}

// History returns all that src has about a serial number. A serial that the
// log does not know gives a Unit with Found false and no error.
func History(src Source, serial string) (*Unit, error) {
	list, err := src.BySerial(serial)
	if err != nil {
		return nil, fmt.Errorf("reading the history of %q: %w", serial, err)
	}
	u := &Unit{Schema: Schema, Serial: serial, Found: len(list) > 0,
		UnitIDs: []string{}, AlsoSeenAs: []string{}, Attempts: []Attempt{}, Events: []Event{}, Timeline: []Moment{}}
	finished := map[record.Ref]bool{}
	var stands record.Standing
	for _, e := range list {
		u.Simulated = u.Simulated || e.Simulated
		if id := e.Body.Subject().UnitID; id != "" && !slices.Contains(u.UnitIDs, id) {
			u.UnitIDs = append(u.UnitIDs, id)
		}
		switch b := e.Body.(type) {
		case *record.Attempt:
			if b.Intent != nil {
				finished[*b.Intent] = true
			}
			u.Attempts = append(u.Attempts, attempt(e, b))
			stands.Verdict(b.Run.Purpose, b.Judgement.Disposition)
			continue
		case *record.DispositionChange:
			stands.Change(b.To, b.Firm)
		}
		u.Events = append(u.Events, Event{Record: ref(e.Ref), Time: e.Time, Kind: e.Body.Kind().String(), Text: words(e.Body), Later: e.Later})
	}
	u.Disposition = stands.At
	for _, e := range list {
		if _, ok := e.Body.(*record.AttemptIntent); ok && !finished[e.Ref] {
			for i := range u.Events {
				if u.Events[i].Record == ref(e.Ref) {
					u.Events[i].Unfinished = true
				}
			}
		}
	}
	whole := map[record.Ref]record.Entry{}
	for _, e := range list {
		whole[e.Ref] = e
	}
	for _, id := range u.UnitIDs {
		others, err := src.ByUnitID(id)
		if err != nil {
			return nil, fmt.Errorf("reading the history of unit %q: %w", id, err)
		}
		for _, e := range others {
			whole[e.Ref] = e
			if s := e.Body.Subject().Serial; s != "" && s != serial && !slices.Contains(u.AlsoSeenAs, s) {
				u.AlsoSeenAs = append(u.AlsoSeenAs, s)
			}
		}
	}
	u.timeline(whole)
	return u, nil
}

func ref(r record.Ref) Ref {
	return Ref{Station: r.Station, Generation: r.Generation, Sequence: r.Sequence, Hash: r.Hash.String()}
}

func refOrNil(r *record.Ref) *Ref {
	if r == nil {
		return nil
	}
	v := ref(*r)
	return &v
}

func attempt(e record.Entry, a *record.Attempt) Attempt {
	r, j := &a.Run, &a.Judgement
	out := Attempt{
		Record: ref(e.Ref), Time: e.Time, Started: a.Started, Finished: a.Finished,
		Purpose: r.Purpose, AttemptNo: r.AttemptNo, Outcome: a.Outcome,
		Passed: j.Passed, SoftBin: j.SoftBin, SoftName: j.SoftName, Code: j.Code, HardBin: j.HardBin,
		Disposition: j.Disposition, Instruction: j.Instruction,
		Label: r.Label, LabelConfirmed: r.LabelConfirmed, LabelTie: r.LabelTie, UnitID: r.UnitID, Nest: r.Nest,
		Operator: r.Operator, Software: r.Software, Bridge: r.Bridge, WorkOrder: r.WorkOrder, Lot: r.Lot,
		WindowLot: r.WindowLot, GasketLot: r.GasketLot, EmitterLot: r.EmitterLot,
		Product: Revision(r.Product), Limits: Revision(r.Limits), Sheet: Revision(r.Sheet), Roster: Revision(r.Roster),
		Firmware: r.Identity.Firmware, Protocol: [2]int{r.Identity.ProtocolLow, r.Identity.ProtocolHigh},
		Target: Target{r.Target.Fixture, Number(r.Target.DistanceMM), Number(r.Target.DistanceUMM), Number(r.Target.Reflectance),
			r.Target.Certificate, r.Target.Due, r.Target.EndStop},
		UnitTempCel: Number(a.UnitTempCel), Intent: refOrNil(a.Intent), WriteIntent: refOrNil(a.WriteIntent),
		Problems: []Problem{}, Quantities: map[string]Quantity{}, Lines: []Line{}, Rows: a.Zones.Rows, Cols: a.Zones.Cols,
		Zones: zones(&a.Zones), Budget: []Budget{}, CaptureFaults: []Fault{}, AddedBack: hex.EncodeToString(a.AddedBack), Void: string(a.Void),
		Captures: []Capture{}, Wire: Wire(a.Wire), Stages: []Stage{}, Later: e.Later, CheckUnits: []Check{},
	}
	for _, p := range a.Problems {
		out.Problems = append(out.Problems, Problem{p.Time, p.Code, p.Step, p.Chain})
	}
	for _, q := range a.Quantities {
		v := Quantity{Value: Number(q.V), U: Number(q.U), Common: Number(q.Common), Unit: q.Unit}
		for i, z := range q.ZoneV {
			z := Value{Value: Number(z), U: at(q.ZoneU, i)}
			if i < len(q.ZoneCommon) {
				z.Common = Number(q.ZoneCommon[i])
			}
			v.Zones = append(v.Zones, z)
		}
		out.Quantities[string(q.Name)] = v
	}
	for _, l := range j.Lines {
		out.Lines = append(out.Lines, Line{string(l.Name), l.Unit, Number(l.V), Number(l.U), Number(l.Lower), Number(l.Upper),
			Number(l.K), l.Passed, Number(l.PConforming), l.SoftBin})
	}
	for _, b := range a.Budget {
		out.Budget = append(out.Budget, Budget{b.Line, Number(b.MM)})
	}
	for _, f := range a.Faults {
		out.CaptureFaults = append(out.CaptureFaults, Fault{f.Code, f.Capture, append([]int{}, f.Zones...)})
	}
	if c := a.Constants; c != nil {
		out.Constants = &Constants{hex.EncodeToString(c.Written), hex.EncodeToString(c.ReadBack), c.State,
			len(c.Written) > 0 && slices.Equal(c.Written, c.ReadBack)}
	}
	for _, c := range a.Captures {
		out.Captures = append(out.Captures, Capture{c.Name, c.Hash.String(), c.Segment, c.Offset, c.Length})
	}
	for _, s := range a.Stages {
		out.Stages = append(out.Stages, Stage(s))
	}
	if p := a.Projection; p != nil {
		out.Projection = &Projection{Number(p.Change), numbers(p.DistanceMM), numbers(p.ErrorMM)}
	}
	return out
}
