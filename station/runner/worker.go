package runner

import (
	"context"
	"errors"
	"sync"
	"sync/atomic"
	"time"

	"example.org/panecal/protocol"
	"example.org/panecal/station"
	"example.org/panecal/station/product"
	"example.org/panecal/store/record"
)

// worker serves one nest: its goroutine owns the nest's line.
type worker struct {
	r     *Runner
	index int
	sheet product.Nest
	jobs  chan order
	ended chan struct{}

	mu     sync.Mutex
	epoch  int                // counts halts: what was ordered before one is not begun after it
	cancel context.CancelFunc // of the job that runs, nil for none

	period atomic.Int64 // of the unit's pulses, ns

	line    station.Line // nil while closed
	present bool         // the last request was answered: someone is there to be told
	counted protocol.Counters
}

// order is a job with the epoch it was given in.
type order struct {
	station.Effect
	epoch   int
	overdue *time.Timer
}

// Time limits of jobs. Within them the line's own tries decide.
const (
	quickIdentify = 160 * time.Millisecond // one try: an empty nest is silent as a rule
	shortJob      = 5 * time.Second
	restartJob    = 10 * time.Second
	writeJob      = 20 * time.Second // a commit may take as long as the unit says
	captureGrace  = 30 * time.Second // beyond four times the shots' own time
	dialWithin    = 3 * time.Second
	haltWithin    = time.Second
	overdueAfter  = 2 * time.Second // beyond a job's limit and the one before it
	keepAlive     = 3 * time.Second // a unit with a console leaves after 10 s without a request
)

func newWorker(r *Runner, index int, sheet product.Nest) *worker {
	return &worker{r: r, index: index, sheet: sheet, jobs: make(chan order, 64), ended: make(chan struct{})}
}

// give hands a job over. Halt ends the job that runs and those that wait.
func (w *worker) give(e station.Effect) {
	w.mu.Lock()
	if _, halt := e.Job.(station.Halt); halt {
		w.epoch++
		if w.cancel != nil {
			w.cancel()
		}
	}
	o := order{Effect: e, epoch: w.epoch}
	w.mu.Unlock()
	// A port that does not return must not hold the nest for ever.
	o.overdue = time.AfterFunc(w.limit(e.Job)+overdueAfter, func() {
		w.r.answer(e, failed(e.Job, station.Failure{Trouble: station.Silent, Why: "the port does not return"}))
	})
	select {
	case w.jobs <- o:
	default: // cannot be: a nest awaits one answer at a time
		go w.r.answer(e, failed(e.Job, station.Failure{Trouble: station.Broke, Why: "the nest's queue is full"}))
	}
}

func (w *worker) close() {
	w.mu.Lock()
	w.epoch++
	if w.cancel != nil {
		w.cancel()
	}
	w.mu.Unlock()
	close(w.jobs)
}

// run serves until close; on the way out the unit is told to stop.
func (w *worker) run() {
	defer close(w.ended)
	defer w.hangUpOnExit()
	defer w.stopOnExit()
	idle := time.NewTimer(keepAlive)
	defer idle.Stop()
	for {
		select {
		case o, ok := <-w.jobs:
			if !ok {
				return
			}
			w.serve(o)
		case <-idle.C:
			w.stayAwake()
		}
		idle.Reset(keepAlive)
	}
}

// serve does one job and answers it.
func (w *worker) serve(o order) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	defer o.overdue.Stop()
	w.mu.Lock()
	stale := o.epoch != w.epoch
	if !stale {
		w.cancel = cancel
	}
	w.mu.Unlock()
	if stale {
		w.r.answer(o.Effect, failed(o.Job, station.Failure{Trouble: station.Broke, Why: "halted before it began"}))
		return
	}
	f := w.guarded(ctx, o.Effect)
	w.mu.Lock()
	w.cancel = nil
	w.mu.Unlock()
	w.r.answer(o.Effect, f)
}

