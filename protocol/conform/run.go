package conform

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"example.org/panecal/protocol"
)

// Options say how a unit is reached and what may be done to it.
type Options struct {
	Port protocol.Port // open; no text has to be sent before
	Baud int           // of a serial line, for the time that a request is under way; 0 for none

	OpenText, CloseText string // of a unit with a console

	Bench Bench // nil: nothing but the line
	// Grace is added to what the unit is allowed, for adapters and queues on
	// this side; 0 means 50 ms.
	Grace time.Duration
	Seed  uint64       // of session numbers and random fetches
	Talk  func(string) // told which check is under way; may be nil
	// Only runs the checks made for one of these clauses; empty for all.
	Only []string
}

// ErrSilent says that a unit does not answer at all, or no more.
var ErrSilent = errors.New("the unit does not answer")

// check tries some clauses. One has passed when something was tried of it
// and nothing was found wanting.
type check struct {
	name    string
	clauses []string
	do      func(*run)
}

// run is one walk through the specification.
type run struct {
	*wire
	ctx     context.Context
	opt     Options
	random  *rand.Rand
	id      protocol.Identity
	session uint32
	lastID  uint32
	open    []asked
	done    []uint32  // ids answered lately
	sentAt  time.Time // the last byte sent has left
	heardAt time.Time // the last answer's last byte was in
	running bool      // a capture is
	late    int       // answers that came too late
	pulse   *pulse
	capture uint32 // last capture id used
	results map[string]*Result
	skipped map[string]string // by the check under way
}

// asked is a request that is not answered yet.
type asked struct {
	id      uint32
	op      protocol.Op
	session uint32 // the unit's own, that the answer has to carry
	sent    time.Time
	may     bool // its answer may stay away
}

// Run tries a unit. The report is whole even with an error, as far as it got.
func Run(ctx context.Context, opt Options) (*Report, error) {
	if opt.Bench == nil {
		opt.Bench = NoBench{}
	}
	if opt.Grace == 0 {
		opt.Grace = 50 * time.Millisecond
	}
	if opt.Talk == nil {
		opt.Talk = func(string) {}
	}
	r := &run{ctx: ctx, opt: opt, random: rand.New(rand.NewPCG(opt.Seed, 0)), results: map[string]*Result{}}
	r.wire = &wire{port: opt.Port, console: opt.OpenText != "", maxOut: protocol.MaxPayload,
		depart: func(f *fault) { r.fail(f.clause, "%s", f.why) }}
	for _, c := range Clauses() {
		res := &Result{Clause: c.Number, Title: c.title(), Outcome: NotTried, Why: "the run did not get there"}
		switch {
		case c.Inside:
			res.Outcome, res.Why = Inside, ""
		case c.Note:
			res.Outcome, res.Why = Note, ""
		}
		r.results[c.Number] = res
	}
	r.pulse = newPulse()
	defer r.pulse.stop()
	err := r.all()
	report := &Report{Schema: Schema, Unit: nameOf(&r.id), Seed: opt.Seed}
	for _, c := range Clauses() {
		report.Clauses = append(report.Clauses, *r.results[c.Number])
	}
	report.count()
	return report, err
}

func (r *run) all() error {
	opened := r.begin()
	if err := r.over(); err != nil {
		return err
	}
	if !opened {
		return fmt.Errorf("asking who the unit is: %w", ErrSilent)
	}
	kept := r.keep()
	defer r.restore(kept)
	for _, c := range checks() {
		if len(r.opt.Only) > 0 && !slices.ContainsFunc(c.clauses, func(n string) bool { return slices.Contains(r.opt.Only, n) }) {
			continue
		}
		r.opt.Talk(c.name)
		for again := 1; ; again++ {
			before := r.snapshot()
			r.pulse.stood()
			if err := r.try(c); err != nil {
				return err
			}
			stood := r.pulse.stood()
			if stood == 0 || !r.worse(before) || again == attempts {
				break
			}
			// Whatever was found may be this machine's own fault.
			r.opt.Talk(fmt.Sprintf("%s again: this machine stood still for %d ms", c.name, stood.Milliseconds()))
			r.results = before
		}
	}
	return nil
}

// attempts are how often a check is made when this machine stands still.
const attempts = 5

// try makes one check.
func (r *run) try(c check) error {
	if !r.begin() {
		if err := r.over(); err != nil {
			return err
		}
		r.fail(c.clauses[0], "the unit no longer answers")
		return fmt.Errorf("before trying %s: %w", c.name, ErrSilent)
	}
	r.skipped = map[string]string{}
	r.late = 0
	c.do(r)
	r.settle()
	if err := r.over(); err != nil {
		return fmt.Errorf("trying %s: %w", c.name, err)
	}
	for _, n := range c.clauses {
		if why, skip := r.skipped[n]; skip {
			if res := r.result(n); res.Outcome == NotTried {
				res.Why = why
			}
		} else if res := r.result(n); res.Outcome == NotTried {
			res.Why = "something before it failed"
		}
	}
	return nil
}

// snapshot copies the results so far.
func (r *run) snapshot() map[string]*Result {
	all := map[string]*Result{}
	for n, res := range r.results {
		one := *res
		all[n] = &one
	}
	return all
}

