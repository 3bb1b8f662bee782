package record

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"sync"
	"time"

	"github.com/fxamacker/cbor/v2"
)

// envelope is the byte form of a record.
type envelope struct {
	Version    int             `cbor:"1,keyasint"`
	Kind       Kind            `cbor:"2,keyasint"`
	Station    string          `cbor:"3,keyasint"`
	Generation uint32          `cbor:"4,keyasint"`
	Sequence   uint64          `cbor:"5,keyasint"`
	Time       time.Time       `cbor:"6,keyasint"`
	Previous   Hash            `cbor:"7,keyasint"`
	Body       cbor.RawMessage `cbor:"8,keyasint"`
	Simulated  bool            `cbor:"9,keyasint,omitempty" since:"3"`
}

// simulatedSince is the version that brought the envelope's last key.
const simulatedSince = 3

type modes struct {
	enc cbor.EncMode
	dec cbor.DecMode
}

// codec holds the two fixed modes. They are constant after the first call.
var codec = sync.OnceValue(func() modes {
	e := cbor.CoreDetEncOptions()
	e.Time = cbor.TimeRFC3339NanoUTC
	e.NilContainers = cbor.NilContainerAsEmpty
	enc, err := e.EncMode()
	if err != nil {
		panic(err) // fixed options: only a programming error gets here
	}
	dec, err := cbor.DecOptions{
		DupMapKey:        cbor.DupMapKeyEnforcedAPF,
		IndefLength:      cbor.IndefLengthForbidden,
		MaxNestedLevels:  16,
		MaxArrayElements: 1 << 16,
		MaxMapPairs:      256,
	}.DecMode()
	if err != nil {
		panic(err)
	}
	return modes{enc, dec}
})

// HashOf returns the SHA-256 of data.
func HashOf(data []byte) Hash { return sha256.Sum256(data) }

// Encode returns the byte form of e and the Ref that names it; of e.Ref the
// station, generation and sequence are used. The record gets the lowest version
// that can express it. The text of every field must be UTF-8. A body that
// misses what its kind requires is an error, and so is a record that holds what
// this program does not know: only its own bytes are that record.
func Encode(e Entry) ([]byte, Ref, error) {
	data, _, err := EncodeUnproven(e)
	if err != nil {
		return nil, Ref{}, err
	}
	// What could not be read again must not be written.
	back, err := Decode(data)
	if err != nil {
		return nil, Ref{}, fmt.Errorf("encoding a record: %s: %w", e.Body.Kind(), err)
	}
	return data, back.Ref, nil
}

// EncodeUnproven is Encode, but does not read back what it made: twice as quick,
// for records by the million that nobody measured.
func EncodeUnproven(e Entry) ([]byte, Ref, error) {
	fail := func(err error) ([]byte, Ref, error) {
		return nil, Ref{}, fmt.Errorf("encoding a record: %w", err)
	}
	if e.Body == nil {
		return fail(fmt.Errorf("no body"))
	}
	if e.Later {
		return fail(fmt.Errorf("%s: a record of a later program", e.Body.Kind()))
	}
	if err := e.Body.validate(); err != nil {
		return fail(fmt.Errorf("%s: %w", e.Body.Kind(), err))
	}
	if a, ok := e.Body.(*Attempt); ok {
		e.Body = a.recorded()
	}
	body, err := codec().enc.Marshal(e.Body)
	if err != nil {
		return fail(err)
	}
	kind := e.Body.Kind()
	f := form{version: kinds[kind].since}
	if e.Simulated {
		f.version = max(f.version, simulatedSince)
	}
	if err := f.whole(body, shapes().bodies[kind]); err != nil {
		return fail(fmt.Errorf("%s: %w", kind, err))
	}
	data, err := codec().enc.Marshal(envelope{
		Version: f.version, Kind: kind,
		Station: e.Ref.Station, Generation: e.Ref.Generation, Sequence: e.Ref.Sequence,
		Time: e.Time.UTC(), Previous: e.Previous, Body: body, Simulated: e.Simulated,
	})
	if err != nil {
		return fail(err)
	}
	ref := e.Ref
	ref.Hash = HashOf(data)
	return data, ref, nil
}

// Decode reads a record. Bytes that are not in the one form that a record has
// are refused with ErrMalformed. Keys and kinds of a later program are none of
// those: what is known is read, and the entry says that there is more.
func Decode(data []byte) (Entry, error) {
	e, err := decode(data)
	if err != nil {
		return Entry{}, fmt.Errorf("decoding a record: %w", err)
	}
	return e, nil
}

// DecodeFirst reads the record that data begins with, whatever follows it, and
// returns its length in bytes.
func DecodeFirst(data []byte) (Entry, int, error) {
	var first cbor.RawMessage
	rest, err := codec().dec.UnmarshalFirst(data, &first)
	if err != nil {
		return Entry{}, 0, fmt.Errorf("decoding a record: %w: %w", ErrMalformed, err)
	}
	n := len(data) - len(rest)
	e, err := Decode(data[:n])
	return e, n, err
}

func decode(data []byte) (Entry, error) {
	if len(data) > MaxSize {
		return Entry{}, malformed("%d bytes are more than %d", len(data), MaxSize)
	}
	var v envelope
	f := form{version: 1}
	if err := f.read(data, shapes().envelope, &v); err != nil {
		return Entry{}, err
	}
	if v.Version < 1 {
		return Entry{}, malformed("version %d", v.Version)
	}
	e := Entry{
		Ref:     Ref{Station: v.Station, Generation: v.Generation, Sequence: v.Sequence, Hash: HashOf(data)},
		Version: v.Version, Time: v.Time, Previous: v.Previous, Simulated: v.Simulated,
	}
	if !v.Kind.known() {
		e.Body, e.Later = &Unknown{Number: v.Kind, Raw: bytes.Clone(v.Body)}, true
		return e, nil
	}
	f.version = max(f.version, kinds[v.Kind].since)
	e.Body = kinds[v.Kind].body()
	err := f.read(v.Body, shapes().bodies[v.Kind], e.Body)
	e.Later = f.later || v.Version > Version
	switch {
	case err != nil && v.Version > Version: // its form is proven: only its content is not known
		e.Body = &Unknown{Number: v.Kind, Raw: bytes.Clone(v.Body)}
	case err != nil:
		return Entry{}, fmt.Errorf("%s: %w", v.Kind, err)
	case !e.Later && v.Version != f.version:
		return Entry{}, malformed("%s in version %d, which is one of version %d", v.Kind, v.Version, f.version)
	}
	return e, nil
}

// read proves the form of data and decodes it into v. The decoder alone takes
// longer integers, other key orders, and keys that are missing.
func (f *form) read(data []byte, s *shape, v any) error {
	if err := f.whole(data, s); err != nil {
		return err
	}
	if err := codec().dec.Unmarshal(data, v); err != nil {
		return fmt.Errorf("%w: %w", ErrMalformed, err)
	}
	return nil
}
