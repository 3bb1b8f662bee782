package conform

import (
	"bytes"
	"fmt"
	"slices"
	"time"

	"example.org/panecal/protocol"
)

func requestChecks() []check {
	return []check{
		{"identity", []string{"4.6.1", "4.6.3", "5.1.2", "5.1.4"}, checkIdentity},
		{"packets that are no request", []string{"4.1.3"}, checkNoRequest},
		{"ids", []string{"4.2.3"}, checkIDs},
		{"requests that come twice", []string{"1.4"}, checkTwice},
		{"sessions", []string{"4.3.1", "4.3.2", "4.3.3", "4.3.4", "4.4.4", "4.4.5"}, checkSessions},
		{"unknown requests", []string{"4.4.2", "4.4.4", "4.4.1", "4.1.4"}, checkUnknownRequests},
		{"wrong arguments", []string{"4.4.3", "4.4.4", "4.4.1", "4.1.4"}, checkArguments},
		{"status", []string{"5.2.1"}, checkStatus},
	}
}

func checkIdentity(r *run) {
	h, ok := r.ask(&protocol.WhoAreYou{})
	if !ok {
		return
	}
	// Keys 1 to 21, whatever a later version adds.
	body := h.payload[1:]
	for range 4 {
		_, _, body, _ = take(body)
	}
	_, n, body, _ := take(body)
	want := uint64(1)
	for range n {
		_, key, rest, f := take(body)
		if f != nil || key != want && want <= 21 {
			break
		}
		want++
		if body, f = skip(rest, 3); f != nil {
			break
		}
	}
	r.want("4.6.3", want > 21, "key %d of the identity is missing", want)
	r.want("4.6.1", r.id.ProtoLow <= protocol.Version && protocol.Version <= r.id.ProtoHigh,
		"versions %d to %d are announced, this page is version %d", r.id.ProtoLow, r.id.ProtoHigh, protocol.Version)
	r.want("5.1.2", r.id.UnitID != "", "the unit's own identity is empty")
	r.want("5.1.2", !r.id.Kinds.Has(protocol.Histograms) || r.id.Bins >= 2, "histograms of %d bins", r.id.Bins)
	r.want("5.1.4", r.id.Kinds.Has(protocol.Histograms) || r.id.Kinds.Has(protocol.Ranges), "neither histograms nor ranges are announced")
	// What it says it can, it can; what not, it refuses (5.3.3 tries that).
	for _, kind := range []protocol.CaptureKind{protocol.Histograms, protocol.Totals, protocol.Ranges} {
		if r.id.Kinds.Has(kind) {
			if _, ok := r.start(kind, 1, 1); !ok {
				r.fail("5.1.2", "%v are announced and cannot be had", kind)
			}
			r.stop()
		}
	}
}

