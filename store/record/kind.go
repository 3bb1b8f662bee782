package record

import "fmt"

// Kind numbers the kinds of record. Numbers are for ever.
type Kind uint16

// The kinds.
const (
	KindAttemptIntent     Kind = 1
	KindWriteIntent       Kind = 2
	KindAttempt           Kind = 3
	KindDispositionChange Kind = 4
	KindRefusal           Kind = 5
	KindReworkDone        Kind = 6
	KindReleaseTaken      Kind = 7
	KindSignOn            Kind = 8
	KindShiftSettings     Kind = 9
	KindStop              Kind = 10
	KindStopLifted        Kind = 11
	KindStudy             Kind = 12
	KindNote              Kind = 13
)

// String returns the kind in words.
func (k Kind) String() string {
	switch k {
	case KindAttemptIntent:
		return "attempt intent"
	case KindWriteIntent:
		return "write intent"
	case KindAttempt:
		return "attempt"
	case KindDispositionChange:
		return "disposition change"
	case KindRefusal:
		return "refusal"
	case KindReworkDone:
		return "rework done"
	case KindReleaseTaken:
		return "release taken up"
	case KindSignOn:
		return "sign-on"
	case KindShiftSettings:
		return "shift settings"
	case KindStop:
		return "stop"
	case KindStopLifted:
		return "stop lifted"
	case KindStudy:
		return "study"
	case KindNote:
		return "note"
	}
	return fmt.Sprintf("kind %d", uint16(k))
}

// empty returns a body of kind k to decode into, nil where k is not known.
func (k Kind) empty() Body {
	switch k {
	case KindAttemptIntent:
		return new(AttemptIntent)
	case KindWriteIntent:
		return new(WriteIntent)
	case KindAttempt:
		return new(Attempt)
	case KindDispositionChange:
		return new(DispositionChange)
	case KindRefusal:
		return new(Refusal)
	case KindReworkDone:
		return new(ReworkDone)
	case KindReleaseTaken:
		return new(ReleaseTaken)
	case KindSignOn:
		return new(SignOn)
	case KindShiftSettings:
		return new(ShiftSettings)
	case KindStop:
		return new(Stop)
	case KindStopLifted:
		return new(StopLifted)
	case KindStudy:
		return new(Study)
	case KindNote:
		return new(Note)
	}
	return nil
}
