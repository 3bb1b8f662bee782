package station

import (
	"slices"

	"example.org/panecal/store/record"
)

// clerk keeps the log: one goroutine does all that touches it.
type clerk struct {
	r     *Runner
	jobs  chan Effect
	ended chan struct{}
}

func newClerk(r *Runner, room int) *clerk {
	return &clerk{r: r, jobs: make(chan Effect, room), ended: make(chan struct{})}
}

func (c *clerk) close() { close(c.jobs) }

func (c *clerk) give(e Effect) {
	select {
	case c.jobs <- e:
	default: // cannot be: a nest awaits one answer at a time
		go c.r.answer(e, failed(e.Job, Failure{Broke, "the log's queue is full"}))
	}
}

func (c *clerk) run() {
	defer close(c.ended)
	for e := range c.jobs {
		c.r.answer(e, c.do(e))
	}
}

func (c *clerk) do(e Effect) (f Fact) {
	defer func() {
		if p := recover(); p != nil {
			f = failed(e.Job, c.r.panicked(e, p))
		}
	}()
	switch j := e.Job.(type) {
	case Append:
		ref, err := c.r.opt.Log.Append(j.Body)
		if err != nil { // it may be there: asking again settles it
			c.r.opt.Logger.Error("appending to the log", "kind", j.Body.Kind(), "error", err)
			ref, err = c.r.opt.Log.Append(j.Body)
		}
		return Stored{failureOf(err), ref}
	case Save:
		var refs []record.CaptureRef
		for _, capture := range j.Captures {
			ref, err := c.r.opt.Log.AppendCapture(*capture)
			if err != nil {
				return Saved{Failure: failureOf(err)}
			}
			refs = append(refs, ref)
		}
		return Saved{Refs: refs}
	case Recall:
		bySerial, err := c.r.opt.Past.BySerial(j.Serial)
		if err != nil {
			return Recalled{Failure: failureOf(err)}
		}
		f := Recalled{BySerial: slices.Clone(bySerial)}
		if j.UnitID != "" {
			if f.ByUnitID, err = c.r.opt.Past.ByUnitID(j.UnitID); err != nil {
				return Recalled{Failure: failureOf(err)}
			}
		}
		return f
	}
	return failed(e.Job, Failure{Broke, "not a job for the log"})
}
