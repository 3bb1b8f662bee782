package protocol

import "fmt"

// Code says how a request went (SPEC.md 4.4).
type Code uint32

// The codes of version 1. Everything but CodeOK and CodeBusy refuses.
const (
	CodeOK             Code = 0
	CodeBusy           Code = 1  // ask again after BusyMS; deaf until then, perhaps
	CodeUnknownRequest Code = 2  // no such request in this unit
	CodeBadArgument    Code = 3  // a key missing or outside its range
	CodeNoSession      Code = 4  // the request names another session
	CodeCapturing      Code = 5  // not while a capture runs
	CodeNoCapture      Code = 6  // no capture of that id, or not finished
	CodeUnsupported    Code = 7  // this unit cannot do that
	CodeNotStaged      Code = 8  // no complete block of that length and CRC is staged
	CodeWrongUnit      Code = 9  // the staged block is for another serial or grid
	CodeFault          Code = 10 // the unit's hardware failed to do it; see status
)

func (c Code) String() string {
	names := [...]string{CodeOK: "ok", CodeBusy: "busy", CodeUnknownRequest: "unknown request", CodeBadArgument: "bad argument",
		CodeNoSession: "no session", CodeCapturing: "capturing", CodeNoCapture: "no such capture", CodeUnsupported: "unsupported",
		CodeNotStaged: "not staged", CodeWrongUnit: "wrong unit", CodeFault: "fault"}
	if int(c) < len(names) {
		return names[c]
	}
	return fmt.Sprintf("code %d", uint32(c))
}

// Answer is what the unit sends, one to each request.
type Answer struct {
	ID      uint32 // of the request
	Session uint32 // the unit's own, 0 when none is open
	Op      Op     // of the request
	Code    Code
	BusyMS  int        // with CodeBusy: ask again after that many milliseconds
	Body    AnswerBody // with CodeOK; nil where there is nothing to say
}

// AnswerBody is one of *Identity, *Status, *Progress, *Values,
// *ConstantsPart, *Staged.
type AnswerBody interface{ fields(*form) }

const (
	answerItems = 5
	maxBusyMS   = 10_000
)

// busy is the body of an answer with CodeBusy.
type busy struct{ ms *int }

func (b busy) fields(f *form) { num(f, 1, b.ms, 1, maxBusyMS) }

// AppendAnswer appends the payload of a to dst. It fails on a field outside
// its range, which is the caller's mistake.
func AppendAnswer(dst []byte, a Answer) ([]byte, error) {
	f := &form{}
	switch {
	case a.Code == CodeBusy:
		busy{&a.BusyMS}.fields(f)
	case a.Code == CodeOK && a.Body != nil:
		a.Body.fields(f)
	}
	if f.err != nil {
		return dst, fmt.Errorf("encoding the answer to %q: %w", a.Op, f.err)
	}
	dst = appendHead(dst, majorArray, answerItems)
	for _, v := range []uint32{a.ID, a.Session, uint32(a.Op), uint32(a.Code)} {
		dst = appendInt(dst, int64(v))
	}
	return append(appendHead(dst, majorMap, uint64(f.n)), f.out...), nil
}

// DecodeAnswer reads the payload of a packet that the station received. An
// error means that it is no answer of this protocol, to be dropped like a
// damaged packet.
func DecodeAnswer(payload []byte) (Answer, error) {
	head, f, err := readEnvelope(payload, answerItems)
	if err != nil {
		return Answer{}, fmt.Errorf("decoding an answer: %w", err)
	}
	a := Answer{ID: head[0], Session: head[1], Op: Op(head[2]), Code: Code(head[3])}
	switch a.Code {
	case CodeBusy:
		busy{&a.BusyMS}.fields(f)
	case CodeOK:
		if a.Body = newAnswerBody(a.Op); a.Body != nil {
			a.Body.fields(f)
		}
	}
	if f.err != nil {
		return Answer{}, fmt.Errorf("decoding the answer to %q: %w", a.Op, f.err)
	}
	return a, nil
}

func newAnswerBody(op Op) AnswerBody {
	switch op {
	case OpWhoAreYou:
		return &Identity{}
	case OpStatus:
		return &Status{}
	case OpStartCapture, OpProgress:
		return &Progress{}
	case OpFetch:
		return &Values{}
	case OpReadConstants:
		return &ConstantsPart{}
	case OpStage:
		return &Staged{}
	}
	return nil
}
