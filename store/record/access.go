package record

import (
	"errors"
	"time"
)

// AccessRefused says that a person, or nobody who is known, wanted something
// and was not let. It never holds a badge, a name or a PIN.
type AccessRefused struct {
	Person string    `cbor:"1,keyasint"` // pseudonym, "" where the badge is nobody's
	Code   string    `cbor:"2,keyasint"` // why: "pin wrong", "pin scanned", "badge barred", …
	Wanted string    `cbor:"3,keyasint"` // "sign on", or the code of the stop that was to be lifted
	Nest   string    `cbor:"4,keyasint"`
	Until  time.Time `cbor:"5,keyasint"` // of a badge that is barred; zero otherwise
}

func (*AccessRefused) Kind() Kind         { return KindAccessRefused }
func (a *AccessRefused) Subject() Subject { return Subject{} }

func (a *AccessRefused) validate() error {
	if a.Code == "" {
		return errors.New("an access refused without a reason")
	}
	return nil
}
