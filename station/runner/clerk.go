package runner

import (
	"errors"
	"log/slog"
	"slices"

	"example.org/panecal/station"
	"example.org/panecal/store/record"
)

// ledger is the one way into the log, for the machine's records and for those
// of the people at the station. What the log did not acknowledge may be there
// or not: the same is given once more, before anything else is, which settles
// it (see [station.Log]). Where that fails too, it was not acknowledged, and
// whoever gave it must not build on it.
type ledger struct {
	log    station.Log
	logger *slog.Logger
	turn   chan struct{} // holds the token of whoever may append
}

func newLedger(log station.Log, logger *slog.Logger) *ledger {
	l := &ledger{log: log, logger: logger, turn: make(chan struct{}, 1)}
	l.turn <- struct{}{}
	return l
}

func (l *ledger) append(b record.Body) (record.Ref, error) {
	return settled(l, "appending to the log", b.Kind().String(), func() (record.Ref, error) { return l.log.Append(b) })
}

func (l *ledger) appendCapture(c record.Capture) (record.CaptureRef, error) {
	return settled(l, "keeping a capture", c.Name, func() (record.CaptureRef, error) { return l.log.AppendCapture(c) })
}

func settled[T any](l *ledger, doing, what string, do func() (T, error)) (T, error) {
	<-l.turn
	defer func() { l.turn <- struct{}{} }()
	v, err := do()
	if err != nil {
		l.logger.Error(doing, "what", what, "error", err)
		v, err = do()
	}
	return v, err
}

// clerk keeps the log for the machine: one goroutine does it.
type clerk struct {
	r     *Runner
	jobs  chan station.Effect
	ended chan struct{}
	ahead map[int][]kept // of each nest, what Keep made durable since its last Save
}

type kept struct {
	capture *record.Capture
	ref     record.CaptureRef
	err     error // of a panic: what may be there then is not known, and Save fails
}

func newClerk(r *Runner, room int) *clerk {
	return &clerk{r: r, jobs: make(chan station.Effect, room), ended: make(chan struct{}), ahead: map[int][]kept{}}
}

func (c *clerk) close() { close(c.jobs) }

func (c *clerk) give(e station.Effect) {
	select {
	case c.jobs <- e:
	default:
		if e.Token == 0 { // Save will do it
			return
		}
		// cannot be: a nest awaits one answer at a time
		go c.r.answer(e, failed(e.Job, station.Failure{Trouble: station.Broke, Why: "the log's queue is full"}))
	}
}

func (c *clerk) run() {
	defer close(c.ended)
	for e := range c.jobs {
		f := c.do(e)
		if e.Token != 0 {
			c.r.answer(e, f)
		}
	}
}

func (c *clerk) do(e station.Effect) (f station.Fact) {
	defer func() {
		if p := recover(); p != nil {
			why := c.r.panicked(e, p)
			f = failed(e.Job, why)
			if j, ok := e.Job.(station.Keep); ok {
				c.ahead[e.Nest] = append(c.ahead[e.Nest], kept{capture: j.Capture, err: errors.New(why.Why)})
			}
		}
	}()
	switch j := e.Job.(type) {
	case station.Append:
		ref, err := c.r.ledger.append(j.Body)
		return station.Stored{Failure: failureOf(err), Ref: ref}
	case station.Keep:
		ref, err := c.r.ledger.appendCapture(*j.Capture)
		if err != nil { // Save tries again and tells
			return nil
		}
		c.ahead[e.Nest] = append(c.ahead[e.Nest], kept{capture: j.Capture, ref: ref})
		return nil
	case station.Save:
		refs, err := c.save(e.Nest, j.Captures)
		return station.Saved{Failure: failureOf(err), Refs: refs}
	case station.Recall:
		bySerial, err := c.r.opt.Past.BySerial(j.Serial)
		if err != nil {
			return station.Recalled{Failure: failureOf(err)}
		}
		f := station.Recalled{BySerial: slices.Clone(bySerial)}
		if past, ok := c.r.opt.Past.(station.Ends); ok {
			if f.Head, f.Began, err = past.Ends(); err != nil {
				return station.Recalled{Failure: failureOf(err)}
			}
		}
		if j.UnitID != "" {
			if f.ByUnitID, err = c.r.opt.Past.ByUnitID(j.UnitID); err != nil {
				return station.Recalled{Failure: failureOf(err)}
			}
		}
		return f
	}
	return failed(e.Job, station.Failure{Trouble: station.Broke, Why: "not a job for the log"})
}

// save makes durable what Keep has not, and forgets the nest's.
func (c *clerk) save(nest int, captures []*record.Capture) ([]record.CaptureRef, error) {
	ahead := c.ahead[nest]
	delete(c.ahead, nest)
	refs := make([]record.CaptureRef, len(captures))
	for i, capture := range captures {
		if k := slices.IndexFunc(ahead, func(k kept) bool { return k.capture == capture }); k >= 0 {
			if err := ahead[k].err; err != nil {
				return nil, err
			}
			refs[i] = ahead[k].ref
			continue
		}
		ref, err := c.r.ledger.appendCapture(*capture)
		if err != nil {
			return nil, err
		}
		refs[i] = ref
	}
	return refs, nil
}
