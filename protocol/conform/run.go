package conform

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"example.org/panecal/protocol"
)

// Options say how a unit is reached and what may be done to it.
type Options struct {
	Port protocol.Port // open; no text has to be sent before
	Baud int           // of a serial line, for the time that a request is under way; 0 for none

	OpenText, CloseText string // of a unit with a console

	Bench Bench // nil: nothing but the line
	// Grace is added to times that the unit is allowed or that it is waited
	// for, for adapters and queues on this side; 0 means 50 ms.
	Grace time.Duration
	// Latency is what the line's adapter adds to the time in which an answer
	// begins: later than 100 ms and this is late. 0 means 10 ms.
	Latency time.Duration
	// Busy says whether this machine has more to do than it can at the moment: a
	// unit that is a program on it may be late by no fault of its own. Nil if
	// the unit is somewhere else; see [Busy].
	Busy func() bool
	Seed uint64       // of session numbers and random fetches
	Talk func(string) // told which check is under way; may be nil
	// Only runs the checks made for one of these clauses; empty for all.
	Only []string
}

// Why a run did not get to its end.
var (
	ErrSilent = errors.New("the unit does not answer")         // at all, or no more
	ErrSlow   = errors.New("the unit answers everything late") // clause 4.5.1: the rest would take hours
)

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
	late    []late    // answers of this check that came too late
	heardOf int       // answers of this check
	inARow  int       // of these, without one in time between them
	slow    bool      // there were so many that the run ends
	leaving bool      // it has, and only tidies up
	pressed bool      // this machine was busy when something was found wanting in this check
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
	if opt.Latency == 0 {
		opt.Latency = 10 * time.Millisecond
	}
	if opt.Busy == nil {
		opt.Busy = func() bool { return false }
	}
	if opt.Talk == nil {
		opt.Talk = func(string) {}
	}
	r := &run{ctx: ctx, opt: opt, random: rand.New(rand.NewPCG(opt.Seed, 0)), results: map[string]*Result{}}
	r.wire = &wire{port: opt.Port, console: opt.OpenText != "", maxOut: protocol.MaxPayload,
		depart: func(f *fault) { r.fail(f.clause, "%s", f.why) }}
	for _, c := range Clauses() {
		res := &Result{Clause: c.Number, Title: c.title(), Outcome: NotTried, Why: notReached}
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
		found := map[string]*Result{}
		for again := 1; ; again++ {
			before, began := r.snapshot(), time.Now()
			r.pressed = false
			err := r.try(c)
			// What was found before counts unless it is disproved: the unit may
			// be in a state that lets nothing more be tried.
			for n, res := range found {
				if now := r.result(n); now.Outcome != Passed || now.Tries == before[n].Tries {
					r.results[n] = res
				}
			}
			if err != nil {
				return err
			}
			_, stood := r.pulse.within(began, time.Now())
			if stood == 0 && !r.pressed || !r.worse(before) || again == attempts {
				break
			}
			// Whatever was found may be this machine's own fault.
			why := "has too much to do"
			if stood > 0 {
				why = fmt.Sprintf("stood still for %d ms", stood.Milliseconds())
			}
			r.opt.Talk(fmt.Sprintf("%s again: this machine %s", c.name, why))
			for n, res := range r.results {
				if was := before[n]; res.Outcome == Failed && (was == nil || was.Outcome != Failed) {
					found[n] = res
				}
			}
			r.results = before
		}
	}
	return nil
}

const notReached = "the run did not get there"

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
	c.do(r)
	r.settle()
	r.lateness()
	if err := r.over(); err != nil {
		return fmt.Errorf("trying %s: %w", c.name, err)
	}
	for _, n := range c.clauses {
		res := r.result(n)
		if why, skip := r.skipped[n]; res.Outcome != NotTried {
			continue
		} else if skip {
			res.Why = why
		} else if res.Why == notReached {
			res.Why = strings.TrimRight("something before it failed: "+r.failedIn(c), ": ")
		}
	}
	return nil
}

// failedIn names the clauses that failed so far, of a check's own first, else
// of all: what keeps a check from its end is among them.
func (r *run) failedIn(c check) string {
	var all, own []string
	for n, res := range r.results {
		if res.Outcome == Failed {
			all = append(all, n)
			if slices.Contains(c.clauses, n) {
				own = append(own, n)
			}
		}
	}
	if len(own) > 0 {
		all = own
	}
	slices.Sort(all)
	return strings.Join(all, ", ")
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
	if r.slow {
		return fmt.Errorf("%w: mend clause 4.5.1 first", ErrSlow)
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
	r.failWith(clause, r.trace, format, args...)
}

func (r *run) failWith(clause string, trace []string, format string, args ...any) {
	res := r.result(clause)
	if res.Outcome == Failed || r.slow || r.ctx.Err() != nil { // a run that breaks off accuses nobody
		return
	}
	r.pressed = r.pressed || r.opt.Busy()
	res.Outcome, res.Why = Failed, fmt.Sprintf(format, args...)
	res.Bytes = slices.Clone(trace)
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
	r.session = r.newSession()
	var tries []asked
	quiet := r.textOK
	for range 25 {
		if r.opt.OpenText != "" {
			r.textOK = true // an echo of the opening text is still the console's
			r.write([]byte(r.opt.OpenText))
			r.pause(5 * time.Millisecond)
		}
		if quiet {
			r.drain()
			quiet = false
		}
		id := r.newID()
		r.transmit(packetOf(envelope(id, r.session, protocol.OpWhoAreYou, pairs{})))
		tries = append(tries, asked{id: id, sent: r.sentAt})
		// The answer to any of them will do: it may be late.
		try := -1
		h, ok := r.next(time.Now().Add(firstByte + r.opt.Grace))
		for ok {
			if try = slices.IndexFunc(tries, func(a asked) bool { return a.id == h.ID }); try >= 0 {
				break
			}
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
			r.timed(tries[try], h)
			for range tries[try+1:] { // those that were too impatient
				r.next(time.Now().Add(patient + r.opt.Grace))
			}
			return r.over() == nil
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