// guarded turns a panic into a crash of this nest alone, emitter off first.
func (w *worker) guarded(ctx context.Context, e station.Effect) (f station.Fact) {
	defer func() {
		if p := recover(); p != nil {
			why := w.r.panicked(e, p)
			w.stopOnExit()
			w.r.post(station.Event{Nest: w.index, Fact: station.Crashed{Why: why.Why}})
			f = failed(e.Job, why)
		}
	}()
	f = w.do(ctx, e)
	return f
}

func (w *worker) stopOnExit() {
	if w.line == nil || !w.present {
		return
	}
	defer func() {
		if p := recover(); p != nil {
			w.r.panicked(station.Effect{Nest: w.index, Job: station.Halt{}}, p)
		}
	}()
	ctx, cancel := context.WithTimeout(context.Background(), stopWithin)
	defer cancel()
	if err := w.line.Stop(ctx); err != nil {
		w.r.opt.Logger.Error("stopping the emitter on the way out", "nest", w.sheet.Name, "error", err)
	}
}

func (w *worker) hangUpOnExit() {
	defer func() {
		if p := recover(); p != nil {
			w.r.panicked(station.Effect{Nest: w.index, Job: station.Halt{}}, p)
		}
	}()
	w.hangUp()
}

func (w *worker) hangUp() {
	if w.line == nil {
		return
	}
	if err := w.line.Close(); err != nil {
		w.r.opt.Logger.Info("closing a port", "nest", w.sheet.Name, "error", err)
	}
	w.line, w.present = nil, false
}

// stayAwake keeps a unit with a console listening while hands are at work.
func (w *worker) stayAwake() {
	if w.line == nil || !w.present {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), haltWithin)
	defer cancel()
	defer func() {
		if p := recover(); p != nil {
			w.r.panicked(station.Effect{Nest: w.index, Job: station.Report{}}, p)
		}
	}()
	_, err := w.line.Status(ctx)
	w.present = err == nil
}

func (w *worker) do(ctx context.Context, e station.Effect) station.Fact {
	if _, open := e.Job.(station.Open); !open && w.line == nil {
		if err := w.dial(ctx); err != nil {
			return failed(e.Job, failureOf(err))
		}
	}
	ctx, cancel := context.WithTimeout(ctx, w.limit(e.Job))
	defer cancel()
	f, err := w.talk(ctx, e)
	w.present = err == nil
	if errors.Is(err, protocol.ErrPortLost) {
		w.hangUp()
	}
	return f
}

// limit is how long a job may take.
func (w *worker) limit(j station.Job) time.Duration {
	switch j := j.(type) {
	case station.Identify:
		if j.Quick {
			return quickIdentify
		}
	case station.Write, station.Mark, station.Void:
		return writeJob
	case station.Restart:
		return restartJob
	case station.Halt:
		return haltWithin
	case station.Open:
		return dialWithin
	case station.Capture:
		return 4*time.Duration(j.Request.Shots*int64(j.Request.Frames)*w.period.Load()) + captureGrace
	}
	return shortJob
}

func (w *worker) dial(ctx context.Context) error {
	w.hangUp()
	ctx, cancel := context.WithTimeout(ctx, dialWithin)
	defer cancel()
	line, err := w.r.opt.Dial.Dial(ctx, w.sheet)
	if err != nil {
		return err // it names the port
	}
	w.line, w.counted = line, line.Stats()
	return nil
}