// checkNoRequest sends good packets that have another shape than a request.
func checkNoRequest(r *run) {
	id, s, status := int64(r.newID()), int64(r.session), int64(protocol.OpStatus)
	shapes := map[string]any{
		"a number": 7, "a text": "status", "a map": pairs{{1, 2}}, "an empty array": []any{},
		"an array of three":             []any{id, s, status},
		"an array of five":              []any{id, s, status, pairs{}, 0},
		"an answer":                     []any{id, s, status, 0, pairs{}},
		"arguments that are an array":   []any{id, s, status, []any{}},
		"arguments that are a number":   []any{id, s, status, 0},
		"an id of 2^32":                 []any{int64(1) << 32, s, status, pairs{}},
		"a negative id":                 []any{-1, s, status, pairs{}},
		"an id that is text":            []any{"1", s, status, pairs{}},
		"an id in an array":             []any{[]any{id}, s, status, pairs{}},
		"a session of 2^32":             []any{id, int64(1) << 32, status, pairs{}},
		"a session of bytes":            []any{id, []byte{1, 2, 3, 4}, status, pairs{}},
		"a negative request number":     []any{id, s, -2, pairs{}},
		"a request number of 2^32 + 2":  []any{id, s, int64(1)<<32 + 2, pairs{}},
		"the session modulo 2^32":       []any{id, s + int64(1)<<32, status, pairs{}},
		"counts in place of a number":   []any{id, s, raw{0xd8, 64, 0x41, 2}, pairs{}},
		"the largest possible number":   []any{id, s, raw{0x1b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, pairs{}},
		"the request within an array":   []any{[]any{id, s, status, pairs{}}},
		"counts in place of arguments":  []any{id, s, status, raw{0xd8, 64, 0x40}},
		"a map in place of the session": []any{id, pairs{}, status, pairs{}},
	}
	for _, what := range sorted(shapes) {
		r.dropped("4.1.3", what+" as a payload", uint32(id), packetOf(item(shapes[what])))
	}
}

// checkIDs: an id means nothing but which answer belongs to which request.
func checkIDs(r *run) {
	id := r.newID()
	one, ok := r.start(r.main(), 1, 1)
	if !ok || !r.ended(one.Capture) {
		return
	}
	for _, op := range []protocol.Op{protocol.OpStatus, protocol.OpWhoAreYou, protocol.OpStatus} {
		h, ok := r.insist(id, op, envelope(id, r.session, op, pairs{}))
		r.want("4.2.3", ok && h.Code == protocol.CodeOK && h.Op == op, "an id that another request had before is answered with code %d", h.Code)
	}
	// A new capture under an id that was used, an old capture under a new one.
	r.capture++
	h, ok := r.insist(id, protocol.OpStartCapture, r.payloadOf(id, &protocol.CaptureRequest{ID: r.capture, Kind: r.main(), Shots: 1, Frames: 1}))
	if p, good := h.Body.(*protocol.Progress); ok {
		r.want("4.2.3", good && p.Capture == r.capture, "a new capture in a request with a used id is not started")
	}
	for _, fresh := range []uint32{r.newID(), 0, 1<<32 - 1} {
		h, ok = r.insist(fresh, protocol.OpProgress, r.payloadOf(fresh, &protocol.AskProgress{Capture: r.capture}))
		r.want("4.2.3", ok && h.Code == protocol.CodeOK, "progress with id %d is answered with code %d", fresh, h.Code)
	}
	r.ended(r.capture)
}

// checkTwice sends everything twice, with the same id, and compares.
func checkTwice(r *run) {
	block := r.block(protocol.Written, 1)
	crc := lastFour(block)
	long := &protocol.CaptureRequest{ID: r.nextCapture(), Kind: r.main(), Shots: r.shots(300), Frames: 1}
	fetch := &protocol.Fetch{Capture: long.ID, Table: r.mainTable(), Count: 1}
	steps := []protocol.RequestBody{
		&protocol.WhoAreYou{}, &protocol.AskStatus{}, &protocol.ReadConstants{Count: 64}, long, &protocol.AskProgress{Capture: long.ID},
		&protocol.Stop{}, fetch,
	}
	for at := 0; at < len(block); at += part {
		steps = append(steps, &protocol.Stage{Length: len(block), Offset: at, Data: block[at:min(at+part, len(block))]})
	}
	steps = append(steps, &protocol.Commit{Length: len(block), CRC: crc}, &protocol.ReadConstants{Count: 64},
		&protocol.Void{}, &protocol.ReadConstants{Count: 64})
	var read [][]byte
	for _, body := range steps {
		id := r.newID()
		payload := r.payloadOf(id, body)
		first, ok1 := r.insist(id, body.Op(), payload)
		if body.Op() == protocol.OpStartCapture {
			r.pause(30 * time.Millisecond)
		}
		second, ok2 := r.insist(id, body.Op(), payload)
		if !ok1 || !ok2 {
			return
		}
		r.want("1.4", first.Code == second.Code, "%v with the same id gives code %d, then %d", body.Op(), first.Code, second.Code)
		switch a := first.Body.(type) {
		case *protocol.Progress:
			b, _ := second.Body.(*protocol.Progress)
			r.want("1.4", b != nil && b.Capture == a.Capture && b.ShotsFired >= a.ShotsFired, "%v with the same id started something anew", body.Op())
		case *protocol.Staged:
			b, _ := second.Body.(*protocol.Staged)
			r.want("1.4", b != nil && b.Held == a.Held, "a part staged twice changes what is held")
		case *protocol.Identity, *protocol.Values, *protocol.ConstantsPart:
			r.want("1.4", bytes.Equal(first.payload, second.payload), "%v with the same id gives other bytes", body.Op())
			if c, ok := a.(*protocol.ConstantsPart); ok {
				read = append(read, c.Data)
			}
		}
	}
	if len(read) == 3 {
		r.want("1.4", bytes.HasPrefix(block, read[1]) && len(read[1]) > 0, "committed twice, the block in force is another")
		r.want("1.4", bytes.Equal(read[2], protocol.VoidBlock(nil)), "voided twice, the block in force is not the void form")
	}
}

func checkSessions(r *run) {
	status := func(session uint32) (heard, bool) {
		id := r.newID()
		return r.insist(id, protocol.OpStatus, envelope(id, session, protocol.OpStatus, pairs{}))
	}
	// The number is the station's, whatever it is.
	for _, s := range []uint32{1, 0x80000000, 1<<32 - 1, r.newSession()} {
		r.session = s
		id := r.newID()
		h, ok := r.insist(id, protocol.OpWhoAreYou, envelope(id, s, protocol.OpWhoAreYou, pairs{}))
		r.want("4.3.1", ok && h.Session == s && h.Code == protocol.CodeOK, "session %d is not opened", s)
	}
	// Staged before: a unit may refuse it while a capture runs (5.6.8).
	r.ask(&protocol.Stage{Length: 300, Data: make([]byte, 100)})
	p, ok := r.start(r.main(), r.forEver(), 1)
	if !ok {
		return
	}
	// The number of the open session changes nothing.
	r.ask(&protocol.WhoAreYou{})
	if now, ok := r.progress(p.Capture); ok {
		r.want("4.3.2", now.End == protocol.Running, "who are you with the open session's number ended the capture (%v)", now.End)
	}
	if h, ok := r.ask(&protocol.Stage{Length: 300, Offset: 100, Data: make([]byte, 100)}); ok && h.Code == protocol.CodeOK {
		r.want("4.3.2", h.Body.(*protocol.Staged).Held == 200, "who are you with the open session's number forgot what was staged")
	}
	r.refusals(p)
	// Another number ends the capture, forgets it and what was staged, and
	// leaves the constants alone.
	before, ok := r.readConstants()
	if !ok {
		return
	}
	r.session = r.newSession()
	r.ask(&protocol.WhoAreYou{})
	if s, ok := r.status(); ok {
		r.want("4.3.3", !s.EmitterOn && s.Capture == 0, "another session leaves capture %d and the emitter (%v)", s.Capture, s.EmitterOn)
		r.dark("4.3.3", "in another session")
	}
	r.code("4.3.3", protocol.CodeNoCapture, &protocol.AskProgress{Capture: p.Capture})
	if h, ok := r.ask(&protocol.Stage{Length: 300, Offset: 200, Data: make([]byte, 100)}); ok && h.Code == protocol.CodeOK {
		r.want("4.3.3", h.Body.(*protocol.Staged).Held == 0, "another session keeps %d staged bytes", h.Body.(*protocol.Staged).Held)
	}
	if after, ok := r.readConstants(); ok {
		r.want("4.3.3", bytes.Equal(before, after), "another session changed the constants")
	}
	// A capture that had ended is forgotten too.
	if p, ok := r.start(r.main(), 1, 1); ok && r.ended(p.Capture) {
		r.session = r.newSession()
		r.ask(&protocol.WhoAreYou{})
		r.code("4.3.3", protocol.CodeNoCapture, &protocol.Fetch{Capture: p.Capture, Table: r.mainTable(), Count: 1})
	}
	if h, ok := status(r.session); ok {
		r.want("4.3.1", h.Code == protocol.CodeOK, "the open session's status is refused")
	}
}

// refusals asks everything in sessions that are not open, while a capture
// runs and something is staged: nothing may come of it.
func (r *run) refusals(p protocol.Progress) {
	for _, session := range []uint32{0, r.session ^ 1, r.session ^ 0x80000000, ^r.session} {
		for _, body := range []protocol.RequestBody{
			&protocol.AskStatus{}, &protocol.CaptureRequest{ID: p.Capture, Kind: r.main(), Shots: 1, Frames: 1}, &protocol.AskProgress{Capture: p.Capture},
			&protocol.Fetch{Capture: p.Capture, Table: r.mainTable(), Count: 1}, &protocol.ReadConstants{Count: 20},
			&protocol.Stage{Length: 20, Data: protocol.VoidBlock(nil)}, &protocol.Commit{Length: 20, CRC: 1}, &protocol.Void{}, &protocol.Restart{},
		} {
			payload, err := protocol.AppendRequest(nil, protocol.Request{ID: r.newID(), Session: session, Body: body})
			if err != nil {
				r.fail("4.3.4", "%v", err)
				continue
			}
			if h, ok := r.one(r.lastID, body.Op(), payload); ok {
				r.want("4.3.4", h.Code == protocol.CodeNoSession, "%v in session %d is answered with code %d", body.Op(), session, h.Code)
			}
		}
		id := r.newID()
		if h, ok := r.one(id, protocol.OpFetch, envelope(id, session, protocol.OpFetch, pairs{})); ok {
			r.want("4.4.4", h.Code == protocol.CodeNoSession, "no arguments in another session: code %d, not 4", h.Code)
		}
		id = r.newID()
		if h, ok := r.one(id, 77, envelope(id, session, 77, pairs{})); ok {
			r.want("4.4.4", h.Code == protocol.CodeNoSession, "an unknown request in another session: code %d, not 4", h.Code)
		}
	}
	id := r.newID()
	if h, ok := r.one(id, protocol.OpWhoAreYou, envelope(id, 0, protocol.OpWhoAreYou, pairs{})); ok {
		r.want("4.3.4", h.Code == protocol.CodeNoSession, "who are you with number 0 is answered with code %d", h.Code)
	}
	if now, ok := r.progress(p.Capture); ok {
		r.want("4.3.4", now.End == protocol.Running, "refused requests ended the capture (%v)", now.End)
	}
	if h, ok := r.ask(&protocol.Stage{Length: 300, Offset: 200, Data: make([]byte, 1)}); ok && h.Code == protocol.CodeOK {
		r.want("4.3.4", h.Body.(*protocol.Staged).Held == 201, "refused requests changed what is staged")
	}
	// Stop is for everybody.
	for _, session := range []uint32{0, r.session ^ 1} {
		id := r.newID()
		if h, ok := r.one(id, protocol.OpStop, envelope(id, session, protocol.OpStop, pairs{})); ok {
			r.want("4.4.5", h.Code == protocol.CodeOK, "stop in session %d is answered with code %d", session, h.Code)
		}
		if now, ok := r.progress(p.Capture); ok {
			r.want("4.3.4", now.End == protocol.Stopped, "stop in session %d leaves the capture %v", session, now.End)
		}
		next, ok := r.start(r.main(), r.forEver(), 1)
		if !ok {
			return
		}
		p = next
	}
}

func checkUnknownRequests(r *run) {
	p, ok := r.start(r.main(), 1, 1)
	if !ok || !r.ended(p.Capture) {
		return
	}
	for _, op := range []protocol.Op{0, 12, 23, 24, 127, 255, 256, 256 + protocol.OpStop, 1<<16 + protocol.OpVoid, 1<<32 - 1} {
		for _, args := range []any{pairs{}, pairs{{1, 1}, {2, "x"}}, pairs{{1, []any{1, 2}}}} {
			id := r.newID()
			h, ok := r.insist(id, op, envelope(id, r.session, op, args))
			r.want("4.4.2", ok && h.Code == protocol.CodeUnknownRequest, "request number %d is not answered, or with code %d", op, h.Code)
		}
	}
	r.code("4.4.1", protocol.CodeOK, &protocol.AskProgress{Capture: p.Capture})
}

// argument is one key of a request: what it may be.
type argument struct {
	key    int64
	good   any
	lo, hi int64 // of an integer
	bytes  bool
}

func (r *run) arguments() map[protocol.Op][]argument {
	num := func(key, good, lo, hi int64) argument { return argument{key: key, good: good, lo: lo, hi: hi} }
	const u32 = 1<<32 - 1
	id := num(1, int64(r.capture)+1, 1, u32)
	return map[protocol.Op][]argument{
		protocol.OpStartCapture: {id, num(2, int64(r.main()), 1, 4), num(3, 1, 0, 1), num(4, 1, 1, u32), num(5, 1, 1, int64(r.id.MaxFrames))},
		protocol.OpProgress:     {id},
		protocol.OpFetch: {num(1, int64(r.capture), 1, u32), num(2, int64(r.mainTable()), 1, 4), num(3, 0, 0, protocol.MaxZones-1),
			num(4, 0, 0, protocol.MaxBins-1), num(5, 1, 1, 1<<18)},
		protocol.OpReadConstants: {num(1, 0, 0, protocol.MaxBlock-1), num(2, 16, 1, protocol.MaxPayload)},
		protocol.OpStage:         {num(1, 64, 1, protocol.MaxBlock), num(2, 0, 0, protocol.MaxBlock-1), {key: 3, good: []byte{1, 2}, bytes: true}},
		protocol.OpCommit:        {num(1, 64, 1, protocol.MaxBlock), num(2, 1, 0, u32)},
	}
}

// bad returns wrong values of an argument.
func (a argument) bad() map[string]any {
	out := map[string]any{"text": "1", "an array": []any{1}, "a map": pairs{{1, 1}}, "a negative number": a.lo - 1,
		"counts": raw{0xd8, 64, 0x41, 1}, "a number of 64 bits": raw{0x1b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}}
	if a.bytes {
		out["a number"] = 1
		out["no bytes"] = []byte{}
		delete(out, "a negative number")
		return out
	}
	out["bytes"] = []byte{1}
	if a.lo >= 1 {
		delete(out, "a negative number")
		out["a number below its range"] = a.lo - 1
	}
	out["a number above its range"] = a.hi + 1
	out["a good number plus 2^32"] = a.good.(int64) + 1<<32
	return out
}

func checkArguments(r *run) {
	p, ok := r.start(r.main(), 1, 1)
	if !ok || !r.ended(p.Capture) {
		return
	}
	before, _ := r.readConstants()
	table := r.arguments()
	wrong := func(op protocol.Op, what string, args pairs) {
		id := r.newID()
		if h, ok := r.insist(id, op, envelope(id, r.session, op, args)); !ok {
			r.fail("4.4.3", "%v with %s is not answered", op, what)
		} else {
			r.want("4.4.3", h.Code == protocol.CodeBadArgument, "%v with %s is answered with code %d", op, what, h.Code)
		}
	}
	for op := protocol.OpWhoAreYou; op <= protocol.OpStop; op++ {
		for i, a := range table[op] {
			with := func(v any) (args pairs) {
				for j, b := range table[op] {
					switch {
					case j != i:
						args = append(args, pair{b.key, b.good})
					case v != nil:
						args = append(args, pair{b.key, v})
					}
				}
				return args
			}
			wrong(op, fmt.Sprintf("no key %d", a.key), with(nil))
			bad := a.bad()
			for _, what := range sorted(bad) {
				wrong(op, fmt.Sprintf("%s under key %d", what, a.key), with(bad[what]))
			}
		}
		if len(table[op]) > 0 {
			wrong(op, "no arguments", pairs{})
		}
	}
	// Nothing came of all that.
	r.code("4.4.1", protocol.CodeOK, &protocol.AskProgress{Capture: p.Capture})
	if after, ok := r.readConstants(); ok {
		r.want("4.4.1", bytes.Equal(before, after), "refused requests changed the constants")
	}
	// A wrong argument comes before all that is wrong in other ways.
	r.capture++
	if p, ok = r.start(r.main(), r.forEver(), 1); !ok {
		return
	}
	for _, op := range []protocol.Op{protocol.OpStartCapture, protocol.OpFetch, protocol.OpStage, protocol.OpCommit} {
		args := pairs{{1, 0}}
		for _, a := range table[op][1:] {
			args = append(args, pair{a.key, a.good})
		}
		id := r.newID()
		if h, ok := r.insist(id, op, envelope(id, r.session, op, args)); ok {
			r.want("4.4.4", h.Code == protocol.CodeBadArgument, "%v with a wrong argument while a capture runs: code %d, not 3", op, h.Code)
		}
	}
	if r.id.MaxFrames < protocol.MaxFrames {
		if h, ok := r.ask(&protocol.CaptureRequest{ID: r.capture + 7, Kind: r.main(), Shots: 1, Frames: r.id.MaxFrames + 1}); ok {
			r.want("4.4.4", h.Code == protocol.CodeBadArgument, "too many frames while a capture runs: code %d, not 3", h.Code)
		}
	}
	if now, ok := r.progress(p.Capture); ok {
		r.want("4.4.1", now.End == protocol.Running, "refused requests ended the capture")
	}
	r.stop()
}

func checkStatus(r *run) {
	s, ok := r.status()
	if !ok {
		return
	}
	r.want("5.2.1", !s.EmitterOn && s.Capture == 0, "in a new session: emitter %v, capture %d", s.EmitterOn, s.Capture)
	r.dark("5.2.1", "while status says nothing else")
	r.want("5.2.2", s.Faults>>5&0x7ff == 0, "faults 0x%08X have bits between 5 and 15", s.Faults)
	p, ok := r.start(r.main(), r.forEver(), 1)
	if !ok {
		return
	}
	if s, ok = r.status(); ok {
		r.want("5.2.1", s.EmitterOn && s.Capture == p.Capture, "while capture %d runs: emitter %v, capture %d", p.Capture, s.EmitterOn, s.Capture)
	}
	r.stop()
	if s, ok = r.status(); ok {
		r.want("5.2.1", !s.EmitterOn && s.Capture == p.Capture, "after capture %d: emitter %v, capture %d", p.Capture, s.EmitterOn, s.Capture)
	}
	hot := slices.Max([]int32{s.TempMilliCel, -s.TempMilliCel})
	r.want("5.2.1", hot < 200_000, "a temperature of %d thousandths of a degree", s.TempMilliCel)
}
