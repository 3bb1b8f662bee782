package shift

import (
	"time"

	"example.org/panecal/station"
)

// Kind says what an Input is.
type Kind uint8

// The kinds of input.
const (
	Label      Kind = iota + 1 // Text was scanned or typed
	Unreadable                 // Text was entered and cannot be a label, Fault says why; the operator has been told
	Go                         // the key or pedal for "go on"
	Skip                       // end what the nest does, confirmed by the operator
)

// Input is one thing entered at the screen, for the station.
type Input struct {
	Kind  Kind
	Text  string      // as it came: separators of ISO/IEC 15434 included
	Fault station.Arg // nil but for Unreadable
	Nest  int         // for Go and Skip the nest the hands were sent to on the screen, or station.NoNest
	At    time.Time
	Typed bool // by hand, key by key: no scanner does that
}
