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
	KindAccessRefused     Kind = 14
	KindStart             Kind = 15
	KindLogDamage         Kind = 16
	KindCapturesRemoved   Kind = 17
	KindBoxOpened         Kind = 20
	KindBoxed             Kind = 21
	KindPause             Kind = 22
	KindRelabelled        Kind = 23
	KindDecision          Kind = 25
)

// kinds says of each kind its name, the version of the schema that brought it,
// and what its body is.
var kinds = [...]struct {
	name  string
	since int
	body  func() Body
}{
	KindAttemptIntent:     {"attempt intent", 1, func() Body { return new(AttemptIntent) }},
	KindWriteIntent:       {"write intent", 1, func() Body { return new(WriteIntent) }},
	KindAttempt:           {"attempt", 1, func() Body { return new(Attempt) }},
	KindDispositionChange: {"disposition change", 1, func() Body { return new(DispositionChange) }},
	KindRefusal:           {"refusal", 1, func() Body { return new(Refusal) }},
	KindReworkDone:        {"rework done", 1, func() Body { return new(ReworkDone) }},
	KindReleaseTaken:      {"release taken up", 1, func() Body { return new(ReleaseTaken) }},
	KindSignOn:            {"sign-on", 1, func() Body { return new(SignOn) }},
	KindShiftSettings:     {"shift settings", 1, func() Body { return new(ShiftSettings) }},
	KindStop:              {"stop", 1, func() Body { return new(Stop) }},
	KindStopLifted:        {"stop lifted", 1, func() Body { return new(StopLifted) }},
	KindStudy:             {"study", 1, func() Body { return new(Study) }},
	KindNote:              {"note", 1, func() Body { return new(Note) }},
	KindAccessRefused:     {"access refused", 3, func() Body { return new(AccessRefused) }},
	KindStart:             {"start", 5, func() Body { return new(Start) }},
	KindLogDamage:         {"log damage", 5, func() Body { return new(LogDamage) }},
	KindCapturesRemoved:   {"captures removed", 5, func() Body { return new(CapturesRemoved) }},
	KindBoxOpened:         {"box opened", 5, func() Body { return new(BoxOpened) }},
	KindBoxed:             {"boxed", 5, func() Body { return new(Boxed) }},
	KindPause:             {"pause", 5, func() Body { return new(Pause) }},
	KindRelabelled:        {"relabelled", 5, func() Body { return new(Relabelled) }},
	KindDecision:          {"decision", 5, func() Body { return new(Decision) }},
}

// Kinds returns every kind that this program knows, in order of number.
func Kinds() []Kind {
	var list []Kind
	for k := range kinds {
		if Kind(k).known() {
			list = append(list, Kind(k))
		}
	}
	return list
}

func (k Kind) known() bool { return int(k) < len(kinds) && kinds[k].body != nil }

// String returns the kind in words.
func (k Kind) String() string {
	if !k.known() {
		return fmt.Sprintf("kind %d", uint16(k))
	}
	return kinds[k].name
}
