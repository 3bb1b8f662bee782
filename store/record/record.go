package record

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"time"
)

// Version is the newest schema that this package reads in full. A record says
// the lowest version that can express it, so that an older program reads all
// that it can.
const Version = 6

// MaxSize bounds the encoded size of a record in bytes.
const MaxSize = 4 << 20

// ErrMalformed is wrapped by every error about bytes that are no record.
var ErrMalformed = errors.New("not a well-formed record")

// Hash is a SHA-256.
type Hash [sha256.Size]byte

// String returns the hash in hexadecimal.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// Ref names one record for ever: where it stands, and the hash of its bytes.
type Ref struct {
	Station    string `cbor:"1,keyasint"`
	Generation uint32 `cbor:"2,keyasint"`
	Sequence   uint64 `cbor:"3,keyasint"`
	Hash       Hash   `cbor:"4,keyasint"`
}

// String returns station/generation/sequence, which is what people quote.
func (r Ref) String() string {
	return fmt.Sprintf("%s/%d/%d", r.Station, r.Generation, r.Sequence)
}

// IsZero reports whether r names no record.
func (r Ref) IsZero() bool { return r == Ref{} }

// Body is the content of a record: one of the pointer types of this package.
type Body interface {
	Kind() Kind
	// Subject tells what the record is about, for indices.
	Subject() Subject
	validate() error
}

// Subject is what a record is about. Empty strings are "not known".
type Subject struct {
	Serial string // serial number, or the label where only that is known
	UnitID string // identity that the unit itself answers
	Lot    string
}

// Entry is one record of a log, decoded.
type Entry struct {
	Ref      Ref
	Version  int
	Time     time.Time // UTC, when the record was appended
	Previous Hash      // of the record before; zero for the first of all
	Body     Body
	// Simulated says that nobody measured anything: the record is part of an
	// invented history.
	Simulated bool
	// Later says that the record holds what this program does not know: keys,
	// a kind, or a version. Body is what it can read, an *Unknown if nothing.
	Later bool
}

// Unknown is the body of a record that this program is too old to read at all.
type Unknown struct {
	Number Kind
	Raw    []byte // the body's own bytes
}

// Kind returns the number that the record gives.
func (u *Unknown) Kind() Kind { return u.Number }

// Subject is empty: what the record is about is not known.
func (u *Unknown) Subject() Subject { return Subject{} }

func (u *Unknown) validate() error {
	return errors.New("a record of an unknown kind cannot be written")
}

// MarshalText returns the hash in hexadecimal.
func (h Hash) MarshalText() ([]byte, error) { return hex.AppendEncode(nil, h[:]), nil }

// UnmarshalText reads 64 hexadecimal digits.
func (h *Hash) UnmarshalText(text []byte) error {
	if len(text) != 2*len(h) {
		return fmt.Errorf("a hash has %d digits, not %d", 2*len(h), len(text))
	}
	_, err := hex.Decode(h[:], text)
	return err
}
