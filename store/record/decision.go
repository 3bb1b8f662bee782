package record

import (
	"errors"
	"time"
)

// Decision is what somebody decided about one unit, or about all that filters
// chose: it stands before the changes that carry it out.
type Decision struct {
	Verb     string    `cbor:"1,keyasint"` // "hold", "unhold", "scrap" or "reworked"
	Serial   string    `cbor:"2,keyasint"` // of the one unit, "" where filters chose
	Chosen   string    `cbor:"3,keyasint"` // the filters in words
	Reason   string    `cbor:"4,keyasint"`
	By       string    `cbor:"5,keyasint"`
	Document string    `cbor:"6,keyasint"` // number of a concession
	Decided  time.Time `cbor:"7,keyasint"` // on the clock of who decided, UTC
	Units    int       `cbor:"8,keyasint"` // that it moves
	Left     int       `cbor:"9,keyasint"` // chosen, and left as they were
	Signed   bool      `cbor:"10,keyasint"`
	File     []byte    `cbor:"11,keyasint,omitempty"` // as it came; none from the screen
}

// Kind implements Body.
func (*Decision) Kind() Kind { return KindDecision }

// Subject implements Body.
func (d *Decision) Subject() Subject { return Subject{Serial: d.Serial} }

func (d *Decision) validate() error {
	if d.By == "" || d.Reason == "" {
		return errors.New("a decision without a person or a reason")
	}
	return nil
}
