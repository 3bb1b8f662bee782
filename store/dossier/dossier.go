package dossier

import (
	"encoding/json"
	"math"
	"time"

	"example.org/panecal/store"
	"example.org/panecal/store/proof"
	"example.org/panecal/store/query"
	"example.org/panecal/store/record"
)

// Schema names the JSON form.
const Schema = "panecal.dossier/1"

// Dossier is all that goes into the report.
type Dossier struct {
	Schema     string          `json:"schema"`
	Serial     string          `json:"serial"`
	Made       time.Time       `json:"made"`     // UTC
	Software   string          `json:"software"` // that made it
	Log        Log             `json:"log"`
	Unit       *query.Unit     `json:"unit"`       // null where the log cannot be read
	Unreadable string          `json:"unreadable"` // why
	Offset     *Statement      `json:"offset"`     // of the attempt that is reported; null where none measured it
	Released   []Release       `json:"released"`   // the files in force at that attempt
	Evidence   *Evidence       `json:"evidence"`   // null where there is no attempt
	Records    []Record        `json:"records"`    // every record of the unit with its hash
	Proof      json.RawMessage `json:"proof"`      // panecal.proof/1, null where there is none
	ProofNote  string          `json:"proof_note"` // what the proof covers, or why there is none

	zone *time.Location
}

// Log is the result of the log's check.
type Log struct {
	Station   string    `json:"station"`
	Sequence  uint64    `json:"sequence"`
	Hash      string    `json:"hash"`
	Records   int64     `json:"records"`
	Whole     bool      `json:"whole"` // no problem was found
	Problems  []Problem `json:"problems"`
	Witnesses []Witness `json:"witnesses"`
	Notes     []string  `json:"notes"`
}

// Problem is what is not as it was written, or not as others remember it.
type Problem struct {
	Code   string `json:"code"`
	File   string `json:"file"`
	Record uint64 `json:"record"` // 0: in none
	What   string `json:"what"`
}

// Witness is who remembers how far the log went.
type Witness struct {
	Kind     string `json:"kind"`
	Sequence uint64 `json:"sequence"`
	Agrees   bool   `json:"agrees"`
	Where    string `json:"where"`
}

// Statement is a measurement result with its expanded uncertainty.
type Statement struct {
	Quantity string       `json:"quantity"`
	Record   query.Ref    `json:"record"`
	Value    query.Number `json:"value"`
	U        query.Number `json:"u"` // standard
	K        float64      `json:"k"`
	Expanded query.Number `json:"expanded"`
	Unit     string       `json:"unit"`
	// DegreesOfFreedom is the effective number, null for infinite: no line of the
	// budget is a standard deviation of few values.
	DegreesOfFreedom *float64 `json:"degrees_of_freedom"`
}

// Release is a released file with who answers for it.
type Release struct {
	Document string `json:"document"`
	Name     string `json:"name"`
	Revision string `json:"revision"`
	Signed   bool   `json:"signed"`
	Author   string `json:"author"`
	Approver string `json:"approver"`
	Reason   string `json:"reason"`
}

// Record names a record.
type Record struct {
	query.Ref
	Time time.Time `json:"time"`
	Kind string    `json:"kind"`
}

// coverage is the factor of expanded uncertainties: about 95 % where the effective
// degrees of freedom are many (JCGM 100:2008, G.6.6).
const coverage = 2

// New begins a dossier with the result of the log's check; zone is that of the
// page's times.
func New(serial, software string, made time.Time, zone *time.Location, check store.Report) *Dossier {
	d := &Dossier{Schema: Schema, Serial: serial, Software: software, Made: made.UTC(), zone: zone, Released: []Release{}, Records: []Record{},
		Log: Log{Station: check.Station, Sequence: check.Head.Sequence, Hash: check.Head.Hash.String(), Records: check.Records, Whole: len(check.Problems) == 0,
			Problems: []Problem{}, Witnesses: []Witness{}, Notes: append([]string{}, check.Notes...)}}
	for _, p := range check.Problems {
		d.Log.Problems = append(d.Log.Problems, Problem{string(p.Fault), p.File, p.Record, p.What})
	}
	for _, w := range check.Witnesses {
		d.Log.Witnesses = append(d.Log.Witnesses, Witness{w.Kind, w.Sequence, w.Agrees, w.Where})
	}
	return d
}

// Tell adds the unit's history. release finds a released file, nil for one that the
// log does not have.
func (d *Dossier) Tell(u *query.Unit, release func(document, revision string) *record.ReleaseTaken) {
	d.Unit = u
	for _, m := range u.Timeline {
		d.Records = append(d.Records, Record{m.Record, m.Time, m.Kind})
	}
	a := d.reported()
	if a == nil {
		return
	}
	if q, ok := a.Quantities["offset.mean"]; ok && !math.IsNaN(float64(q.Value)) {
		d.Offset = &Statement{Quantity: "offset.mean", Record: a.Record, Value: q.Value, U: q.U, K: coverage, Expanded: coverage * q.U, Unit: q.Unit}
	}
	for _, f := range []struct {
		document string
		query.Revision
	}{{"product", a.Product}, {"limits", a.Limits}, {"sheet", a.Sheet}} {
		r := Release{Document: f.document, Name: f.Name, Revision: f.Rev, Signed: f.Signed}
		if t := release(f.document, f.Rev); t != nil {
			r.Author, r.Approver, r.Reason = t.Author, t.Approver, t.Reason
		}
		d.Released = append(d.Released, r)
	}
}

// reported is the attempt that the report is about: the newest that measured an
// offset, else the newest.
func (d *Dossier) reported() *query.Attempt {
	if d.Unit == nil {
		return nil
	}
	var found *query.Attempt
	for i := range d.Unit.Attempts {
		a := &d.Unit.Attempts[i]
		q, measured := a.Quantities["offset.mean"]
		if measured && !math.IsNaN(float64(q.Value)) || found == nil || found.Quantities == nil {
			found = a
		}
	}
	return found
}

// Prove adds the proofs of the unit's records; left is how many records came after
// the checkpoint.
func (d *Dossier) Prove(f proof.File, at time.Time, size int64, left int) error {
	data, err := f.Marshal()
	if err != nil {
		return err
	}
	d.Proof = data
	d.ProofNote = proofNote(len(f.Records), size, at, left)
	return nil
}
