package conform

import (
	"slices"
	"time"

	"example.org/panecal/protocol"
)

// newID returns the id of the next request.
func (r *run) newID() uint32 {
	r.lastID++
	return r.lastID
}

// sendAs sends a payload that is a request of that id and number, and
// expects its answer.
func (r *run) sendAs(id uint32, op protocol.Op, payload []byte) {
	r.transmit(packetOf(payload))
	r.expect(id, op)
}

func (r *run) transmit(b []byte) {
	r.write(b)
	now := time.Now()
	if r.sentAt.Before(now) {
		r.sentAt = now
	}
	if r.opt.Baud > 0 {
		r.sentAt = r.sentAt.Add(time.Duration(len(b)) * 10 * time.Second / time.Duration(r.opt.Baud))
	}
}

func (r *run) expect(id uint32, op protocol.Op) {
	r.open = append(r.open, asked{id: id, op: op, session: r.session, sent: r.sentAt})
}

// payloadOf encodes a request in the run's session.
func (r *run) payloadOf(id uint32, body protocol.RequestBody) []byte {
	payload, err := protocol.AppendRequest(nil, protocol.Request{ID: id, Session: r.session, Body: body})
	if err != nil {
		r.fail("3.3.7", "this program cannot ask that: %v", err) // a range of the unit's own that the codec does not know
	}
	return payload
}

// send asks without waiting.
func (r *run) send(body protocol.RequestBody) uint32 {
	id := r.newID()
	r.sendAs(id, body.Op(), r.payloadOf(id, body))
	return id
}

// receive takes the next answer to anything asked; ok is false when none
// comes. Everything about it that no check asks for is looked at here.
func (r *run) receive() (heard, bool) {
	// Answers with the id of one that was answered before: repeated, if the
	// open request gets its own, else that one under a wrong id.
	var twice []uint32
	for len(r.open) > 0 && r.over() == nil {
		// A late answer is another departure than none: be patient, unless
		// the unit has been found to leave answers out.
		wait := patient
		if r.result("1.2").Outcome == Failed {
			wait = 3 * firstByte
		}
		h, ok := r.next(time.Now().Add(wait + r.opt.Grace))
		if !ok {
			for _, id := range twice { // it was the answer that is missing
				r.fail("4.1.2", "request %d is answered with the id of request %d, which came before it", r.open[0].id, id)
			}
			return heard{}, false
		}
		at := slices.IndexFunc(r.open, func(a asked) bool { return a.id == h.ID && a.op == h.Op })
		if at < 0 {
			if slices.Contains(r.done, h.ID) {
				twice = append(twice, h.ID)
			} else {
				r.stray(h)
			}
			continue
		}
		for _, id := range twice {
			r.fail("1.2", "request %d is answered twice", id)
		}
		a := r.open[at]
		for _, missed := range r.open[:at] {
			if !missed.may {
				r.fail("1.3", "request %d is answered before request %d, which came earlier", a.id, missed.id)
			}
		}
		r.open = slices.Delete(r.open, at, at+1)
		r.done = append(r.done, h.ID)
		if len(r.done) > 64 {
			r.done = r.done[1:]
		}
		r.look(a, h)
		return h, true
	}
	return heard{}, false
}

// stray is an answer that nothing open asked for.
func (r *run) stray(h heard) {
	switch {
	case slices.ContainsFunc(r.open, func(a asked) bool { return a.id == h.ID }):
		r.fail("4.1.2", "request %d was not of number %d", h.ID, h.Op)
	case slices.Contains(r.done, h.ID):
		r.fail("1.2", "request %d is answered twice", h.ID)
	case len(r.open) > 0:
		r.fail("4.1.2", "an answer with id %d, which no request has", h.ID)
	default:
		r.fail("1.2", "an answer with id %d, which nothing asked for", h.ID)
	}
}

// look tries what every answer has to keep.
func (r *run) look(a asked, h heard) {
	for _, clause := range []string{"1.2", "1.3", "3.1.1", "3.1.2", "3.1.3", "3.2.1", "3.2.3", "3.3.1", "3.3.2", "3.3.3", "3.3.7", "4.1.1"} {
		r.tried(clause)
	}
	r.want("4.1.2", h.Session == a.session, "session %d in the answer to request %d, the unit's own is %d", h.Session, h.ID, a.session)
	r.timed(a, h)
	if h.Code > protocol.CodeBusy {
		r.tried("4.1.4")
	}
	if r.running {
		r.tried("4.5.5")
	}
	if h.Code == protocol.CodeBusy {
		r.tried("4.5.2")
		if r.running {
			r.want("4.5.5", h.BusyMS <= 200, "busy for %d ms while a capture runs", h.BusyMS)
		}
	}
	if v, ok := h.Body.(*protocol.Values); ok && v.Table != protocol.RangeTable {
		r.tried("3.3.4")
	}
}

// answers takes all answers that are still open; those that do not come fail
// clause 1.2.
func (r *run) answers() []heard {
	var all []heard
	for {
		h, ok := r.receive()
		if !ok {
			break
		}
		all = append(all, h)
	}
	for _, a := range r.open {
		if !a.may && r.over() == nil {
			r.fail("1.2", "request %d (%v) is not answered", a.id, a.op)
		}
	}
	r.open = nil
	return all
}

// one sends a payload and returns its answer as it is, busy or not.
func (r *run) one(id uint32, op protocol.Op, payload []byte) (heard, bool) {
	r.sendAs(id, op, payload)
	got := r.answers()
	if len(got) == 0 {
		return heard{}, false
	}
	return got[0], true
}

// ask carries a request out, busy times included; ok is false when it was
// not answered at all.
func (r *run) ask(body protocol.RequestBody) (heard, bool) {
	id := r.newID()
	return r.insist(id, body.Op(), r.payloadOf(id, body))
}

func (r *run) insist(id uint32, op protocol.Op, payload []byte) (heard, bool) {
	began := time.Now()
	for {
		h, ok := r.one(id, op, payload)
		if !ok || h.Code != protocol.CodeBusy {
			return h, ok
		}
		if put := time.Since(began); put > 15*time.Second {
			r.fail("4.5.4", "request %d (%v) is put off for %.1f s", id, op, put.Seconds())
			return h, true
		}
		r.tried("4.5.4")
		r.pause(time.Duration(h.BusyMS) * time.Millisecond)
		r.tried("4.5.3")
	}
}

// code asks and wants an answer with a code.
func (r *run) code(clause string, want protocol.Code, body protocol.RequestBody) bool {
	h, ok := r.ask(body)
	if !ok {
		r.fail(clause, "%v is not answered", body.Op())
	}
	return ok && r.want(clause, h.Code == want, "%v is answered with code %d (%v), not %d (%v)", body.Op(), h.Code, h.Code, want, want)
}
