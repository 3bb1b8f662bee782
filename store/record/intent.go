package record

import "errors"

// AttemptIntent is durable before anything is done to a unit.
type AttemptIntent struct {
	Run        Run    `cbor:"1,keyasint"`
	BlockFound []byte `cbor:"2,keyasint"`           // constants block found in the unit, empty for none
	Seed       uint64 `cbor:"3,keyasint,omitempty"` // of random choices, where a run has any
}

func (*AttemptIntent) Kind() Kind         { return KindAttemptIntent }
func (a *AttemptIntent) Subject() Subject { return a.Run.Subject() }
func (a *AttemptIntent) validate() error  { return a.Run.validate() }

// WriteIntent is durable before constants are staged in the unit. The block
// written bears the witness of this record: station, generation, sequence and
// the first 16 bytes of its hash.
type WriteIntent struct {
	Attempt  Ref    `cbor:"1,keyasint"` // its attempt intent
	Serial   string `cbor:"2,keyasint"`
	UnitID   string `cbor:"3,keyasint"`
	Body     []byte `cbor:"4,keyasint"` // the block's body: all but witness, state and check
	BodyHash Hash   `cbor:"5,keyasint"` // SHA-256 of Body
}

func (*WriteIntent) Kind() Kind { return KindWriteIntent }
func (w *WriteIntent) Subject() Subject {
	return Subject{Serial: w.Serial, UnitID: w.UnitID}
}

func (w *WriteIntent) validate() error {
	if w.BodyHash != HashOf(w.Body) {
		return errors.New("the block's hash is not the hash of its body")
	}
	return nil
}