// talk does one job on the line.
func (w *worker) talk(ctx context.Context, e station.Effect) (station.Fact, error) {
	switch j := e.Job.(type) {
	case station.Open:
		err := w.dial(ctx)
		return station.Done{Failure: failureOf(err)}, err
	case station.Identify:
		id, err := w.line.Identify(ctx)
		if errors.Is(err, protocol.ErrVersion) {
			return station.Identified{Identity: id}, nil // who it is decides what is said about it
		}
		if err == nil {
			w.counted = w.line.Stats()
			w.period.Store(id.PulsePeriodNS)
		}
		return station.Identified{Failure: failureOf(err), Identity: id}, err
	case station.Report:
		s, err := w.line.Status(ctx)
		return station.Reported{Failure: failureOf(err), Status: s}, err
	case station.ReadBlock:
		raw, err := w.line.ReadConstants(ctx)
		return station.BlockRead{Failure: failureOf(err), Raw: raw}, err
	case station.Void:
		if err := w.line.Void(ctx, j.Witness); err != nil {
			return station.BlockRead{Failure: failureOf(err)}, err
		}
		raw, err := w.line.ReadConstants(ctx)
		return station.BlockRead{Failure: failureOf(err), Raw: raw}, err
	case station.Capture:
		c, err := w.capture(ctx, j, func(p protocol.Progress) {
			w.r.answer(e, station.Progressed{Done: p.ShotsFired})
		})
		return station.Captured{Failure: failureOf(err), Capture: c, Wire: w.wire()}, err
	case station.Write:
		err := w.write(ctx, j.Block)
		return station.Done{Failure: failureOf(err)}, err
	case station.Restart:
		id, err := w.restart(ctx, j.Power)
		return station.Identified{Failure: failureOf(err), Identity: id}, err
	case station.Mark:
		if err := w.write(ctx, j.Block); err != nil {
			return station.BlockRead{Failure: failureOf(err)}, err
		}
		raw, err := w.line.ReadConstants(ctx)
		return station.BlockRead{Failure: failureOf(err), Raw: raw}, err
	case station.Halt:
		err := w.line.Stop(ctx)
		if j.Reopen {
			w.hangUp()
		}
		return station.Done{Failure: failureOf(err)}, err
	}
	return failed(e.Job, station.Failure{Trouble: station.Broke, Why: "not a job for a nest"}), nil
}

// capture takes a capture of a unit that is sound before it and after it.
func (w *worker) capture(ctx context.Context, j station.Capture, progress func(protocol.Progress)) (*protocol.Capture, error) {
	if err := w.sound(ctx, "before a capture", j.Tolerated); err != nil {
		return nil, err
	}
	c, err := w.line.Capture(ctx, j.Request, progress)
	if err != nil {
		return c, err
	}
	return c, w.sound(ctx, "after a capture", j.Tolerated)
}

func (w *worker) write(ctx context.Context, block []byte) error {
	if err := w.line.Stage(ctx, block); err != nil {
		return err
	}
	if err := w.line.Commit(ctx, block); err != nil {
		return err
	}
	return w.sound(ctx, "after its constants were written", 0)
}

// restart lets the unit begin anew and asks who it is until it says so, ever
// more patiently: it hears nothing while it begins, up to 2 s. ctx bounds it.
func (w *worker) restart(ctx context.Context, power *product.Nest) (protocol.Identity, error) {
	again := w.line.Restart
	if power != nil {
		again = func(ctx context.Context) error { return w.r.opt.Fixture.Cycle(ctx, *power) }
	}
	if err := again(ctx); err != nil {
		return protocol.Identity{}, err
	}
	for patience := quickIdentify; ; patience *= 2 {
		id, err := w.identifyWithin(ctx, patience)
		silent := errors.Is(err, protocol.ErrNoAnswer) || errors.Is(err, context.DeadlineExceeded)
		if err == nil || !silent || ctx.Err() != nil {
			return id, err
		}
	}
}

func (w *worker) identifyWithin(ctx context.Context, limit time.Duration) (protocol.Identity, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	return w.line.Identify(ctx)
}

// wire tells what was counted on the line since it was told last.
func (w *worker) wire() record.Wire {
	now, old := w.line.Stats(), w.counted
	w.counted = now
	return record.Wire{
		Requests: uint64(now.Requests - old.Requests), Retries: uint64(now.Retries - old.Retries),
		BadPackets: uint64(now.BadPackets - old.BadPackets), Dropped: uint64(now.Dropped - old.Dropped),
		BytesOut: uint64(now.BytesOut - old.BytesOut), BytesIn: uint64(now.BytesIn - old.BytesIn)}
}
