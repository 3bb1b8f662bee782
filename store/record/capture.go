package record

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/fxamacker/cbor/v2"
)

// MaxCaptureSize bounds the encoded size of a capture in bytes.
const MaxCaptureSize = 32 << 20

// Capture is one raw capture, as the unit sent it. It is kept beside the
// records, which name it by the SHA-256 of its bytes. Arrays are row-major by
// zone and empty where the unit does not report them.
type Capture struct {
	Version      int       `cbor:"1,keyasint"` // set by Encode
	Name         string    `cbor:"2,keyasint"` // "empty", "target", "verify" or "far"
	Serial       string    `cbor:"3,keyasint"`
	Kind         string    `cbor:"4,keyasint"` // "histograms", "totals" or "ranges"
	Compensated  bool      `cbor:"5,keyasint"` // the stored constants were in effect
	Rows         int       `cbor:"6,keyasint"`
	Cols         int       `cbor:"7,keyasint"`
	Bins         int       `cbor:"8,keyasint"`
	BinPS        int64     `cbor:"9,keyasint"`
	FirstBinPS   int64     `cbor:"10,keyasint"`
	Shots        int64     `cbor:"11,keyasint"` // fired in all
	Counts       Counts    `cbor:"12,keyasint"` // zone z, bin b at z·Bins+b
	FrameTotals  []Counts  `cbor:"13,keyasint"` // [frame][zone]
	CountMax     uint32    `cbor:"14,keyasint"`
	End          string    `cbor:"15,keyasint"` // why it ended
	TempMilliCel int32     `cbor:"16,keyasint"`
	TempKnown    bool      `cbor:"17,keyasint"`
	Signal       []float64 `cbor:"18,keyasint"` // {count}/{shot}
	SignalU      []float64 `cbor:"19,keyasint"`
	Ambient      []float64 `cbor:"20,keyasint"` // {count}/{shot} a bin
	AmbientU     []float64 `cbor:"21,keyasint"`
	RangeMM      []float64 `cbor:"22,keyasint"`
	RangeUMM     []float64 `cbor:"23,keyasint"`
}

// CaptureRef finds a raw capture and binds it to its record.
type CaptureRef struct {
	Name    string `cbor:"1,keyasint"` // as Capture.Name
	Hash    Hash   `cbor:"2,keyasint"` // SHA-256 of the encoded capture
	Segment uint32 `cbor:"3,keyasint"` // number of the capture segment
	Offset  int64  `cbor:"4,keyasint"` // of its frame in the segment, byte
	Length  int64  `cbor:"5,keyasint"` // of its frame, byte
}

// Counts is an array of counts; its byte form is the RFC 8746 typed array of
// little-endian 32-bit integers (tag 70).
type Counts []uint32

const tagUint32LE = 70

// MarshalCBOR encodes the typed array.
func (c Counts) MarshalCBOR() ([]byte, error) {
	b := make([]byte, 0, 4*len(c))
	for _, n := range c {
		b = binary.LittleEndian.AppendUint32(b, n)
	}
	return codec().enc.Marshal(cbor.Tag{Number: tagUint32LE, Content: b})
}

// UnmarshalCBOR decodes the typed array.
func (c *Counts) UnmarshalCBOR(data []byte) error {
	var t cbor.RawTag
	if err := codec().dec.Unmarshal(data, &t); err != nil {
		return err
	}
	var b []byte
	if err := codec().dec.Unmarshal(t.Content, &b); err != nil {
		return err
	}
	if t.Number != tagUint32LE || len(b)%4 != 0 {
		return errors.New("not an array of 32-bit counts")
	}
	*c = make(Counts, len(b)/4)
	for i := range *c {
		(*c)[i] = binary.LittleEndian.Uint32(b[4*i:])
	}
	return nil
}

// Encode returns the byte form of the capture, whose SHA-256 names it.
func (c *Capture) Encode() ([]byte, error) {
	v := *c
	f := form{version: 1}
	v.Version = f.version
	b, err := codec().enc.Marshal(&v)
	if err == nil {
		err = f.whole(b, shapes().capture)
	}
	if err == nil && f.version != v.Version {
		v.Version = f.version
		b, err = codec().enc.Marshal(&v)
	}
	if err != nil {
		return nil, fmt.Errorf("encoding a capture: %w", err)
	}
	if len(b) > MaxCaptureSize {
		return nil, fmt.Errorf("encoding a capture: %d bytes are more than %d", len(b), MaxCaptureSize)
	}
	if _, err := DecodeCapture(b); err != nil {
		return nil, fmt.Errorf("encoding a capture: %w", err)
	}
	return b, nil
}

// DecodeCapture reads the byte form of a capture. Bytes that are not in the one
// form of a capture are refused with ErrMalformed; keys of a later program are
// left out.
func DecodeCapture(data []byte) (*Capture, error) {
	fail := func(err error) (*Capture, error) { return nil, fmt.Errorf("decoding a capture: %w", err) }
	if len(data) > MaxCaptureSize {
		return fail(malformed("%d bytes", len(data)))
	}
	c := new(Capture)
	f := form{version: 1}
	if err := f.read(data, shapes().capture, c); err != nil {
		return fail(err)
	}
	if c.Version < 1 || !f.later && c.Version <= Version && c.Version != f.version {
		return fail(malformed("version %d", c.Version))
	}
	return c, nil
}
