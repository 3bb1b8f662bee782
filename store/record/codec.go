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
}

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
// station, generation and sequence are used. The text of every field must be
// UTF-8. A body that misses what its kind requires is an error.
func Encode(e Entry) ([]byte, Ref, error) {
	fail := func(err error) ([]byte, Ref, error) {
		return nil, Ref{}, fmt.Errorf("encoding a record: %w", err)
	}
	if e.Body == nil {
		return fail(fmt.Errorf("no body"))
	}
	if err := e.Body.validate(); err != nil {
		return fail(fmt.Errorf("%s: %w", e.Body.Kind(), err))
	}
	body, err := codec().enc.Marshal(e.Body)
	if err != nil {
		return fail(err)
	}
	data, err := codec().enc.Marshal(envelope{
		Version: Version, Kind: e.Body.Kind(),
		Station: e.Ref.Station, Generation: e.Ref.Generation, Sequence: e.Ref.Sequence,
		Time: e.Time.UTC(), Previous: e.Previous, Body: body,
	})
	if err != nil {
		return fail(err)
	}
	// What could not be read again must not be written.
	back, err := Decode(data)
	if err != nil {
		return fail(fmt.Errorf("%s: %w", e.Body.Kind(), err))
	}
	return data, back.Ref, nil
}

// Decode reads a record. Bytes that are not exactly what Encode gives, in this
// or a later version, are refused with ErrMalformed.
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
		return Entry{}, fmt.Errorf("%w: %d bytes are more than %d", ErrMalformed, len(data), MaxSize)
	}
	var v envelope
	if err := decodeExact(data, &v); err != nil {
		return Entry{}, err
	}
	e := Entry{
		Ref:     Ref{Station: v.Station, Generation: v.Generation, Sequence: v.Sequence, Hash: HashOf(data)},
		Version: v.Version, Time: v.Time, Previous: v.Previous,
	}
	if v.Version < 1 {
		return Entry{}, fmt.Errorf("%w: version %d", ErrMalformed, v.Version)
	}
	if e.Body = v.Kind.empty(); e.Body == nil || v.Version > Version {
		if v.Version <= Version {
			return Entry{}, fmt.Errorf("%w: %s in version %d", ErrMalformed, v.Kind, v.Version)
		}
		e.Body = &Unknown{Number: v.Kind, Raw: bytes.Clone(v.Body)}
		return e, nil
	}
	if err := decodeExact(v.Body, e.Body); err != nil {
		return Entry{}, fmt.Errorf("%s: %w", v.Kind, err)
	}
	return e, nil
}

// decodeExact decodes data into v and holds that v encodes to data again: the
// decoder alone takes longer integers, other key orders and keys it skips.
func decodeExact(data []byte, v any) error {
	if err := codec().dec.Unmarshal(data, v); err != nil {
		return fmt.Errorf("%w: %w", ErrMalformed, err)
	}
	again, err := codec().enc.Marshal(v)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrMalformed, err)
	}
	if !bytes.Equal(again, data) {
		return fmt.Errorf("%w: not in its one byte form", ErrMalformed)
	}
	return nil
}
