package record

import (
	"errors"
	"time"
)

// Start is a start of the station. No two are alike: where two computers go on
// from one log, as from a backup or a cloned disk, their logs differ from their
// next start on, and whatever meets both tells them apart.
type Start struct {
	Random   Hash       `cbor:"1,keyasint"` // drawn for this start
	Clock    time.Time  `cbor:"2,keyasint"` // of the computer, UTC
	Software string     `cbor:"3,keyasint"` // this program's version
	Runtime  string     `cbor:"4,keyasint"` // language and system that the program was built with
	Host     string     `cbor:"5,keyasint"` // name of the computer
	Command  string     `cbor:"6,keyasint"`
	Files    []Document `cbor:"7,keyasint"` // in force
}

// Document is a file in force.
type Document struct {
	Kind     string   `cbor:"1,keyasint"` // "limits", "product", "sheet", "roster" or "configuration"
	Revision Revision `cbor:"2,keyasint"`
}

func (*Start) Kind() Kind         { return KindStart }
func (s *Start) Subject() Subject { return Subject{} }

func (s *Start) validate() error {
	if s.Random == (Hash{}) {
		return errors.New("a start without its number")
	}
	return nil
}

// LogDamage says that the running station found its own log other than it was
// written.
type LogDamage struct {
	File   string `cbor:"1,keyasint"` // name within the store
	Offset int64  `cbor:"2,keyasint"` // byte, -1 where there is no place
	Record uint64 `cbor:"3,keyasint"` // sequence, 0 where it is in none
	Fault  string `cbor:"4,keyasint"` // "damaged", "rewritten", …
	What   string `cbor:"5,keyasint"`
}

func (*LogDamage) Kind() Kind         { return KindLogDamage }
func (l *LogDamage) Subject() Subject { return Subject{} }
func (l *LogDamage) validate() error  { return nil }

// CapturesRemoved says that raw captures were removed, by a rule of the
// configuration. What the records say of them stays, hashes included.
type CapturesRemoved struct {
	Segments []uint32  `cbor:"1,keyasint"` // numbers of the files that go
	Bytes    int64     `cbor:"2,keyasint"` // of all of them
	Before   time.Time `cbor:"3,keyasint"` // no capture in them is younger
	Rule     string    `cbor:"4,keyasint"` // key and value of the configuration
}

func (*CapturesRemoved) Kind() Kind         { return KindCapturesRemoved }
func (c *CapturesRemoved) Subject() Subject { return Subject{} }

func (c *CapturesRemoved) validate() error {
	if len(c.Segments) == 0 {
		return errors.New("a removal of nothing")
	}
	return nil
}
