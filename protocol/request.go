package protocol

import (
	"fmt"
	"math"
)

// Version is the version of SPEC.md that this package speaks.
const Version = 1

// Op numbers a request (SPEC.md 5). Numbers are never given another meaning.
type Op uint32

// The requests of version 1.
const (
	OpWhoAreYou     Op = 1
	OpStatus        Op = 2
	OpStartCapture  Op = 3
	OpProgress      Op = 4
	OpFetch         Op = 5
	OpReadConstants Op = 6
	OpStage         Op = 7
	OpCommit        Op = 8
	OpVoid          Op = 9
	OpRestart       Op = 10
	OpStop          Op = 11
)

func (op Op) String() string {
	names := [...]string{OpWhoAreYou: "who are you", OpStatus: "status", OpStartCapture: "start capture", OpProgress: "progress",
		OpFetch: "fetch", OpReadConstants: "read constants", OpStage: "stage", OpCommit: "commit", OpVoid: "void",
		OpRestart: "restart", OpStop: "stop"}
	if op > 0 && int(op) < len(names) {
		return names[op]
	}
	return fmt.Sprintf("request %d", uint32(op))
}

// Request is what the station sends.
type Request struct {
	ID      uint32 // 1 up; a repetition keeps it
	Session uint32 // the unit's session; in WhoAreYou the one to open
	Body    RequestBody
}

// RequestBody is a pointer to one of the request types of this package:
// WhoAreYou, AskStatus, CaptureRequest, AskProgress, Fetch, ReadConstants,
// Stage, Commit, Void, Restart, Stop, Refused.
type RequestBody interface {
	Op() Op
	fields(*form)
}

// Bodies of requests that need no arguments.
type (
	WhoAreYou struct{} // opens the session named in the request
	AskStatus struct{}
	Restart   struct{} // as if the power had been cut
	Stop      struct{} // emitter off, capture ended
)

// Refused stands for a request that a unit can only answer with Code:
// one it does not know, or whose arguments are wrong. Only [DecodeRequest]
// makes it.
type Refused struct {
	Asked Op
	Code  Code
	Why   string // for the unit's log, not sent
}

func (*WhoAreYou) Op() Op { return OpWhoAreYou }
func (*AskStatus) Op() Op { return OpStatus }
func (*Restart) Op() Op   { return OpRestart }
func (*Stop) Op() Op      { return OpStop }
func (r *Refused) Op() Op { return r.Asked }

func (*WhoAreYou) fields(*form) {}
func (*AskStatus) fields(*form) {}
func (*Restart) fields(*form)   {}
func (*Stop) fields(*form)      {}
func (*Refused) fields(*form)   {}

const requestItems = 4

// AppendRequest appends the payload of r to dst. It fails on a field outside
// its range, which is the caller's mistake.
func AppendRequest(dst []byte, r Request) ([]byte, error) {
	f := &form{}
	r.Body.fields(f)
	if f.err != nil {
		return dst, fmt.Errorf("encoding %q: %w", r.Body.Op(), f.err)
	}
	dst = appendHead(dst, majorArray, requestItems)
	for _, v := range []uint32{r.ID, r.Session, uint32(r.Body.Op())} {
		dst = appendInt(dst, int64(v))
	}
	return append(appendHead(dst, majorMap, uint64(f.n)), f.out...), nil
}

// DecodeRequest reads the payload of a packet that a unit received. An error
// means that it is no request at all, to be dropped like a damaged packet. A
// request that must be answered with an error code comes back as *[Refused].
func DecodeRequest(payload []byte) (Request, error) {
	head, f, err := readEnvelope(payload, requestItems)
	if err != nil {
		return Request{}, fmt.Errorf("decoding a request: %w", err)
	}
	r := Request{ID: head[0], Session: head[1]}
	op := Op(head[2])
	body := newRequestBody(op)
	if body == nil {
		r.Body = &Refused{op, CodeUnknownRequest, "unknown request"}
		return r, nil
	}
	body.fields(f)
	if f.err != nil {
		r.Body = &Refused{op, CodeBadArgument, f.err.Error()}
		return r, nil
	}
	r.Body = body
	return r, nil
}

// newRequestBody returns what the arguments of op are decoded into, nil for
// an unknown one.
func newRequestBody(op Op) RequestBody {
	switch op {
	case OpWhoAreYou:
		return &WhoAreYou{}
	case OpStatus:
		return &AskStatus{}
	case OpStartCapture:
		return &CaptureRequest{}
	case OpProgress:
		return &AskProgress{}
	case OpFetch:
		return &Fetch{}
	case OpReadConstants:
		return &ReadConstants{}
	case OpStage:
		return &Stage{}
	case OpCommit:
		return &Commit{}
	case OpVoid:
		return &Void{}
	case OpRestart:
		return &Restart{}
	case OpStop:
		return &Stop{}
	}
	return nil
}

// readEnvelope checks a whole payload and takes its array apart: unsigned
// numbers, then one map.
func readEnvelope(payload []byte, items int) (head []uint32, f *form, err error) {
	if len(payload) > MaxPayload {
		return nil, nil, fmt.Errorf("%d bytes are too many", len(payload))
	}
	rest, err := skipItem(payload, 1)
	if err != nil {
		return nil, nil, err
	}
	if len(rest) > 0 {
		return nil, nil, fmt.Errorf("%d bytes after the message", len(rest))
	}
	major, n, rest, err := readHead(payload)
	if err != nil || major != majorArray || n != uint64(items) {
		return nil, nil, fmt.Errorf("not an array of %d", items)
	}
	for range items - 1 {
		v, after, err := readInt(rest)
		if err != nil || v < 0 || v > math.MaxUint32 {
			return nil, nil, fmt.Errorf("not a message's beginning")
		}
		head, rest = append(head, uint32(v)), after
	}
	f, _, err = readForm(rest)
	return head, f, err
}