// worse says whether a clause failed that had not failed before.
func (r *run) worse(before map[string]*Result) bool {
	for n, res := range r.results {
		if was := before[n]; res.Outcome == Failed && (was == nil || was.Outcome != Failed) {
			return true
		}
	}
	return false
}

// over tells why nothing more can be done.
func (r *run) over() error {
	if err := r.ctx.Err(); err != nil {
		return context.Cause(r.ctx)
	}
	if r.lost != nil {
		return fmt.Errorf("the line is lost: %w", r.lost)
	}
	return nil
}

func (r *run) result(clause string) *Result {
	res := r.results[clause]
	if res == nil { // a table's mistake: shown, and TestEveryClause finds it
		res = &Result{Clause: clause, Outcome: NotTried}
		r.results[clause] = res
	}
	return res
}

// tried counts a try that found nothing wanting.
func (r *run) tried(clause string) {
	res := r.result(clause)
	res.Tries++
	if res.Outcome == NotTried {
		res.Outcome, res.Why = Passed, ""
	}
}

// fail notes the first departure from a clause, with the traffic before it.
func (r *run) fail(clause, format string, args ...any) {
	res := r.result(clause)
	if res.Outcome == Failed {
		return
	}
	res.Outcome, res.Why = Failed, fmt.Sprintf(format, args...)
	res.Bytes = slices.Clone(r.trace)
	res.Tries++
}

// want fails a clause unless ok, which it returns.
func (r *run) want(clause string, ok bool, format string, args ...any) bool {
	if ok {
		r.tried(clause)
	} else {
		r.fail(clause, format, args...)
	}
	return ok
}

// skip says why the check under way cannot try a clause.
func (r *run) skip(why string, clauses ...string) {
	for _, c := range clauses {
		r.skipped[c] = why
	}
}

// pause waits, unless the run is to end.
func (r *run) pause(d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-r.ctx.Done():
	}
}

const firstByte = 100 * time.Millisecond // SPEC.md 4.5.1

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
	for len(r.open) > 0 && r.over() == nil {
		// A late answer is another departure than none: be patient, unless
		// the unit has been found to leave answers out.
		patient := 12 * firstByte
		if r.result("1.2").Outcome == Failed {
			patient = 3 * firstByte
		}
		h, ok := r.next(time.Now().Add(patient + r.opt.Grace))
		if !ok {
			return heard{}, false
		}
		at := slices.IndexFunc(r.open, func(a asked) bool { return a.id == h.ID && a.op == h.Op })
		if at < 0 {
			r.stray(h)
			continue
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
	since := a.sent
	if r.heardAt.After(since) {
		since = r.heardAt
	}
	late := h.first.Sub(since)
	r.tried("4.5.1")
	if late > firstByte+r.opt.Grace {
		r.tooLate("the answer to request %d began after %d ms", h.ID, late.Milliseconds())
	}
	if r.widest > 10*time.Millisecond+r.opt.Grace {
		r.tooLate("a gap of %d ms within the answer to request %d", r.widest.Milliseconds(), h.ID)
	}
	r.widest = 0
	r.heardAt = h.last
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

// tooLate fails 4.5.1 at the third time in one check: once or twice in a
// hundred requests it is as likely this machine that was late.
func (r *run) tooLate(format string, args ...any) {
	if r.late++; r.late > 2 {
		r.fail("4.5.1", format+", and others before it", args...)
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

// settle listens for what nobody asked for.
func (r *run) settle() {
	r.open = nil
	for {
		h, ok := r.next(time.Now().Add(firstByte))
		if !ok || r.over() != nil {
			return
		}
		r.stray(h)
	}
}

// begin opens protocol mode and a session of its own, and waits for a unit
// that is starting.
func (r *run) begin() bool {
	r.open, r.running = nil, false
	for range 25 {
		quiet := r.textOK
		if r.opt.OpenText != "" {
			r.textOK = true // an echo of the opening text is still the console's
			r.write([]byte(r.opt.OpenText))
			r.pause(5 * time.Millisecond)
		}
		if quiet {
			r.drain()
		}
		r.session = r.newSession()
		id := r.newID()
		r.transmit(packetOf(envelope(id, r.session, protocol.OpWhoAreYou, pairs{})))
		h, ok := r.next(time.Now().Add(firstByte + r.opt.Grace))
		for ok && h.ID != id {
			h, ok = r.next(time.Now().Add(firstByte + r.opt.Grace))
		}
		if r.over() != nil {
			return false
		}
		if ok && h.Code == protocol.CodeBusy {
			r.pause(time.Duration(h.BusyMS) * time.Millisecond)
			continue
		}
		if who, good := h.Body.(*protocol.Identity); ok && good {
			r.id, r.maxOut, r.textOK = *who, who.MaxOut, false
			return true
		}
	}
	return false
}

// drain forgets what comes while nothing was asked.
func (r *run) drain() {
	for r.over() == nil {
		if _, ok := r.next(time.Now().Add(20 * time.Millisecond)); !ok {
			break
		}
	}
	r.forget()
}

func (r *run) newSession() uint32 {
	for {
		if s := r.random.Uint32(); s != 0 && s != r.session {
			return s
		}
	}
}
